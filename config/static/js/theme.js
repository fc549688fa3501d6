/* Applies the reader's own choice of light or dark before the page is painted. */
(() => {
  "use strict";
  try {
    const choice = localStorage.getItem("roundbook-theme");
    if (choice === "light" || choice === "dark") document.documentElement.dataset.theme = choice;
  } catch {
    /* Storage refused: the device's own setting applies. */
  }
})();
