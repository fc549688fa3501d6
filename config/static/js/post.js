/* The bench: the field keeps the focus, scans go one after another, each verdict has its own rhythm. */

const MAX_WAITING = 25; // scans; more than that and the desk must stop
const RETRY = 2000; // ms between tries while the network is away
const MAX_REFUSED = 4; // answers of the server that it cannot; then a person decides
const SCANNER_GAP = 45; // ms a character; a hand is slower

const printButton = document.querySelector("[data-print]");
if (printButton) {
  printButton.hidden = false;
  printButton.addEventListener("click", () => window.print());
}

const form = document.getElementById("scan");
if (form) {
  const field = form.elements.raw;
  const sound = document.getElementById("sound");
  const waiting = [];
  let busy = false;
  let firstKey = 0;
  let keys = 0;

  /* Sounds: rhythm tells them apart, so that pitch need not. Each note is [start, length, pitch]. */
  const RHYTHMS = {
    tick: [[0, 0.05, 1250]],
    "two-ticks": [[0, 0.05, 1250], [0.12, 0.05, 1250]],
    low: [[0, 0.16, 330], [0.22, 0.16, 330]],
    fall: [[0, 0.2, 700], [0.24, 0.2, 520], [0.48, 0.26, 350]],
    click: [[0, 0.02, 500]],
  };
  let audio = null;
  const play = (name) => {
    if (!sound.checked || !RHYTHMS[name] || !window.AudioContext) return;
    audio ??= new AudioContext();
    audio.resume();
    for (const [start, length, pitch] of RHYTHMS[name]) {
      const tone = audio.createOscillator();
      const volume = audio.createGain();
      const at = audio.currentTime + start;
      tone.type = name === "fall" ? "sawtooth" : "sine";
      tone.frequency.value = pitch;
      volume.gain.setValueAtTime(0.0001, at);
      volume.gain.exponentialRampToValueAtTime(0.25, at + 0.005);
      volume.gain.exponentialRampToValueAtTime(0.0001, at + length);
      tone.connect(volume).connect(audio.destination);
      tone.start(at);
      tone.stop(at + length + 0.02);
    }
  };
  try {
    sound.checked = localStorage.getItem("roundbook-sounds") !== "off";
    sound.addEventListener("change", () => localStorage.setItem("roundbook-sounds", sound.checked ? "on" : "off"));
  } catch {
    /* Storage refused: the choice lasts for this page only. */
  }

  const face = () => document.getElementById("face");
  const line = (words) => {
    const place = face().querySelector("[data-line]");
    place.textContent = words;
    place.hidden = !words;
  };

  /* A scan and its number stay together until the server has answered, so that a retry is the same scan. */
  const post = async (scan) => {
    const body = new URLSearchParams({
      raw: scan.raw,
      typed: scan.typed ? "yes" : "no",
      sequence: scan.sequence,
      pending: scan.pending,
    });
    const response = await fetch(form.action, {
      method: "POST",
      body,
      headers: { "HX-Request": "true", "X-CSRFToken": form.elements.csrfmiddlewaretoken.value },
      redirect: "error",
    });
    const away = response.headers.get("HX-Redirect");
    if (away) {
      window.location.assign(away);
      return null;
    }
    scan.refused = response.ok ? 0 : (scan.refused ?? 0) + (response.status < 500 ? MAX_REFUSED : 1);
    if (!response.ok) throw new Error(`answer ${response.status}`);
    return response.text();
  };
  const swap = (html) => {
    const fresh = document.createElement("template");
    fresh.innerHTML = html;
    face().replaceWith(fresh.content.querySelector("#face"));
    field.focus();
    window.roundbook?.announce(face().dataset.announce);
    play(face().dataset.soundName);
  };
  const pump = async () => {
    if (busy) return;
    busy = true;
    while (waiting.length) {
      const scan = waiting[0];
      scan.sequence ??= form.elements.sequence.value;
      scan.pending ??= form.elements.pending.value;
      let html = null;
      try {
        html = await post(scan);
      } catch {
        if (scan.refused >= MAX_REFUSED) {
          waiting.length = 0;
          line(form.dataset.refused);
          play("fall");
          break;
        }
        line(`${form.dataset.notStored} (${waiting.length})`);
        face().querySelector(".verdict").classList.add("waiting");
        await new Promise((resolve) => window.setTimeout(resolve, RETRY));
        continue;
      }
      if (html === null) return;
      waiting.shift();
      swap(html);
      if (face().hasAttribute("data-halts") && waiting.length) {
        waiting.length = 0;
        line(form.dataset.notSent);
      }
    }
    busy = false;
  };
  const hear = (raw, typed) => {
    if (!raw.trim()) return;
    if (waiting.length >= MAX_WAITING) {
      line(form.dataset.tooMany);
      play("fall");
      return;
    }
    /* The day may still stand in the field when the next kit is scanned: two scans in one line. */
    const both = /^\s*(\d{1,2}|[.+])((?:\][A-Za-z]\d)?[A-Za-z].{9,})$/.exec(raw);
    const parts = both ? [both[1], both[2]] : [raw];
    waiting.push(...parts.map((part) => ({ raw: part, typed })));
    pump();
  };

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const card = event.submitter?.name === "card" ? event.submitter.value : "";
    const raw = card || field.value;
    const pace = keys > 1 ? (performance.now() - firstKey) / keys : Infinity;
    if (!card) field.value = "";
    keys = 0;
    field.focus();
    hear(raw, !card && pace > SCANNER_GAP);
  });

  /* Focus: every key lands in the field, unless it is meant for a control the reader has chosen. */
  const elsewhere = (target) => target.closest?.("a, button, summary, input:not(#raw), dialog, select, textarea");
  document.addEventListener("keydown", (event) => {
    if (event.target === field) {
      if (keys === 0) firstKey = performance.now();
      if (event.key.length === 1) keys += 1;
    }
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !field.value) {
      event.preventDefault();
      hear("RB-UNDO", true);
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey || event.key.length !== 1) return;
    if (event.target === field || event.target.matches?.("#hand_count")) return;
    if (event.key === " " && elsewhere(event.target)) return;
    field.focus();
  });
  document.addEventListener("click", (event) => {
    if (!elsewhere(event.target) && !window.getSelection()?.toString()) field.focus();
  });
  sound.addEventListener("change", () => field.focus());
  window.addEventListener("focus", () => {
    if (document.activeElement === document.body) field.focus();
  });
  window.addEventListener("pageshow", () => field.focus());
  window.addEventListener("beforeunload", (event) => {
    if (waiting.length) event.preventDefault();
  });
}
