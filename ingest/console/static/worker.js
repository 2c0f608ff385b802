// Pages that stay on the phone, so that they open without a link.
//
// Promises: the network first, always; what is kept is the whole answer as it came, headers and all, and since
// when, by the phone's clock. Any other page says without a link that it is not here, and which ones are. Kept
// pages are one person's: they go when somebody signs in or out on this phone. Entries are not kept here
// (outbox.js), so that nothing here can lose one.
"use strict";

const PAGES = "pages";
const FILES = "files";
const WAIT_MS = 10_000;
const FRESH_MS = 6 * 3_600_000; // what is kept so lately is not asked for ahead again
const MOST_PAGES = 300; // asked for ahead: both jobs at each machine of a large site
const ABSENT = "/phone/absent"; // says that a page is not on this phone, and which ones are
const STAYS = /^\/(visit|machines|work-list)(\/|$)/;
const IS_VISIT = /^\/visit\/[^/]+$/;
const KEPT_SINCE = "Kept-Since"; // in ms, by this phone's clock: the shop's may be another
const IS_NO_PAGE = /\/(live|plate\.jpg|sheet\.pdf)$/;
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
  } else if (request.method === "GET" && request.mode === "navigate") {
    event.respondWith(stays(url) ? page(event) : otherPage(request));
  }
});

self.addEventListener("message", (event) => {
  const asked = (event.data?.stays ?? []).filter((address) => stays(new URL(address, self.location.origin)));
  const pages = asked.slice(0, MOST_PAGES);
  if (pages.length) pages.unshift(ABSENT);
  if (pages.length) event.waitUntil(fetchAhead(pages));
});

function stays(url) {
  return STAYS.test(url.pathname) && !IS_NO_PAGE.test(url.pathname);
}

function name(address) {
  // Under which a page is kept. Of a visit housing and job say what it shows; the rest, that one just entered.
  const url = new URL(address, self.location.origin);
  url.hash = "";
  if (!IS_VISIT.test(url.pathname)) return url.href;
  const asked = new URL(url.pathname, url.origin);
  for (const part of ["housing", "job"]) {
    const value = url.searchParams.get(part);
    if (value && value !== "main") asked.searchParams.set(part, value);
  }
  return asked.href;
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
    if (answer.status >= 500) return (await kept(event.request.url)) ?? answer;
    event.waitUntil(keep(event.request.url, answer.clone(), before).catch(() => {}));
    return answer;
  } catch {
    return (await kept(event.request.url)) ?? (await kept(ABSENT)) ?? Response.error();
  } finally {
    clearTimeout(late);
  }
}

function otherPage(request) {
  // It may take its time, as a sheet does; it is not kept.
  return fetch(request).catch(async () => (await kept(ABSENT)) ?? Response.error());
}

async function kept(address) {
  const pages = await caches.open(PAGES);
  const how = { ignoreVary: true };
  const found =
    (await pages.match(name(address), how)) ?? (await pages.match(address, { ...how, ignoreSearch: true }));
  return found && saidSinceWhen(found);
}

async function saidSinceWhen(answer) {
  // The page says that there is no link, and as of when it is; a visit counts ages from then on (visit.js).
  const since = Number(answer.headers.get(KEPT_SINCE)) || Date.parse(answer.headers.get("date"));
  const html = (await answer.text())
    .replace(" data-live=", ` data-kept-since="${since}" data-live=`)
    .replace(" data-kept hidden>", " data-kept>");
  return new Response(html, { status: answer.status, headers: answer.headers });
}

async function keptAsItIs(address) {
  return (await caches.open(PAGES)).match(name(address), { ignoreVary: true });
}

async function keep(address, answer, before) {
  const isPage = answer.ok && !answer.redirected && answer.headers.get("content-type")?.startsWith("text/html");
  if (!isPage || before !== person) return;
  const pages = await caches.open(PAGES);
  const shown = answer.headers.get("content-location"); // which job the shop chose (RFC 9110 section 8.7)
  const html = await answer.text();
  const headers = new Headers(answer.headers);
  for (const ofTheWay of ["content-encoding", "content-length"]) headers.delete(ofTheWay);
  headers.set(KEPT_SINCE, Date.now());
  for (const address_ of new Set([shown ?? address, address].map(name))) {
    await pages.put(address_, new Response(html, { headers }));
  }
  await keepFiles(html);
}

async function keepFiles(html) {
  // What a page that nobody opened yet needs to look and act as it does: style and scripts.
  for (const [, path] of html.matchAll(/(?:src|href)="(\/static\/[^"]+)"/g)) await file(new Request(path));
}

function isFresh(answer) {
  return Boolean(answer) && Date.now() - Date.parse(answer.headers.get("date")) < FRESH_MS;
}

async function fetchAhead(pages) {
  const before = person;
  for (const address of pages) {
    if (before !== person) return;
    if (isFresh(await keptAsItIs(address))) continue;
    try {
      const answer = await fetch(address, { credentials: "same-origin", redirect: "manual" });
      await keep(address, answer, before);
    } catch {
      return; // the link is gone: what is kept stays
    }
  }
}
