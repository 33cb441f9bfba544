// A barcode scanner types like a keyboard, only faster, and ends with Enter. What it types goes to
// the field that waits for it, even when the cursor stands nowhere. Slow typing is left alone.
"use strict";

(() => {
  const FASTEST_HAND_MS = 35; // two keys closer together than this come from a scanner
  const GROUP_SEPARATOR = "\u001d"; // between the fields of a GS1 element string; wedges send Ctrl+]
  let held = "";
  let heldAt = 0;

  const waiting = () =>
    document.querySelector("[data-cursor]:not([disabled])") || document.querySelector("[data-scan]");

  const writable = (element) =>
    element instanceof HTMLElement &&
    (element.isContentEditable || element.matches("textarea, select, input:not([type=checkbox], [type=radio], [type=button])"));

  const put = (field, text) => {
    const from = field.selectionStart ?? field.value.length;
    const to = field.selectionEnd ?? field.value.length;
    field.setRangeText(text, from, to, "end");
    field.dispatchEvent(new Event("input", { bubbles: true }));
  };

  document.addEventListener("keydown", (event) => {
    if (event.isComposing || event.altKey || event.metaKey) return;
    const inScanField = event.target instanceof HTMLElement && event.target.matches("[data-scan]");
    if (event.ctrlKey) {
      if (event.key === "]" && inScanField) {
        event.preventDefault();
        put(event.target, GROUP_SEPARATOR);
      }
      return;
    }
    if (writable(event.target) || event.key.length !== 1) return;
    const fast = held !== "" && event.timeStamp - heldAt < FASTEST_HAND_MS;
    heldAt = event.timeStamp;
    if (!fast) {
      held = event.key;
      return;
    }
    const field = waiting();
    if (!field) return;
    event.preventDefault();
    field.focus();
    field.value = "";
    put(field, held + event.key);
    held = "";
  });

  // A code that was refused stays readable, and the next scan takes its place.
  const markRefused = () => {
    const field = document.activeElement;
    if (field && field.matches("[data-cursor][data-scan]") && field.value) field.select();
  };

  // After a part of the page was renewed the cursor returns to the field that waits.
  document.addEventListener("htmx:after:swap", () => {
    const field = document.querySelector("[data-cursor]:not([disabled])");
    const here = document.activeElement;
    if (field && (!here || here === document.body || !here.isConnected)) field.focus();
    markRefused();
  });
  document.addEventListener("DOMContentLoaded", () => requestAnimationFrame(markRefused));
})();
