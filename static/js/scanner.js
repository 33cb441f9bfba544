// A barcode scanner types like a keyboard, only faster, and ends with Enter. What it types goes to
// the field that waits for it, even when the cursor stands nowhere. Slow typing is left alone.
"use strict";

(() => {
  const FASTEST_HAND_MS = 35; // two keys closer together than this come from a scanner
  const FAST_WORDS_MS = 50; // each key of a code scanned into words, on the average; no hand types so
  const PAUSE_MS = 150; // after it what is typed into words is a new word
  const ONE_SCAN_MS = 2000; // the same code within this is one scan
  const GROUP_SEPARATOR = "\u001d"; // between the fields of a GS1 element string; wedges send Ctrl+]
  let held = "";
  let heldAt = 0;
  let caught = null; // a scan at the bench while no field waits for one
  let burst = null; // what is typed into words at the bench: { field, before, text, from, at }
  let last = "";
  let lastAt = -ONE_SCAN_MS;

  // At the bench a scan never goes to the search of the frame: it would leave the work.
  const waiting = () => {
    const bench = document.getElementById("bench");
    if (!bench) return document.querySelector("[data-cursor]:not([disabled])") || document.querySelector("[data-scan]");
    if (bench.querySelector("[data-words=question]")) return null; // it waits until the question is answered
    return bench.querySelector("[data-cursor][data-scan]:not([disabled])") || bench.querySelector("[data-scan]:not([disabled])");
  };

  // An action code presses the button that bears it, wherever the cursor stands.
  const pressed = (code) => {
    const words = code.trim().replace(/\s+/g, " ").toUpperCase();
    if (!words.startsWith("DO:")) return false;
    const button = document.querySelector(`#bench [data-code="${CSS.escape(words)}"]`);
    if (button) button.click();
    return Boolean(button);
  };

  const isRepeated = (code, at) => {
    const again = code !== "" && code === last && at - lastAt < ONE_SCAN_MS;
    last = code;
    lastAt = at;
    return again;
  };

  const writable = (element) =>
    element instanceof HTMLElement &&
    (element.isContentEditable || element.matches("textarea, select, input:not([type=checkbox], [type=radio], [type=button])"));

  const put = (field, text) => {
    const from = field.selectionStart ?? field.value.length;
    const to = field.selectionEnd ?? field.value.length;
    field.setRangeText(text, from, to, "end");
    field.dispatchEvent(new Event("input", { bubbles: true }));
  };

  // A code nothing is done with stays in words: it waits for the answer, or nothing is scanned here.
  const sayWaits = (code) => {
    if (!document.dispatchEvent(new CustomEvent("layerbook:scan", { detail: code, cancelable: true }))) return;
    const question = document.querySelector("#bench [data-words=question]");
    const note = document.getElementById("waits") ?? document.createElement("p");
    note.id = "waits";
    note.className = "note";
    note.setAttribute("role", "status");
    note.textContent = question ? `${code} waits: answer the question first, then scan it again.` : `${code} was not entered: nothing is scanned here.`;
    const place = question?.closest(".field") ?? document.querySelector("#bench h2");
    place?.after(note);
    note.scrollIntoView({ block: "nearest" });
  };

  // A scanner that types into a reason: the words stay as they were, the code goes where it belongs.
  const typedWords = (event) => {
    const field = event.target;
    if (burst !== null && (burst.field !== field || event.timeStamp - burst.at > PAUSE_MS)) burst = null;
    if (event.key.length === 1 && !event.repeat && !event.ctrlKey) {
      burst ??= { field, before: field.value, text: "", from: event.timeStamp };
      burst.text += event.key;
      burst.at = event.timeStamp;
      return;
    }
    if (event.key !== "Enter" || burst === null) return;
    const { before, text: code, from } = burst;
    burst = null;
    if (code.length < 4 || (event.timeStamp - from) / code.length > FAST_WORDS_MS) return;
    event.preventDefault();
    field.value = before;
    field.dispatchEvent(new Event("input", { bubbles: true }));
    if (isRepeated(code, event.timeStamp) || pressed(code)) return;
    const scan = waiting();
    if (!scan) return sayWaits(code);
    scan.value = code;
    scan.form.requestSubmit();
  };

  // Enter ends a scan: an action presses its button, a repeated code and one nobody waits for do nothing.
  const entered = (event, field) => {
    const code = caught ?? field.value;
    const isCaught = caught !== null;
    caught = null;
    const isScan = isCaught || field.matches("[data-scan]");
    const isDone = (isScan && isRepeated(code, event.timeStamp)) || pressed(code);
    if (isCaught && !isDone) sayWaits(code);
    if (isCaught || isDone) event.preventDefault();
    if (isDone && field && !isCaught) field.value = "";
  };

  // What a finger pressed in between makes the next scan a new one.
  document.addEventListener("click", (event) => {
    if (event.detail > 0) last = "";
  });

  document.addEventListener("keydown", (event) => {
    if (event.isComposing || event.altKey || event.metaKey) return;
    if (event.target instanceof HTMLElement && event.target.matches("#bench [data-words]")) {
      typedWords(event);
      return;
    }
    const inScanField = event.target instanceof HTMLElement && event.target.matches("[data-scan]");
    if (event.key === "Enter" && document.getElementById("bench")) {
      const field = event.target instanceof HTMLInputElement && event.target.closest("#bench") ? event.target : null;
      if (caught !== null || field) entered(event, field);
      return;
    }
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
      caught = null;
      return;
    }
    const field = waiting();
    if (!field) {
      if (!document.getElementById("bench")) return;
      event.preventDefault();
      caught = (caught === null ? held : caught) + event.key;
      held = event.key;
      return;
    }
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

  // What the bench answers is in view, wherever the cursor went.
  const showAnswer = () => {
    const answer = document.querySelector("#bench .answer");
    if (!answer) return;
    const box = answer.getBoundingClientRect();
    const foot = document.querySelector("#bench .reach")?.getBoundingClientRect().top ?? innerHeight;
    if (box.top < 0 || box.bottom > Math.min(foot, innerHeight)) answer.scrollIntoView({ block: "start" });
  };

  // The test that is made stands in view in the line of all tests, which may be wider than the sheet.
  const showHere = () => {
    const here = document.querySelector("#bench .places.tests [aria-current]");
    const line = here?.closest("ul");
    if (line) line.scrollLeft = here.offsetLeft - (line.clientWidth - here.offsetWidth) / 2;
  };

  // After a part of the page was renewed the cursor returns to the field that waits.
  // What is counted beside it comes later, and leaves what is typed meanwhile alone.
  let benchSeen = null;
  document.addEventListener("htmx:after:swap", () => {
    const bench = document.getElementById("bench");
    if (bench && bench === benchSeen) return;
    benchSeen = bench;
    const field = document.querySelector("#bench [autofocus]") || document.querySelector("[data-cursor]:not([disabled])");
    const here = document.activeElement;
    if (field && (!here || here === document.body || !here.isConnected)) field.focus();
    markRefused();
    showHere();
    showAnswer();
  });
  document.addEventListener("DOMContentLoaded", () => {
    benchSeen = document.getElementById("bench");
    requestAnimationFrame(() => {
      markRefused();
      showHere();
      showAnswer();
    });
  });
})();
