// A short tone after each entry at the bench: one high for entered, two low for not entered. It only
// adds to the words, and can be switched off; the switch is remembered on this device.
"use strict";

(() => {
  const KEPT = "layerbook-sound";
  const LOUD = 0.15;
  const TONES = { right: [[880, 0]], wrong: [[220, 0], [196, 0.16]] }; // pitch in Hz, begin in s
  let audio = null;

  const isOn = () => localStorage.getItem(KEPT) !== "off";

  const play = (tones) => {
    if (!isOn() || !navigator.userActivation?.hasBeenActive || !window.AudioContext) return;
    audio = audio || new AudioContext();
    for (const [pitch, begin] of tones) {
      const tone = audio.createOscillator();
      const loudness = audio.createGain();
      const from = audio.currentTime + begin;
      tone.frequency.value = pitch;
      loudness.gain.setValueAtTime(LOUD, from);
      loudness.gain.exponentialRampToValueAtTime(0.001, from + 0.14);
      tone.connect(loudness).connect(audio.destination);
      tone.start(from);
      tone.stop(from + 0.15);
    }
  };

  const show = () => {
    const place = document.getElementById("sound");
    if (!place) return;
    place.hidden = false;
    const button = place.querySelector("button");
    button.setAttribute("aria-pressed", String(isOn()));
    button.textContent = isOn() ? "Sound is on" : "Sound is off";
  };

  document.addEventListener("click", (event) => {
    if (!(event.target instanceof Element) || !event.target.closest("#sound button")) return;
    localStorage.setItem(KEPT, isOn() ? "off" : "on");
    show();
    play(TONES.right);
  });
  let benchSeen = null; // one tone for each answer, not for what is counted after it
  document.addEventListener("htmx:after:swap", () => {
    const bench = document.getElementById("bench");
    if (bench === benchSeen) return;
    benchSeen = bench;
    const answer = document.querySelector("#bench .answer.right, #bench .answer.wrong");
    if (answer) play(answer.matches(".right") ? TONES.right : TONES.wrong);
  });
  document.addEventListener("DOMContentLoaded", () => {
    benchSeen = document.getElementById("bench");
    show();
  });
})();
