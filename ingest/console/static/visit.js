// Keeps the live part of a visit up to date; without it the link that looks again does the same.
"use strict";
(() => {
  const page = document.querySelector("[data-live]");
  const kept = document.querySelector("[data-kept]");
  const cut = document.querySelector("[data-cut]");
  const fault = document.querySelector("[data-fault]");
  const OLD_S = 10; // an older value is no live value: its age leads
  // From when on ages count, by this phone's clock: of a page that was on the phone, when it came (worker.js).
  // The clock goes on while the phone sleeps; that of `performance` need not.
  let since_ms = Number(page.dataset.keptSince ?? Date.now());

  kept.hidden = page.dataset.keptSince === undefined;

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
    const seconds = Number(age.dataset.age) + Math.max(0, Date.now() - since_ms) / 1000;
    age.textContent = age.dataset.words.replace("{age}", words(seconds));
    page.querySelector(".live").classList.toggle("old", seconds > OLD_S);
  }

  const shown = new Map(); // part -> its HTML as it came; the browser's own differs, and people open parts of it
  const stream = new EventSource(page.dataset.live);
  let isEnding = false; // the server said so: the browser comes back by itself

  stream.addEventListener("end", () => (isEnding = true));
  stream.addEventListener("open", () => {
    isEnding = false;
    cut.hidden = fault.hidden = true;
  });
  stream.addEventListener("error", () => {
    // A server that answered with an error ends the stream; one that was not reached is tried again (HTML Standard, 9.2).
    if (stream.readyState === EventSource.CLOSED && navigator.onLine) fault.hidden = !kept.hidden;
    else if (!isEnding) sayCut();
  });
  addEventListener("offline", sayCut);
  document.addEventListener("unreached", sayCut); // outbox.js

  function sayCut() {
    cut.hidden = !kept.hidden;
    fault.hidden = true;
  }

  stream.addEventListener("now", (event) => {
    since_ms = Date.now();
    kept.hidden = cut.hidden = true;
    for (const [part, html] of Object.entries(JSON.parse(event.data))) {
      const place = page.querySelector(`[data-part="${part}"]`);
      if (place && shown.get(part) !== html) renew(place, html);
      shown.set(part, html);
      if (part === "entered") document.dispatchEvent(new Event("seen"));
    }
    tick();
  });
  function renew(place, html) {
    const open = [...place.querySelectorAll("details[open][id]")].map(({ id }) => id);
    place.innerHTML = html;
    for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  }

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

  // A value wants its unit at once: without a link it would wait for hours to be refused.
  const gauge = page.querySelector('[name="gauge"]');
  gauge?.addEventListener("input", () => {
    gauge.form.elements.gauge_unit.required = gauge.value.trim() !== "";
  });

  // So does a number that no meter shows. What a number is, the shop judges.
  for (const field of page.querySelectorAll("[data-most]")) {
    field.addEventListener("input", () => {
      const [number] = field.value.trim().match(/^\d+([.,]\d+)?(?=\s*h?$)/) ?? [];
      const isBeyond = Number(number?.replace(",", ".")) > Number(field.dataset.most);
      field.setCustomValidity(isBeyond ? field.dataset.beyond : "");
    });
  }

  const print_ = page.querySelector("[data-print]");
  print_.hidden = false;
  print_.addEventListener("click", async () => {
    // The photo of the plate belongs on the paper: it is there before the sheet is made.
    const plate = page.querySelector(".plate img");
    await plate?.decode().catch(() => {}); // without a link it may be missing
    window.print();
  });
})();
