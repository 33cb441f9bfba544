// A shared tablet: the keys of the PIN pad, a badge scanned anywhere, and the lock. The lock covers
// the page when nobody touched it for a while; what was typed stays beneath, and its writer's PIN or
// password uncovers it. The server locks the session too, so nothing is sent meanwhile.
"use strict";

(() => {
  const BADGE = /^\s*WHO(-[A-Z0-9]{4}){3}\s*$/i;
  const LOOK_EVERY_S = 2;
  const SAY_EVERY_S = 45;

  for (const pad of document.querySelectorAll("[data-pad]")) {
    const field = document.getElementById(pad.dataset.pad);
    pad.hidden = false;
    pad.addEventListener("click", (event) => {
      const key = event.target.closest("[data-key]");
      if (!key) return;
      if (key.dataset.key === "back") field.value = field.value.slice(0, -1);
      else if (field.value.length < field.maxLength) field.value += key.dataset.key;
      field.dispatchEvent(new Event("input", { bubbles: true }));
    });
  }

  const changePerson = (badge) => {
    const here = location.pathname + location.search;
    location.assign(`/change-person?badge=${encodeURIComponent(badge)}&next=${encodeURIComponent(here)}`);
  };

  // A badge in whatever field waits for a scan says who is here; it is no part.
  window.addEventListener("submit", (event) => {
    const field = [...event.target.elements].find((each) => each.matches?.("[data-scan]") && BADGE.test(each.value));
    if (!field || field.name === "badge") return;
    const code = field.value.trim();
    event.preventDefault();
    event.stopImmediatePropagation();
    field.value = "";
    field.dispatchEvent(new Event("input", { bubbles: true }));
    changePerson(code);
  }, true);

  // So does one scanned where no field waits, or while a question does.
  document.addEventListener("layerbook:scan", (event) => {
    if (!BADGE.test(event.detail)) return;
    event.preventDefault();
    changePerson(event.detail.trim());
  });

  // Back to the same place: the address may have changed since the page came.
  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("[data-change-person]");
    if (link) link.href = `/change-person?next=${encodeURIComponent(location.pathname + location.search)}`;
  }, true);

  const lock = document.getElementById("lock");
  if (!lock) return;
  const after = Number(lock.dataset.afterS) * 1000;
  const form = lock.querySelector("form");
  const wrong = document.getElementById("lock-wrong");
  let touchedAt = Date.now();
  let saidAt = Date.now();
  let locked = false;

  // Sent as htmx sends: then the answer says where it leads, which a redirect keeps from scripts.
  const send = (address) => fetch(address, { method: "POST", body: new URLSearchParams(new FormData(form)), headers: { "HX-Request": "true" } });

  const cover = () => {
    locked = true;
    lock.showModal();
    send("/lock").catch(() => {}); // offline: the server locks by itself, nothing can be sent
  };

  const touched = () => {
    if (locked) return;
    touchedAt = Date.now();
    if (touchedAt - saidAt < SAY_EVERY_S * 1000) return;
    saidAt = touchedAt;
    fetch("/here").catch(() => {});
  };
  for (const kind of ["keydown", "pointerdown", "input"]) document.addEventListener(kind, touched, { capture: true, passive: true });

  lock.addEventListener("cancel", (event) => event.preventDefault());
  lock.addEventListener("close", () => {
    if (locked) lock.showModal();
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    event.stopImmediatePropagation();
    const field = form.elements.namedItem("word");
    try {
      const answer = await send("/unlock");
      const leadsTo = answer.headers.get("HX-Redirect");
      if (leadsTo && !answer.ok) {
        location.assign(leadsTo); // the session has ended meanwhile: sign in first
      } else if (leadsTo) {
        locked = false;
        touchedAt = saidAt = Date.now();
        wrong.hidden = true;
        lock.close();
      } else {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        wrong.textContent = page.getElementById("wrong-word")?.textContent ?? "Not unlocked. Load the page again.";
        wrong.hidden = false;
      }
    } catch {
      wrong.textContent = "No connection. What is typed beneath is kept.";
      wrong.hidden = false;
    }
    field.value = "";
    if (locked) field.focus();
  });
  setInterval(() => {
    if (!locked && Date.now() - touchedAt > after) cover();
  }, LOOK_EVERY_S * 1000);
})();
