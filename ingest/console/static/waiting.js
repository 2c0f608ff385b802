// Says how many entries wait on this phone, where somebody signs in or out; outbox.js keeps and sends them.
//
// data-person: of whom; "": of anybody, for nobody is signed in.
"use strict";
(async () => {
  const place = document.querySelector("[data-waiting]");
  const { person, one, other } = place.dataset;

  const stored = () =>
    new Promise((resolve) => {
      const opening = indexedDB.open("cleanside");
      opening.onupgradeneeded = () => opening.transaction.abort(); // there is none yet
      opening.onerror = () => resolve([]);
      opening.onsuccess = () => {
        const asked = opening.result.transaction("entries").objectStore("entries").getAll();
        asked.onsuccess = () => resolve(asked.result);
      };
    });

  const isTheirs = (entry) => entry.state === "waiting" && (!person || entry.person === person);
  const waiting = (await stored()).filter(isTheirs);
  place.hidden = waiting.length === 0;
  place.textContent = (waiting.length === 1 ? one : other).replace("{n}", waiting.length);
})();
