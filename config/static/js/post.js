/* Papers print; the bench starts where there is one. */

import { start } from "./bench/desk.js";

const printButton = document.querySelector("[data-print]");
if (printButton) {
  printButton.hidden = false;
  printButton.addEventListener("click", () => window.print());
}

const form = document.getElementById("scan");
if (form) start(form);
