// Nothing typed is lost when the connection is. A form marked data-keep (and carrying an entry_key)
// is kept in this tab while it is filled in; it is forgotten once the server has confirmed that very
// key (cookie layerbook_saved, or a good answer to htmx). A send that failed is tried again with
// the same one-time key, so that an entry which did arrive is not made twice. What is kept belongs to
// whoever wrote it: on a shared tablet it is put back for that person only, and sent in no other name.
"use strict";

(() => {
  const PREFIX = "layerbook:";
  const MINE = `${PREFIX}${document.body?.dataset.writer ?? ""}:`;
  const NEVER_KEPT = new Set(["entry_key", "form_token", "version"]);
  const PAUSES_S = [2, 4, 8, 15, 30];
  let failed = null; // { form, tries }
  let timer = 0;
  const pressed = new WeakMap(); // form → the button it was sent with: its value is part of the entry

  const sign = () => document.getElementById("offline");
  const say = (text) => {
    const place = sign();
    if (!place) return;
    place.textContent = text;
    place.hidden = text === "";
  };

  const keyOf = (form) => form.elements.namedItem("entry_key")?.value ?? "";
  const placeOf = (form) => `${MINE}${location.pathname}#${form.id} ${form.getAttribute("action") ?? ""}`;
  const kept = (form) => form instanceof HTMLFormElement && form.matches("[data-keep]") && keyOf(form) !== "";
  const secret = (field) => field.type === "password" || field.type === "file" || field.type === "hidden";

  const keep = (form) => {
    const values = [];
    for (const field of form.elements) {
      if (!field.name || NEVER_KEPT.has(field.name) || secret(field)) continue;
      const choice = field.type === "checkbox" || field.type === "radio";
      values.push([field.name, field.value, choice ? field.checked : null]);
    }
    sessionStorage.setItem(placeOf(form), JSON.stringify({ key: keyOf(form), values }));
  };

  const forget = (key) => {
    for (const place of Object.keys(sessionStorage).filter((name) => name.startsWith(PREFIX))) {
      if (JSON.parse(sessionStorage.getItem(place)).key === key) sessionStorage.removeItem(place);
    }
  };

  const forgetConfirmed = () => {
    const confirmed = document.cookie.split("; ").find((part) => part.startsWith("layerbook_saved="));
    if (confirmed) forget(confirmed.slice("layerbook_saved=".length));
  };

  const putBack = (form) => {
    const text = sessionStorage.getItem(placeOf(form));
    if (!text || form.querySelector("[aria-invalid=true]")) return; // the server kept what was typed
    const { key, values } = JSON.parse(text);
    let changed = false;
    const left = values.slice();
    for (const field of form.elements) {
      if (!field.name || NEVER_KEPT.has(field.name) || secret(field)) continue;
      const choice = field.type === "checkbox" || field.type === "radio";
      const at = left.findIndex(([name, value]) => name === field.name && (!choice || value === field.value));
      if (at < 0) continue;
      const [[, value, checked]] = left.splice(at, 1);
      if (choice ? field.checked !== checked : field.value !== value) {
        changed = true;
        if (choice) field.checked = checked;
        else field.value = value;
      }
    }
    if (!changed) return;
    form.elements.namedItem("entry_key").value = key; // what may have arrived must not be made twice
    const note = document.createElement("p");
    note.className = "note";
    note.setAttribute("role", "status");
    note.textContent = "What you typed here before was not confirmed and has been put back. Check it and send it again.";
    form.prepend(note);
  };

  // Somebody else typed here and did not send it: it waits for them, and its author is named.
  const sayWhoseIsKept = () => {
    const writers = new Set();
    for (const place of Object.keys(sessionStorage).filter((name) => name.startsWith(PREFIX) && !name.startsWith(MINE))) {
      const [, writer, where] = place.match(/^layerbook:([^:]*):([^#]*)#/) ?? [];
      if (writer && where === location.pathname) writers.add(writer);
    }
    if (writers.size === 0 || !document.body.dataset.writer) return;
    const note = document.createElement("p");
    note.className = "note";
    note.setAttribute("role", "status");
    note.textContent = `Not sent yet, and kept for its writer: what ${[...writers].join(" and ")} typed on this page.`;
    document.getElementById("message")?.append(note);
  };

  const retry = () => {
    clearTimeout(timer);
    if (!failed || !failed.form.isConnected) return;
    const button = pressed.get(failed.form);
    failed.form.requestSubmit(button && button.isConnected ? button : null);
  };

  const waitAndRetry = (form) => {
    const tries = failed && failed.form === form ? failed.tries + 1 : 0;
    failed = { form, tries };
    const pause = PAUSES_S[Math.min(tries, PAUSES_S.length - 1)];
    say(`Not saved yet: no connection to the server. What you typed is kept here; trying again in ${pause}\u2009s.`);
    clearTimeout(timer);
    timer = setTimeout(retry, pause * 1000);
  };

  const formOf = (event) => {
    const element = event.detail?.ctx?.sourceElement ?? event.target;
    return element instanceof Element ? element.closest("form") : null;
  };

  document.addEventListener("input", (event) => {
    const form = event.target.form;
    if (kept(form)) keep(form);
  });
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!kept(form)) return;
    keep(form);
    pressed.set(form, event.submitter);
    if (!navigator.onLine) {
      event.preventDefault();
      event.stopImmediatePropagation();
      waitAndRetry(form);
    }
  }, true);
  document.addEventListener("htmx:error", (event) => {
    const form = formOf(event);
    if (kept(form)) waitAndRetry(form);
    else say("No connection to the server. Press again when it is back: nothing is made twice.");
  });
  document.addEventListener("htmx:after:request", (event) => {
    say("");
    const form = formOf(event);
    if (form && event.detail.ctx.response.status < 400) forget(keyOf(form));
    if (failed && failed.form === form) failed = null;
  });
  window.addEventListener("offline", () => say("No connection. What you type is kept here until it returns."));
  window.addEventListener("online", () => {
    if (failed) retry();
    else say("");
  });
  document.addEventListener("DOMContentLoaded", () => {
    forgetConfirmed();
    for (const form of document.querySelectorAll("form[data-keep]")) if (kept(form)) putBack(form);
    sayWhoseIsKept();
    if (!navigator.onLine) say("No connection. What you type is kept here until it returns.");
  });
})();
