/* A button that prints; where the page was asked for to be printed, at once. */
for (const button of document.querySelectorAll("[data-print]")) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
  if (button.dataset.print === "now") window.addEventListener("load", () => window.print());
}
