/* What every page shares: focus and announcements after a fragment arrives, keys, rows, theme, scans. */
(() => {
  "use strict";

  const SCAN_GAP = 60; // ms a character; a scanner types faster than a hand. Times are those of the keys, not of a busy page.
  const SCAN_PAUSE = 300; // ms; so long may one character of a scan be late
  const SCAN_MIN = 6; // shorter bursts are not a serial

  const remember = (name, value) => {
    try {
      localStorage.setItem(name, value);
    } catch {
      /* Storage refused: the choice lasts for this page only. */
    }
  };
  const recall = (name) => {
    try {
      return localStorage.getItem(name);
    } catch {
      return null;
    }
  };

  /* Announcements: one polite region that is always on the page. */
  const status = document.getElementById("status");
  const announce = (words) => {
    if (!status || !words) return;
    status.textContent = "";
    window.setTimeout(() => {
      status.textContent = words;
    }, 50);
  };
  window.roundbook = Object.freeze({ announce });

  const troubleArea = document.getElementById("trouble");
  const trouble = (words) => {
    if (!troubleArea) return;
    troubleArea.querySelector("[data-words]").textContent = words || "";
    troubleArea.hidden = !words;
  };

  /* Fragments. */
  document.addEventListener("htmx:beforeRequest", (event) => {
    event.detail.target?.setAttribute("aria-busy", "true");
  });
  document.addEventListener("htmx:afterRequest", (event) => {
    event.detail.target?.removeAttribute("aria-busy");
    if (event.detail.successful) trouble("");
  });
  const focusOn = (target) => {
    if (!target) return;
    if (!target.matches("a, button, input, select, textarea, [tabindex]")) target.tabIndex = -1;
    target.focus();
  };
  document.addEventListener("htmx:afterSwap", (event) => {
    const place = event.detail.elt ?? event.detail.target;
    focusOn(place?.matches?.("[data-focus]") ? place : place?.querySelector?.("[data-focus]"));
    const spoken = place?.matches?.("[data-announce]") ? place : place?.querySelector?.("[data-announce]");
    announce(spoken?.dataset.announce);
  });
  /* A page that is scanned into (its field says autofocus) starts in that field after every answer. What was refused stands
     in it still; the next scan takes its place. The answer has no focus there, so it is spoken: put in anew, in a live region. */
  const asked = document.querySelector("[autofocus]");
  const speak = () => {
    const answers = "#messages .messages, form .notice[data-focus], .notice.said, [data-said]";
    for (const one of document.querySelectorAll(answers)) {
      if (!one.closest("[aria-live], [role=status]")) one.setAttribute("role", "alert");
      one.replaceChildren(...one.childNodes);
    }
  };
  /* Another page that answers a form starts at its answer; what changed meanwhile comes before all. */
  if (asked && [document.body, asked].includes(document.activeElement)) {
    asked.focus();
    asked.select?.();
    window.setTimeout(speak, 50);
  } else if (document.activeElement === document.body) {
    const first = document.querySelector("[data-focus-first]") ?? document.querySelector("form .notice[data-focus]");
    focusOn(first ?? document.querySelector("#messages .messages"));
  }
  document.addEventListener("htmx:sendError", () => trouble(troubleArea?.dataset.offline));
  document.addEventListener("htmx:timeout", () => trouble(troubleArea?.dataset.offline));
  document.addEventListener("htmx:responseError", () => trouble(troubleArea?.dataset.refused));

  /* Theme. */
  const themeButton = document.querySelector("[data-theme-toggle]");
  if (themeButton) {
    const dark = window.matchMedia("(prefers-color-scheme: dark)");
    const root = document.documentElement;
    const now = () => root.dataset.theme || (dark.matches ? "dark" : "light");
    const show = () => {
      const label = now() === "dark" ? themeButton.dataset.toLight : themeButton.dataset.toDark;
      themeButton.querySelector("[data-words]").textContent = label;
    };
    themeButton.hidden = false;
    themeButton.addEventListener("click", () => {
      root.dataset.theme = now() === "dark" ? "light" : "dark";
      remember("roundbook-theme", root.dataset.theme);
      show();
      document.dispatchEvent(new CustomEvent("roundbook:theme"));
    });
    dark.addEventListener("change", () => {
      show();
      document.dispatchEvent(new CustomEvent("roundbook:theme"));
    });
    show();
  }

  /* Keys: an element with data-key is reached by that key; data-key-label says what it does. */
  const help = document.getElementById("keys");
  const keysOn = document.querySelector("[data-keys-on]");
  if (keysOn) {
    keysOn.checked = recall("roundbook-keys") !== "off";
    keysOn.addEventListener("change", () => remember("roundbook-keys", keysOn.checked ? "on" : "off"));
  }
  const openHelp = () => {
    const body = help?.querySelector("[data-keys-list]");
    if (!body || help.open) return;
    const line = (key, label) => {
      const row = document.createElement("tr");
      const cell = row.appendChild(document.createElement("td"));
      cell.appendChild(document.createElement("kbd")).textContent = key;
      row.appendChild(document.createElement("td")).textContent = label;
      return row;
    };
    const rows = [...help.querySelectorAll("[data-always]")].filter(
      (item) => !item.dataset.needs || document.querySelector(item.dataset.needs),
    );
    const own = [...document.querySelectorAll("[data-key][data-key-label]")];
    const inRows = [...document.querySelectorAll("[data-row-key][data-row-key-label]")];
    const once = new Map(inRows.map((item) => [item.dataset.rowKey, item.dataset.rowKeyLabel]));
    body.replaceChildren(
      ...own.map((item) => line(item.dataset.key, item.dataset.keyLabel)),
      ...[...once].map(([key, label]) => line(key, label)),
      ...rows.map((item) => line(item.dataset.always, item.textContent)),
    );
    help.showModal();
  };
  document.querySelector("[data-open-keys]")?.addEventListener("click", openHelp);

  /* Rows: j and k move through the first link or button of each row; Enter then follows it. */
  const moveRow = (step) => {
    const rows = [...document.querySelectorAll("table[data-rows] tbody tr")];
    const handles = rows.map((row) => row.querySelector("[data-row-link]") ?? row.querySelector("a, button"));
    const usable = handles.filter(Boolean);
    if (!usable.length) return;
    const at = usable.findIndex((handle) => handle.closest("tr").contains(document.activeElement));
    const next = at < 0 ? (step > 0 ? 0 : usable.length - 1) : Math.min(Math.max(at + step, 0), usable.length - 1);
    usable[next].focus();
    usable[next].scrollIntoView({ block: "nearest" });
  };

  const press = (key) => {
    if (key === "?") return openHelp();
    if (key === "j") return moveRow(1);
    if (key === "k") return moveRow(-1);
    /* A key of the row that has the focus: [data-row-key] inside it. */
    const row = document.activeElement?.closest?.("table[data-rows] tbody tr");
    const inRow = [...(row?.querySelectorAll("[data-row-key]") ?? [])].find((item) => item.dataset.rowKey === key);
    if (inRow) return inRow.click();
    const target = [...document.querySelectorAll("[data-key]")].find((item) => item.dataset.key === key);
    if (!target) return undefined;
    if (target.matches("input:not([type=checkbox], [type=radio]), select, textarea")) return target.focus();
    return target.click();
  };

  /* A burst of characters outside any field that ends in Enter is a scan: it goes to the search box. */
  let burst = "";
  let run = 0; // how many keys came at a scanner's pace up to now
  let first = 0;
  let last = -SCAN_PAUSE;
  let timer = 0;
  const settle = () => {
    if (run === 1 && (!keysOn || keysOn.checked)) press(burst.slice(-1));
  };
  const scanned = (now) => {
    const box = document.querySelector("[data-search]");
    const pace = (last - first) / Math.max(burst.length - 1, 1);
    if (!box || burst.length < SCAN_MIN || pace > SCAN_GAP || now - last > SCAN_PAUSE) return false;
    box.value = burst;
    burst = "";
    window.clearTimeout(timer);
    box.form.requestSubmit();
    return true;
  };
  const heard = (key, now) => {
    if (!burst || now - last > SCAN_PAUSE) {
      burst = "";
      first = now;
    }
    run = now - last > SCAN_GAP ? 1 : run + 1;
    last = now;
    burst += key;
    window.clearTimeout(timer);
    timer = window.setTimeout(settle, SCAN_GAP);
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    if (document.body.hasAttribute("data-no-keys") || help?.open) return;
    if (event.target.closest?.("input, select, textarea, [contenteditable]")) return;
    if (event.key === "Enter" && scanned(event.timeStamp)) {
      event.preventDefault();
      return;
    }
    if (event.key.length !== 1 || event.key === " ") return;
    if (event.key === "/") event.preventDefault();
    heard(event.key, event.timeStamp);
  });
})();
