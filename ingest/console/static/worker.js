// Pages that stay on the phone, so that they open without a link.
//
// Promises: the network first, always; what is kept is the whole answer as it came, headers and all. Kept
// pages are one person's: they go when somebody signs in or out on this phone. Entries are not kept here
// (outbox.js), so that nothing here can lose one.
"use strict";

const PAGES = "pages";
const FILES = "files";
const WAIT_MS = 10_000;
const FRESH_MS = 6 * 3_600_000; // what is kept so lately is not asked for ahead again
const MOST_PAGES = 60; // asked for ahead: the machines of a site
const STAYS = /^\/(visit|machines|work)(\/|$)/;
const IS_STREAM = /\/live$/;
const CHANGES_PERSON = /^\/(sign-in|sign-out|join|v1\/sessions)/;
let person = 0; // how often the person changed; an answer asked for before must not be kept after

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method !== "GET" && CHANGES_PERSON.test(url.pathname)) {
    person += 1;
    event.waitUntil(caches.delete(PAGES));
  } else if (request.method === "GET" && url.pathname.startsWith("/static/")) {
    event.respondWith(file(request));
  } else if (request.method === "GET" && request.mode === "navigate" && stays(url)) {
    event.respondWith(page(event));
  }
});

self.addEventListener("message", (event) => {
  const pages = (event.data?.stays ?? []).slice(0, MOST_PAGES);
  if (pages.length) event.waitUntil(fetchAhead(pages));
});

function stays(url) {
  return STAYS.test(url.pathname) && !IS_STREAM.test(url.pathname);
}

async function file(request) {
  const kept = await caches.match(request); // its address changes with its content
  if (kept) return kept;
  const answer = await fetch(request);
  if (answer.ok) await (await caches.open(FILES)).put(request, answer.clone());
  return answer;
}

async function page(event) {
  const stop = new AbortController();
  const late = setTimeout(() => stop.abort(), WAIT_MS);
  try {
    const before = person;
    const answer = await fetch(event.request, { signal: stop.signal });
    if (answer.status >= 500) return (await kept(event.request)) ?? answer;
    event.waitUntil(keep(event.request.url, answer.clone(), before).catch(() => {}));
    return answer;
  } catch {
    return (await kept(event.request)) ?? (await kept("/visit")) ?? Response.error();
  } finally {
    clearTimeout(late);
  }
}

async function kept(request) {
  const pages = await caches.open(PAGES);
  const how = { ignoreVary: true };
  return (await pages.match(request, how)) ?? (await pages.match(request, { ...how, ignoreSearch: true }));
}

async function keep(address, answer, before) {
  const isPage = answer.ok && !answer.redirected && answer.headers.get("content-type")?.startsWith("text/html");
  if (!isPage || before !== person) return;
  await (await caches.open(PAGES)).put(address, answer);
}

function isFresh(answer) {
  return Boolean(answer) && Date.now() - Date.parse(answer.headers.get("date")) < FRESH_MS;
}

async function fetchAhead(pages) {
  const before = person;
  for (const address of pages) {
    if (before !== person) return;
    if (isFresh(await kept(address))) continue;
    try {
      const answer = await fetch(address, { credentials: "same-origin", redirect: "manual" });
      await keep(address, answer, before);
    } catch {
      return; // the link is gone: what is kept stays
    }
  }
}
