/* Draws an answer of the server, or what waits, into the verdict; the template drew the first one. */

import { dayInWords, words } from "./words.js";

const root = () => document.getElementById("face");
const part = (name) => root().querySelector(`[data-${name}]`);
const show = (name, text) => {
  part(name).hidden = !text;
  return part(name);
};
const icon = (name) => {
  const made = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  made.setAttribute("class", "icon");
  made.setAttribute("aria-hidden", "true");
  made.setAttribute("focusable", "false");
  made.append(document.createElementNS("http://www.w3.org/2000/svg", "use"));
  made.firstChild.setAttribute("href", `${root().dataset.icons}#${name}`);
  return made;
};
const cell = (text, type = "") => {
  const made = document.createElement("td");
  made.textContent = text;
  made.className = type;
  return made;
};

const verdict = (tone, name, alarm, waits) => {
  const box = root().querySelector(".verdict");
  box.className = `verdict tone-${tone}${alarm ? " alarm" : ""}${waits ? " waiting" : ""}`;
  box.querySelector(".icon").replaceWith(icon(name));
  root().dataset.tone = tone;
};

const listed = (answer) => {
  const rows = root().querySelector("[data-lines]");
  rows.querySelector("[data-none]")?.remove();
  const row = document.createElement("tr");
  row.dataset.tone = answer.tone;
  const state = document.createElement("span");
  state.className = `state tone-${answer.tone}`;
  const word = document.createElement("span");
  word.textContent = answer.word;
  state.append(icon(answer.icon), word);
  const held = document.createElement("td");
  held.append(state);
  row.append(cell(answer.time), held, cell((answer.serial || answer.heard || "").slice(0, 40), "code"), cell(answer.name));
  rows.prepend(row);
  while (rows.children.length > 5) rows.lastChild.remove();
};

const STAYS = 1200; // ms a line is left standing when an earlier scan's answer arrives
let lineAt = 0;

export const line = (text) => {
  part("line").textContent = text;
  part("line").hidden = !text;
  lineAt = text ? performance.now() : 0;
};

export const counted = (answer) => {
  if (answer.next === null) return;
  for (const [name, number] of Object.entries(answer.counts)) {
    root().querySelector(`[data-count="${name}"]`).textContent = number;
  }
};

export const draw = (answer) => {
  verdict(answer.tone, answer.icon, answer.alarm, false);
  root().toggleAttribute("data-alarm", answer.alarm);
  part("say").textContent = answer.position ? `${answer.word} – ${answer.position}` : answer.word;
  show("who", answer.name);
  part("name").textContent = answer.name;
  part("born").textContent = answer.name && answer.born ? `, ${answer.born}` : "";
  show("day", answer.day);
  part("day-words").textContent = answer.day;
  part("sentence").textContent = answer.sentence;
  show("remark", answer.remark).textContent = answer.remark;
  part("owes-day").hidden = !answer.waiting || answer.outcome === "shown";
  part("only-card").hidden = !answer.alarm;
  if (performance.now() - lineAt > STAYS) line("");
  counted(answer);
  if (answer.listed) listed(answer);
  window.roundbook?.announce(`${answer.word}. ${answer.name}. ${answer.sentence}`);
};

/* A scan that waits is shown as waiting and with its serial only; it is never shown as accepted, and has no name. */
export const drawWaiting = (scan, count, sentence) => {
  verdict("quiet", "waiting", false, true);
  part("say").textContent = `${words.waiting} (${count})`;
  show("who", "");
  show("day", scan.day);
  part("day-words").textContent = scan.day ? dayInWords(scan.day) || scan.day : "";
  part("sentence").textContent = `${scan.raw}: ${sentence}`;
  show("remark", "");
  part("owes-day").hidden = true;
  part("only-card").hidden = true;
};

export const waitingCount = (count) => {
  const place = document.querySelector("[data-waiting-count]");
  place.hidden = !count;
  place.textContent = count ? `${words.count} ${count}` : "";
};
