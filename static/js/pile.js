// Walks the layers of a drawing with the arrow keys and says what the one pointed at is.
// Without it every layer is a link of its own, and the table holds the same.
// All listeners sit on the document: a listener for focus on an SVG would make it a tab stop.
"use strict";
(() => {
  const STEPS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1, PageDown: 10, PageUp: -10 };
  const layersOf = (drawing) => [...drawing.querySelectorAll(".layer")];

  function layerOf(target) {
    const layer = target instanceof Element ? target.closest("svg.pile .layer") : null;
    return layer ? { layer, drawing: layer.closest("svg.pile") } : null;
  }

  function say(drawing, layer) {
    const says = drawing.querySelector(".says");
    if (says) says.textContent = layer ? layer.querySelector("title").textContent : "";
    // The frame lies above all layers: an outline of the layer itself is covered by the next one.
    const frame = drawing.querySelector(".found");
    if (!frame) return;
    const box = layer ? layer.getBBox() : null;
    const around = box
      ? { x: box.x - 2, y: box.y - 12, width: box.width + 4, height: box.height + 24 }
      : { x: 0, y: 0, width: 0, height: 0 };
    for (const [name, value] of Object.entries(around)) frame.setAttribute(name, value);
  }

  // One stop for the tab key, as in a list: the arrows do the rest.
  function stopAt(drawing, layer) {
    for (const other of drawing.querySelectorAll('.layer:not([tabindex="-1"])')) other.setAttribute("tabindex", "-1");
    layer.setAttribute("tabindex", "0");
  }

  function prepareAll() {
    for (const drawing of document.querySelectorAll("svg.pile:not([data-ready])")) {
      drawing.setAttribute("data-ready", "");
      const first = drawing.querySelector(".layer");
      if (first) stopAt(drawing, first);
    }
  }

  document.addEventListener("keydown", (event) => {
    const found = layerOf(event.target);
    if (!found || event.ctrlKey || event.altKey || event.metaKey) return;
    const layers = layersOf(found.drawing);
    const last = layers.length - 1;
    let at = layers.indexOf(found.layer);
    if (event.key in STEPS) at = Math.max(0, Math.min(last, at + STEPS[event.key]));
    else if (event.key === "Home") at = 0;
    else if (event.key === "End") at = last;
    else return;
    event.preventDefault();
    layers[at].focus({ preventScroll: true });
    layers[at].scrollIntoView({ block: "nearest", inline: "nearest" });
  });
  document.addEventListener("focusin", (event) => {
    const found = layerOf(event.target);
    if (!found) return;
    stopAt(found.drawing, found.layer);
    say(found.drawing, found.layer);
  });
  document.addEventListener("focusout", (event) => {
    const found = layerOf(event.target);
    if (found) say(found.drawing, null);
  });
  document.addEventListener("pointerover", (event) => {
    const found = layerOf(event.target);
    if (found) say(found.drawing, found.layer);
  });
  document.addEventListener("pointerout", (event) => {
    const found = layerOf(event.target);
    if (!found || layerOf(event.relatedTarget)) return;
    const focused = layerOf(document.activeElement);
    say(found.drawing, focused && focused.drawing === found.drawing ? focused.layer : null);
  });

  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", prepareAll);
  else prepareAll();
  // A part of the page that has been put in later may hold a drawing.
  document.addEventListener("htmx:after:swap", prepareAll);
})();
