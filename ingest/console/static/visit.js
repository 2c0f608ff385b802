// Keeps the live part of a visit up to date; without it the link that looks again does the same.
"use strict";
(() => {
  const page = document.querySelector("[data-live]");
  const made_ms = 1000 * Number(page.dataset.made);
  const OLD_S = 10; // an older value is no live value: its age leads
  const KEPT_MS = 60_000; // a page that was made so long ago came from the phone, not from the shop
  let since_ms = performance.now();
  let behind_s = Date.now() - made_ms > KEPT_MS ? (Date.now() - made_ms) / 1000 : 0;

  document.querySelector("[data-kept]").hidden = behind_s === 0;

  function words(seconds) {
    // As formats.py writes ages; the signs of the units are the same in every language.
    const minutes = Math.floor(seconds / 60);
    if (seconds < 120) return `${Math.round(seconds)}\u00a0s`;
    if (minutes < 120) return `${minutes}\u00a0min`;
    const hours = Math.floor(minutes / 60);
    if (hours < 48) return `${hours}\u00a0h` + (minutes % 60 ? ` ${minutes % 60}\u00a0min` : "");
    return `${Math.floor(hours / 24)}\u00a0d`;
  }

  function tick() {
    const age = page.querySelector("[data-age]");
    if (!age) return;
    const seconds = Number(age.dataset.age) + behind_s + (performance.now() - since_ms) / 1000;
    age.textContent = age.dataset.words.replace("{age}", words(seconds));
    page.querySelector(".live").classList.toggle("old", seconds > OLD_S);
  }

  const stream = new EventSource(page.dataset.live);
  stream.addEventListener("now", (event) => {
    since_ms = performance.now();
    behind_s = 0;
    document.querySelector("[data-kept]").hidden = true;
    for (const [part, html] of Object.entries(JSON.parse(event.data))) {
      const place = page.querySelector(`[data-part="${part}"]`);
      if (place && place.innerHTML !== html) place.innerHTML = html;
      if (part === "entered") document.dispatchEvent(new Event("seen"));
    }
    tick();
  });
  addEventListener("pagehide", () => stream.close());
  setInterval(tick, 1000);
  tick();

  // What is compared by hand decides which units fit, and whether there is a value at all.
  const subject = page.querySelector("[data-subject]");
  subject?.addEventListener("change", () => {
    const fit = (subject.selectedOptions[0].dataset.units ?? "").split(" ").filter(Boolean);
    const { value, unit } = subject.form.elements;
    for (const field of [value, unit]) {
      field.required = fit.length > 0;
      field.parentElement.hidden = subject.value !== "" && fit.length === 0;
    }
    for (const option of unit.options) option.hidden = option.value !== "" && !fit.includes(option.value);
    if (fit.length === 0) value.value = "";
    if (!fit.includes(unit.value)) unit.value = fit.length === 1 ? fit[0] : "";
  });

  const print_ = page.querySelector("[data-print]");
  print_.hidden = false;
  print_.addEventListener("click", () => window.print());
})();
