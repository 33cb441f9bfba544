// Walks the layers of a drawing with the arrow keys and says what the one pointed at is.
// Without it every layer is a link of its own, and the table holds the same.
"use strict";
(() => {
  const STEPS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1, PageDown: 10, PageUp: -10 };

  function prepare(drawing) {
    if (drawing.dataset.ready) return;
    drawing.dataset.ready = "yes";
    const layers = [...drawing.querySelectorAll(".layer")];
    const says = drawing.querySelector(".says");
    if (!layers.length) return;
    let current = 0;
    // One stop for the tab key, as in a list: the arrows do the rest.
    layers.forEach((layer, at) => layer.setAttribute("tabindex", at === 0 ? "0" : "-1"));

    const say = (layer) => {
      if (says) says.textContent = layer ? layer.querySelector("title").textContent : "";
    };
    const go = (at) => {
      layers[current].setAttribute("tabindex", "-1");
      current = Math.max(0, Math.min(layers.length - 1, at));
      layers[current].setAttribute("tabindex", "0");
      layers[current].focus({ preventScroll: true });
      layers[current].scrollIntoView({ block: "nearest", inline: "nearest" });
    };

    drawing.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey || !event.target.closest(".layer")) return;
      if (event.key in STEPS) go(current + STEPS[event.key]);
      else if (event.key === "Home") go(0);
      else if (event.key === "End") go(layers.length - 1);
      else return;
      event.preventDefault();
    });
    drawing.addEventListener("focusin", (event) => {
      const layer = event.target.closest(".layer");
      if (!layer) return;
      layers[current].setAttribute("tabindex", "-1");
      current = layers.indexOf(layer);
      layer.setAttribute("tabindex", "0");
      say(layer);
    });
    drawing.addEventListener("focusout", () => say(null));
    drawing.addEventListener("pointerover", (event) => {
      const layer = event.target.closest(".layer");
      if (layer) say(layer);
    });
    drawing.addEventListener("pointerleave", () => {
      say(drawing.contains(document.activeElement) ? layers[current] : null);
    });
  }

  const prepareAll = () => document.querySelectorAll("svg.pile").forEach(prepare);
  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", prepareAll);
  else prepareAll();
  // A part of the page that htmx has put in may hold a drawing.
  for (const name of ["htmx:after:swap", "htmx:after:process"]) document.addEventListener(name, prepareAll);
})();
