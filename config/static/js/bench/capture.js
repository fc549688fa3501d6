/* The one field: every key lands in it, a scanner's line is told from a hand's, and a day is read back at once. */

import { dayInWords } from "./words.js";

const SCANNER_GAP = 45; // ms a character; a hand is slower. Times are those of the keys, not of a page that was busy.

const kept = (input, name) => {
  try {
    input.value = localStorage.getItem(name) ?? "";
    input.addEventListener("change", () => localStorage.setItem(name, input.value));
  } catch {
    /* Storage refused: the choice lasts for this page only. */
  }
  return () => input.value;
};

export const capture = (form, hear) => {
  const field = form.elements.raw;
  const preview = form.querySelector("[data-preview]");
  const before = kept(document.getElementById("scanner-prefix"), "roundbook-scanner-prefix");
  const after = kept(document.getElementById("scanner-suffix"), "roundbook-scanner-suffix");
  let firstKey = 0;
  let lastKey = 0;
  let keys = 0;

  const bare = (text) => {
    let raw = text;
    if (before() && raw.startsWith(before())) raw = raw.slice(before().length);
    if (after() && raw.endsWith(after())) raw = raw.slice(0, -after().length);
    return raw;
  };
  /* The day may still stand in the field when the next kit is scanned: two scans in one line. */
  const parts = (raw) => {
    const both = /^\s*(\d{1,2}|[.+=])(\S*[A-Za-z].{9,})$/.exec(raw);
    return both ? [both[1], bare(both[2])] : [bare(raw)];
  };
  const send = (card = "") => {
    const pace = keys > 1 ? (lastKey - firstKey) / keys : Infinity;
    const raw = card || field.value;
    if (!card) field.value = "";
    keys = 0;
    preview.textContent = "\u00a0";
    field.focus();
    for (const part of card ? [card] : parts(raw)) hear(part, !card && pace > SCANNER_GAP);
  };

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send(event.submitter?.name === "card" ? event.submitter.value : "");
  });
  field.addEventListener("input", () => {
    preview.textContent = dayInWords(field.value) || "\u00a0";
  });

  const elsewhere = (target) => target.closest?.("a, button, summary, input:not(#raw), dialog, select, textarea");
  document.addEventListener("keydown", (event) => {
    const shortcut = document.querySelector(`[data-f-key="${CSS.escape(event.key)}"]`);
    if (shortcut) {
      event.preventDefault();
      send(shortcut.value);
      return;
    }
    if (event.target === field) {
      if (keys === 0) firstKey = event.timeStamp;
      lastKey = event.timeStamp;
      if (event.key.length === 1) keys += 1;
      if (event.key === "Tab" && field.value && !event.shiftKey) {
        event.preventDefault();
        send();
        return;
      }
    }
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !field.value) {
      event.preventDefault();
      hear("RB-UNDO", true);
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey || event.key.length !== 1) return;
    if (event.target === field || event.target.matches?.("#hand_count, .station input[type=text]")) return;
    if (event.key === " " && elsewhere(event.target)) return;
    field.focus();
  });
  document.addEventListener("click", (event) => {
    if (!elsewhere(event.target) && !window.getSelection()?.toString()) field.focus();
  });
  document.getElementById("sound").addEventListener("change", () => field.focus());
  window.addEventListener("focus", () => {
    if (document.activeElement === document.body) field.focus();
  });
  window.addEventListener("pageshow", () => field.focus());
  field.focus();
  return field;
};
