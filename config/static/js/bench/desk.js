/* The bench: scans go to the server one after another; while the network is away they wait here, in order. */

import { capture } from "./capture.js";
import * as face from "./face.js";
import { queueOf } from "./queue.js";
import { sounds } from "./sounds.js";
import { NoNetwork, Refused, SignedOut, wire } from "./wire.js";
import { dayIn, lastDayIs, markCards, words } from "./words.js";

const RETRY = 2000; // ms between tries while the network is away
const MAX_REFUSED = 4; // answers of the server that it cannot; then a person decides
const DOUBLE = 1500; // ms within which the same code counts once

const isCard = (raw) => /^(\][A-Za-z][0-9A-Za-z])?RB-?/i.test(raw.trim());
const pause = (ms) => new Promise((resolve) => window.setTimeout(resolve, ms));
const nobody = { put: async () => {}, remove: async () => {}, replace: async () => {}, all: async () => [], others: async () => [] };

export const start = async (form) => {
  const session = Number(form.dataset.session);
  const limit = Number(form.dataset.limit);
  const play = sounds(document.getElementById("sound"), document.getElementById("volume"));
  const server = wire(form);
  const me = { window: crypto.getRandomValues(new Uint32Array(2)).join("").slice(0, 12), operator: form.dataset.operator };
  const desk = {
    next: Number(form.elements.sequence.value),
    pending: form.elements.pending.value,
    alarm: document.getElementById("face").hasAttribute("data-alarm"),
    away: false,
    busy: false,
    sorting: Promise.resolve(),
    waiting: [],
    heard: { raw: "", at: 0 },
    replayed: 0,
  };
  let kept = nobody;

  const refuse = (text) => {
    face.line(text);
    play("fall");
  };
  const scan = (raw, typed, more = {}) => ({ raw, typed, sequence: desk.next++, pending: desk.pending, ...me, ...more });
  const add = async (one) => {
    desk.waiting.push(one);
    await kept.put(one);
  };
  const update = (one) => kept.put(one);
  const showWaiting = (one, sentence = words.waitingPlace) => {
    face.drawWaiting(one, desk.waiting.length, sentence);
    face.waitingCount(desk.waiting.length);
  };

  /* While the network is away: a kit waits with its day and its cards, none of it seen by the server. */
  const hearAway = async (raw, typed) => {
    const last = desk.waiting.at(-1);
    const open = last && !last.day && !last.cards?.length && !dayIn(last.raw) && !isCard(last.raw) ? last : null;
    const day = dayIn(raw);
    const mark = markCards.has(raw.trim().toUpperCase());
    if (day || mark) {
      if (open) {
        if (day) open.day = day;
        else open.cards = [...(open.cards ?? []), raw.trim().toUpperCase()];
        open.offline = true;
        await update(open);
        showWaiting(open);
      } else if (!desk.waiting.length && desk.pending) {
        const one = scan(raw, typed, { offline: true });
        await add(one);
        showWaiting(one);
      } else refuse(desk.waiting.length >= limit ? words.tooMany : words.noKit);
    } else if (isCard(raw)) {
      if (!/RB-?UNDO/i.test(raw)) refuse(words.notNow);
      else if (last && !last.tried) {
        desk.waiting.pop();
        desk.next = last.sequence;
        await kept.remove(last);
        face.line(words.takenOut);
        face.waitingCount(desk.waiting.length);
      } else refuse(words.cannotUndo);
    } else if (open || (!desk.waiting.length && desk.pending)) refuse(words.owesDay);
    else if (desk.waiting.length >= limit) refuse(words.tooMany);
    else {
      for (const one of desk.waiting) if (!one.offline) await update(Object.assign(one, { offline: true }));
      const one = scan(raw, typed, { offline: true, pending: "" });
      await add(one);
      showWaiting(one);
    }
  };

  const hear = async (raw, typed) => {
    if (!raw.trim()) {
      if (desk.alarm) refuse(words.alarm);
      return;
    }
    const now = performance.now();
    const twice = raw === desk.heard.raw && now - desk.heard.at < DOUBLE && !dayIn(raw);
    desk.heard = { raw, at: now };
    if (twice) {
      face.line(words.twice);
      play("click");
      return;
    }
    await desk.sorting.catch(() => {}); // what came before the network went is put in order first, so that no day meets another kit
    if (desk.away) {
      await hearAway(raw, typed);
      return;
    }
    await add(scan(raw, typed, { pending: desk.waiting.length ? null : desk.pending }));
    pump();
  };

  const drop = async () => {
    const rest = desk.waiting.splice(0);
    await kept.replace(rest, []);
    desk.heard.raw = ""; // the same code is to be scanned again, however soon
    if (rest.length) face.line(words.notSent);
  };
  /* Another window scans into the same session: these get the next free numbers; none of them was stored. */
  const renumber = async (answer) => {
    const old = desk.waiting.map((one) => ({ ...one }));
    let number = answer.next;
    for (const one of desk.waiting) one.sequence = number++;
    desk.next = number;
    await kept.replace(old, desk.waiting);
  };

  const taken = async (one, answer) => {
    if (answer.code === "sequence_taken") {
      await renumber(answer);
      return;
    }
    if (answer.code === "session_closed") {
      desk.closed = true;
      refuse(`${words.closed} ${desk.waiting.map((each) => each.raw).join(", ")}`);
      return;
    }
    /* All at once, before anything is waited for: a day heard meanwhile belongs to the kit of this answer. */
    desk.waiting.shift();
    desk.pending = answer.waiting ? answer.serial : "";
    desk.alarm = answer.alarm;
    if (answer.day) lastDayIs(answer.day);
    if (answer.next !== null && !desk.waiting.length) desk.next = answer.next;
    await kept.remove(one);
    await shown(one, answer);
    form.elements.sequence.value = desk.next;
    form.elements.pending.value = desk.pending;
  };

  const shown = async (one, answer) => {
    if (one.offline) {
      /* Its first try was stored before the network went: what was keyed since follows it. */
      if (answer.waiting && (one.day || one.cards?.length)) {
        const rest = [...(one.cards ?? []), ...(one.day ? [one.day] : [])];
        const more = rest.map((raw) => scan(raw, false, { offline: true, pending: answer.serial }));
        desk.waiting.unshift(...more);
        await renumberFrom(answer.next);
      }
      desk.replayed += 1;
      face.counted(answer);
      face.waitingCount(desk.waiting.length);
      if (desk.waiting.length) return;
      desk.away = false;
      face.draw({
        ...answer, word: words.storedWord, tone: "note", icon: "note", sentence: words.stored, listed: false,
        name: "", born: "", position: "", serial: "", remark: "", day: "",
      });
      play("low");
      return;
    }
    desk.away = false;
    face.waitingCount(0);
    face.draw({ ...answer, raw: one.raw });
    play(answer.sound);
    if (answer.halts && desk.waiting.length) {
      await drop();
      if (answer.next !== null) desk.next = answer.next;
    }
  };
  const renumberFrom = async (number) => {
    const old = desk.waiting.map((each) => ({ ...each }));
    let given = number ?? desk.next;
    for (const each of desk.waiting) each.sequence = given++;
    desk.next = given;
    await kept.replace(old, desk.waiting);
  };

  /* The network has just gone. What was heard after this one was not seen by anybody: it waits like the rest, days with
     their kits. Whatever is scanned meanwhile waits for its turn. */
  const sorted = async (one) => {
    const later = desk.waiting.splice(1);
    await kept.replace(later, []);
    desk.next = one.sequence + 1;
    await update(one);
    showWaiting(one, words.trying);
    for (const each of later) await hearAway(each.raw, each.typed);
  };

  const trouble = async (one, error) => {
    one.tried = true;
    if (error instanceof SignedOut) {
      desk.away = true;
      refuse(words.signIn);
    } else if (error instanceof NoNetwork) {
      if (!desk.away) {
        desk.away = true;
        desk.sorting = sorted(one);
        await desk.sorting;
      }
    } else {
      one.refused = (one.refused ?? 0) + (error instanceof Refused && Number(error.message) < 500 ? MAX_REFUSED : 1);
      if (one.refused >= MAX_REFUSED) {
        refuse(words.refused);
        desk.stuck = true;
        return;
      }
    }
    await update(one);
    face.waitingCount(desk.waiting.length);
    await Promise.race([pause(RETRY), new Promise((back) => window.addEventListener("online", back, { once: true }))]);
  };

  const pump = async () => {
    if (desk.busy) return;
    desk.busy = true;
    while (desk.waiting.length && !desk.closed && !desk.stuck) {
      const one = desk.waiting[0];
      one.pending ??= desk.pending;
      let answer = null;
      try {
        answer = await server.scan(one);
      } catch (error) {
        await trouble(one, error);
        continue;
      }
      await taken(one, answer);
    }
    desk.busy = false;
    desk.stuck = false;
  };

  /* Scans are heard one after another, in the order of their keys, whatever each of them waits for. */
  let turn = Promise.resolve();
  capture(form, (raw, typed) => {
    turn = turn.then(() => hear(raw, typed)).catch(() => refuse(words.refused));
  });
  window.addEventListener("beforeunload", (event) => {
    if (desk.waiting.length) event.preventDefault();
  });

  try {
    kept = await queueOf(session);
    const left = await kept.all();
    for (const one of left) if (!isCard(one.raw) || dayIn(one.raw)) one.offline = true;
    if (left.length) {
      desk.away = true;
      desk.waiting.push(...left);
      desk.next = Math.max(desk.next, left.at(-1).sequence + 1);
      showWaiting(left.at(-1));
      pump();
    }
    const others = await kept.others();
    if (others.length) face.line(`${words.others} ${others.map((one) => `${form.dataset.base}${one}/`).join(" ")}`);
  } catch {
    face.line(words.kept);
  }
};
