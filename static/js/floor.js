// The floor reads itself again, but nothing moves while somebody is about to press something: after
// a touch, a key or a move of the pointer it waits, and longer while something in it has the focus.
"use strict";

// A screen on the wall that is higher or lower than wide ones asks for as many stacks as it has room
// for. The letters grow with its width; head and foot take 4.3 of their size, a unit of room 0.8. A
// wide screen has room 28 without asking.
(() => {
  if (!document.body.classList.contains("wall")) return;
  const WIDE = 28;
  const fit = () => {
    const letters = innerHeight / parseFloat(getComputedStyle(document.body).fontSize);
    const room = Math.min(120, Math.max(8, Math.floor((letters - 4.3) / 0.8)));
    const address = new URL(location.href);
    if (room === Number(address.searchParams.get("room") ?? WIDE)) return;
    address.searchParams.set("room", room);
    location.replace(address);
  };
  fit();
  let waiting = 0;
  addEventListener("resize", () => { clearTimeout(waiting); waiting = setTimeout(fit, 500); });
})();

(() => {
  const AFTER_A_MOVE_MS = 10_000;
  const WHILE_FOCUSED_MS = 120_000;
  let touched = -Infinity;

  const note = () => { touched = performance.now(); };
  for (const what of ["pointerdown", "pointermove", "keydown", "wheel", "touchmove", "focusin"]) {
    document.addEventListener(what, note, { passive: true, capture: true });
  }

  const isBusy = () => {
    const idle = performance.now() - touched;
    const focused = document.getElementById("floor")?.contains(document.activeElement);
    return document.hidden || idle < (focused ? WHILE_FOCUSED_MS : AFTER_A_MOVE_MS);
  };
  // asked for before it is fetched, and once more before what came is put in its place
  for (const step of ["htmx:before:request", "htmx:before:response"]) {
    document.addEventListener(step, (event) => {
      if (event.detail?.ctx?.sourceElement?.id === "floor" && isBusy()) event.preventDefault();
    });
  }
})();
