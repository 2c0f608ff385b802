// Pages stay on the phone, where the browser allows it (https, or the machine itself): this one, those that it
// links to with data-stays, and, for who works beside machines, all of the list.
"use strict";
(() => {
  const LIST_AGAIN_MS = 3_600_000; // what is on the phone stays fresh for longer (worker.js)
  const list = document.querySelector("[data-stays-list]")?.dataset.staysList;

  async function listed() {
    const key = `stays ${list}`;
    if (!list || Date.now() - Number(sessionStorage.getItem(key)) < LIST_AGAIN_MS) return [];
    const answer = await fetch(list, { headers: { Accept: "application/json" } });
    if (!answer.ok) return [];
    sessionStorage.setItem(key, Date.now());
    return (await answer.json()).stays;
  }

  async function keep() {
    const worker = (await navigator.serviceWorker.ready).active;
    const links = [...document.querySelectorAll("a[data-stays]")].map((link) => link.href);
    worker.postMessage({ stays: [location.href.split("#")[0], ...links] }); // this one came before the worker
    const pages = await listed();
    if (pages.length) worker.postMessage({ stays: pages });
  }

  navigator.serviceWorker?.register("/worker.js").then(keep).catch(() => {}); // no link, or not allowed here
})();
