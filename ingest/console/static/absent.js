// Without a link, in place of a page that is not on this phone: which pages are.
"use strict";
(async () => {
  const list = document.querySelector("[data-absent]");
  const pages = await caches.open("pages");
  const rows = new Map(); // one a page, whatever its parameters
  for (const request of await pages.keys()) {
    const { pathname } = new URL(request.url);
    if (pathname.startsWith("/phone/") || rows.has(pathname)) continue;
    const text = await (await pages.match(request)).text();
    const { title } = new DOMParser().parseFromString(text, "text/html");
    rows.set(pathname, rowOf(pathname, title.replace(/ · cleanside$/, "")));
  }

  function rowOf(pathname, title) {
    const link = document.createElement("a");
    link.href = pathname;
    link.textContent = title;
    const row = document.createElement("li");
    row.append(link);
    return row;
  }

  list.append(...rows.values());
  list.hidden = rows.size === 0;
  document.querySelector("[data-absent-h]").hidden = rows.size === 0;
  document.querySelector("[data-absent-none]").hidden = rows.size > 0;
})();
