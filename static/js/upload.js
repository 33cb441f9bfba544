// Shows the chosen photos before they are sent, with their size; says at once if one is too large.
"use strict";

(() => {
  const MEGABYTE = 1024 * 1024;

  const listFor = (input) => {
    let list = input.parentElement.querySelector(".photos");
    if (!list) {
      list = document.createElement("ul");
      list.className = "photos";
      list.setAttribute("aria-live", "polite");
      input.after(list);
    }
    return list;
  };

  const item = (file, most) => {
    const entry = document.createElement("li");
    const size = (file.size / MEGABYTE).toFixed(1);
    if (file.type.startsWith("image/")) {
      const picture = document.createElement("img");
      picture.alt = `Chosen photo ${file.name}`;
      const reader = new FileReader();
      reader.addEventListener("load", () => { picture.src = reader.result; });
      reader.readAsDataURL(file);
      entry.append(picture);
    }
    const words = document.createElement("span");
    words.className = "aside";
    words.textContent = `${file.name}, ${size}\u2009MB`;
    if (most && file.size > most * MEGABYTE) {
      words.className = "aside act";
      words.textContent += `: larger than ${most}\u2009MB, it will be refused`;
    }
    entry.append(words);
    return entry;
  };

  document.addEventListener("change", (event) => {
    const input = event.target;
    if (!(input instanceof HTMLInputElement) || input.type !== "file" || !input.matches("[data-preview]")) return;
    const most = Number(input.dataset.mostMb || 0);
    listFor(input).replaceChildren(...Array.from(input.files, (file) => item(file, most)));
  });
})();
