/* The lesion rows of a report: another empty row when asked for, numbered on; Enter in a row does not send the form. */
(() => {
  "use strict";

  for (const field of document.querySelectorAll("[data-rows-of]")) {
    const body = field.querySelector("tbody");
    const blank = field.querySelector("template[data-blank-row]");
    const total = field.querySelector(`[name="${field.dataset.rowsOf}-TOTAL_FORMS"]`);
    const more = field.querySelector("[data-add-row]");
    if (!body || !blank || !total || !more) continue;
    more.hidden = false;
    more.addEventListener("click", () => {
      const nth = Number(total.value);
      if (nth >= Number(field.dataset.most)) return;
      const row = document.createElement("tbody");
      row.innerHTML = blank.innerHTML.replaceAll("__prefix__", String(nth)).replaceAll("__nth__", String(nth + 1));
      body.append(...row.children);
      total.value = String(nth + 1);
      body.lastElementChild?.querySelector("select, input")?.focus();
      window.roundbook?.announce(body.lastElementChild?.querySelector("th")?.textContent);
    });
    field.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || !event.target.matches("input:not([type=checkbox]), select")) return;
      event.preventDefault();
    });
  }
})();
