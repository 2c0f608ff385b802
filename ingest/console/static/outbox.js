// What a person enters waits on this phone until the shop has it.
//
// Promises: an entry is on disk before the form says so; entries go in the order in which they were made, one
// request each, under an id made here, so that a lost reply doubles nothing. A filled form is one entry, however
// often it is sent. One that the shop refuses stays, with the reason, and the next one goes; corrected in its
// form it is the same entry, tried again. A refused correction goes once a later one of the same entry is taken.
// Two tabs never send at once. Only the person who made an entry sends it. No entry is deleted but by the shop's
// answer or by a person, who is asked once.
// Any form with data-keeps, on any page that includes `outbox.html`, is kept like this, and so are the entries
// of the event "made" (ticks.js); without scripts the same form goes straight to the server. After each change
// the event "outbox" says what became of an entry.
"use strict";
(() => {
  const WAIT_MS = 10_000; // for one answer: a link that is up and carries nothing must not hold the rest
  const AGAIN_MS = [5_000, 15_000, 60_000]; // after a round that did not get through, while the page is seen
  const PHOTO_PX = 1280; // across
  const PHOTO_BYTES = 400_000; // as the shop takes it
  const LATER = new Set([401, 408, 425, 429]);
  const WAITING = "waiting";
  const REFUSED = "refused";
  const TAKEN = "taken";

  const box = document.querySelector("[data-outbox]");
  const list = box.querySelector("[data-listed]");
  const row = document.querySelector("#outbox-entry");
  const pending = document.querySelector("[data-pending]"); // the list of what was entered here
  const forms = new Map(); // id of an entry -> the line at its form that says what became of it
  const beingKept = new WeakSet(); // forms between the first tap and an empty form
  const toDelete = new Set(); // ids of entries that a person was asked about
  const atShop = new Set(); // ids that the shop took while this page was open
  const asked = new Map(); // id of an entry that became a question -> what is asked, and where it is settled
  let taken = []; // by the shop, and not yet on the list that the shop sends
  const { person } = box.dataset; // with the owner: two owners may have people of one name
  let signedOut = false;
  let tries = 0;
  let timer;

  // ---------------------------------------------------------------- on disk

  const database = new Promise((resolve, reject) => {
    const opening = indexedDB.open("cleanside", 1);
    opening.onupgradeneeded = () =>
      opening.result.createObjectStore("entries", { keyPath: "number", autoIncrement: true });
    opening.onsuccess = () => resolve(opening.result);
    opening.onerror = () => reject(opening.error);
  });

  async function onDisk(mode, work) {
    const opened = await database;
    return new Promise((resolve, reject) => {
      const transaction = opened.transaction("entries", mode, { durability: "strict" });
      const asked = work(transaction.objectStore("entries"));
      transaction.oncomplete = () => resolve(asked.result);
      transaction.onabort = () => reject(transaction.error);
    });
  }

  const one = (number) => onDisk("readonly", (store) => store.get(number));
  const all = () => onDisk("readonly", (store) => store.getAll()); // by number: in the order they were made
  const put = (entry) => onDisk("readwrite", (store) => store.put(entry));
  const remove = (number) => onDisk("readwrite", (store) => store.delete(number));

  async function mine() {
    return (await all()).filter((entry) => entry.person === person || isFromBefore(entry));
  }

  function isFromBefore(entry) {
    // Kept by an earlier version, which noted the name alone: no name has an @. Else it would wait for ever.
    return !entry.person.includes("@") && entry.person === person.split("@")[0];
  }

  // ---------------------------------------------------------------- sending

  async function flush() {
    clearTimeout(timer);
    const gotThrough = await alone(sendInOrder).catch(() => false);
    tries = gotThrough ? 0 : tries + 1;
    if (!gotThrough && !signedOut) {
      timer = setTimeout(whenSeen, AGAIN_MS[Math.min(tries, AGAIN_MS.length) - 1]);
    }
    await show();
  }

  function alone(work) {
    // Without locks (an old browser) the ids alone keep the shop from taking an entry twice.
    return navigator.locks ? navigator.locks.request("cleanside-outbox", work) : work();
  }

  async function sendInOrder() {
    for (;;) {
      const next = (await mine()).find((entry) => entry.state === WAITING);
      if (!next) return true;
      if (!navigator.onLine) return false; // nothing leaves the phone: what was not sent may be deleted here
      await put({ ...next, tried: true });
      const answer = await post(next);
      signedOut = answer.status === 401;
      if (answer.isTaken) {
        await remove(next.number);
        await removeMet(next);
        atShop.add(next.entry_id);
        if (answer.asks) asked.set(next.entry_id, answer.asks);
        taken.push({ ...next, state: TAKEN });
      } else if (answer.isRefusal) await put({ ...next, state: REFUSED, refusal: answer.refusal });
      else return false;
      await show();
    }
  }

  async function removeMet(taken) {
    // A refused try to correct an entry is met by a later correction of it, and by taking it back.
    const of = ofWhich(taken);
    const met = ({ state, number, ...entry }) => state === REFUSED && number < taken.number && ofWhich(entry) === of;
    for (const { number } of of ? (await mine()).filter(met) : []) await remove(number);
  }

  const ofWhich = ({ fields }) => fields.find(([name]) => name === "of")?.[1];

  async function post(entry) {
    const body = new FormData();
    for (const [name, value] of entry.fields) body.append(name, value);
    for (const name of ["entry_id", "made_at"]) body.set(name, entry[name]);
    body.set("person", person);
    body.set("sent_at", new Date().toISOString());
    const stop = new AbortController();
    const late = setTimeout(() => stop.abort(), WAIT_MS);
    try {
      return judged(entry, await whole(entry.address, body, stop.signal));
    } catch {
      document.dispatchEvent(new Event("unreached"));
      return { status: 0 };
    } finally {
      clearTimeout(late);
    }
  }

  async function whole(address, body, signal) {
    const headers = { Accept: "application/json" };
    const asked = { method: "POST", body, headers, signal, redirect: "manual", cache: "no-store" };
    const answer = await fetch(address, asked);
    return { status: answer.status, type: answer.headers.get("content-type") ?? "", text: await answer.text() };
  }

  function judged(entry, { status, type, text }) {
    // Anything that is not this server's own answer to this entry counts as no answer: a portal's page, say.
    const isOurs = type.startsWith("application/json") || type.startsWith("application/problem+json");
    if (!isOurs) return { status: 0 };
    const document_ = JSON.parse(text);
    const isTaken = status === 200 && document_.entry_id === entry.entry_id;
    const isRefusal = status >= 400 && status < 500 && !LATER.has(status) && Boolean(document_.code);
    const { code, detail, said, fields, asks } = document_;
    return { status, isTaken, isRefusal, asks, refusal: { code, detail, said, fields } };
  }

  // ---------------------------------------------------------------- entering

  document.addEventListener("made", ({ detail }) => keepMade(detail.entries).catch(detail.failed));

  async function keepMade(entries) {
    // Each has the id that its page gave it: made twice, it is one entry. A refused one is tried again.
    for (const entry of entries) {
      const before = (await mine()).find(({ entry_id }) => entry_id === entry.entry_id);
      if (atShop.has(entry.entry_id) || before?.state === WAITING) continue;
      const { number, made_at } = before ?? { made_at: new Date().toISOString() };
      await put({ ...entry, ...(before && { number }), made_at, person, state: WAITING });
    }
    await show();
    flush();
  }

  function newId() {
    const bytes = crypto.getRandomValues(new Uint8Array(16)); // randomUUID is not there on plain http
    bytes[6] = (bytes[6] & 0x0f) | 0x40; // version 4, variant 1 (RFC 9562)
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
  }

  async function smaller(file) {
    // A camera's photo is far larger than a plate needs; drawn again, it carries no place either.
    const picture = await createImageBitmap(file);
    const scale = Math.min(1, PHOTO_PX / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(picture.width * scale);
    canvas.height = Math.round(picture.height * scale);
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    for (const quality of [0.8, 0.6, 0.4]) {
      const drawn = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", quality));
      if (drawn.size <= PHOTO_BYTES) return drawn;
    }
    return file;
  }

  async function asKept([name, value]) {
    const isPhoto = value instanceof File && value.type.startsWith("image/");
    return [name, isPhoto ? await smaller(value).catch(() => value) : value];
  }

  async function keep(form, submitter) {
    const identity = await identityIn(form);
    if (!identity) return speakOf(form.dataset.once, lineOf(form));
    const given = [...new FormData(form, submitter)].filter(([, value]) => value !== "");
    const fields = await Promise.all(given.map(asKept));
    const made = { ...identity, person, state: WAITING };
    const isBlind = form.dataset.blind !== undefined; // is read a second time, without seeing the first
    const said = { what: whatOf(form, fields), typed: typedIn(form), isBlind };
    await put({ ...made, ...said, fields, address: form.dataset.keeps, page: location.pathname + location.search });
    speakOf(made.entry_id, lineOf(form));
    return made.entry_id;
  }

  function speakOf(id, line) {
    for (const [other, itsLine] of forms) if (itsLine === line) forms.delete(other); // a form has one line
    forms.set(id, line);
  }

  async function identityIn(form) {
    // None where it was made before: what a form can do once only (data-once) has the id that the page gave it.
    const { once } = form.dataset;
    if (once) {
      const isMade = atShop.has(once) || (await mine()).some(({ entry_id }) => entry_id === once);
      return isMade ? undefined : { entry_id: once, made_at: new Date().toISOString() };
    }
    // Of a refused entry the shop kept nothing: corrected it has the same id, place in the order and time.
    const before = form.dataset.corrects && (await one(Number(form.dataset.corrects)));
    if (before?.state !== REFUSED) return { entry_id: newId(), made_at: new Date().toISOString() };
    const { number, made_at, refusal } = before;
    const isTakenId = refusal.code === "entry_differs"; // the shop has another entry under that id
    return { number, made_at, entry_id: isTakenId ? newId() : before.entry_id };
  }

  function whatOf(form, fields) {
    // What it is and, where that was chosen, which: an element, a new one went in.
    const chosen = form.elements.what?.selectedOptions?.[0]?.textContent;
    const isChosen = fields.some(([name]) => name === "what") && chosen;
    return [form.dataset.what ?? document.title, ...(isChosen ? [chosen] : [])].join(": ");
  }

  function typedIn(form) {
    // As the person sees it: the label of each field and what it has. A refused entry shows it again.
    const filled = [...form.elements].filter(isFilled);
    return filled.map((field) => `${field.labels[0].textContent}: ${shownIn(field)}`).join("; ");
  }

  function isFilled(field) {
    return field.labels?.length && field.value && (field.type !== "checkbox" || field.checked);
  }

  function shownIn(field) {
    if (field.type === "file") return field.files[0].name;
    if (field.type === "datetime-local") return shortTime(field.value);
    return field.selectedOptions?.[0]?.textContent ?? field.value;
  }

  function lineOf(form) {
    // Beside the form, so that it is seen by whoever just used it.
    const line = form.querySelector("[data-became]") ?? form.appendChild(document.createElement("p"));
    line.setAttribute("role", "status");
    line.dataset.became = "";
    line.className = "whole became";
    return line;
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.matches("form[data-keeps]")) return;
    event.preventDefault();
    if (beingKept.has(form)) return; // the second of two quick taps
    beingKept.add(form);
    keep(form, event.submitter).then(
      async (id) => {
        form.reset();
        beingKept.delete(form);
        unmark(form);
        form.dispatchEvent(new Event("kept", { bubbles: true }));
        await show();
        await flush();
        await bringBack(form, id);
      },
      () => HTMLFormElement.prototype.submit.call(form), // no room on the phone: straight to the server
    );
  });

  // ---------------------------------------------------------------- correcting

  const OWN = new Set(["entry_id", "made_at", "person"]); // of the entry, not of what was entered

  function formOf(entry) {
    // The form on this page in which an entry was made: what the form itself says is as it was then.
    const isIts = (form) =>
      [...form.elements]
        .filter(({ type, name }) => type === "hidden" && !OWN.has(name))
        .every((field) => entry.fields.some(([name, value]) => name === field.name && value === field.value));
    return [...document.querySelectorAll("form[data-keeps]")].find(
      (form) => form.dataset.keeps === entry.address && isIts(form),
    );
  }

  function correct(entry) {
    // False where its form is on another page.
    const form = formOf(entry);
    if (!form) return false;
    form.reset();
    unmark(form);
    for (const [name, value] of entry.fields) fill(form.elements[name], value);
    form.dataset.corrects = entry.number;
    const line = lineOf(form);
    line.id = `became-${entry.entry_id}`;
    speakOf(entry.entry_id, line);
    const wrong = (entry.refusal.fields ?? []).map((name) => form.elements[name]).filter(Boolean);
    for (const field of wrong) {
      field.closest("[hidden]")?.removeAttribute("hidden"); // what is asked only of an unlikely value
      mark(field, line.id);
    }
    for (let around = form.closest("details"); around; around = around.parentElement.closest("details")) {
      around.open = true;
    }
    (wrong[0] ?? [...form.elements].find((field) => field.type !== "hidden")).focus();
    show();
    return true;
  }

  async function bringBack(form, id) {
    // Refused at once, while whoever sent it still looks: the form has it again, with what is asked of it.
    const entry = (await mine()).find((one) => one.entry_id === id);
    const isUsed = typedIn(form) !== "" || !(form.contains(document.activeElement) || isAtNothing());
    if (entry?.state === REFUSED && entry.typed && !isUsed) correct(entry);
  }

  const isAtNothing = () => [null, document.body].includes(document.activeElement);

  function fill(field, value) {
    if (!field || field.type === "hidden") return; // a form of a later release may lack it
    if (field.type === "file") {
      const files = new DataTransfer();
      files.items.add(new File([value], value.name ?? "photo.jpg", { type: value.type }));
      field.files = files.files;
    } else if (field.type === "checkbox") field.checked = true;
    else field.value = value;
    field.dispatchEvent(new Event("change", { bubbles: true }));
  }

  function mark(field, id) {
    field.setAttribute("aria-invalid", "true");
    field.dataset.described = field.getAttribute("aria-describedby") ?? "";
    field.setAttribute("aria-describedby", `${id} ${field.dataset.described}`.trim());
  }

  function unmark(form) {
    delete form.dataset.corrects;
    for (const field of form.querySelectorAll("[data-described]")) {
      field.removeAttribute("aria-invalid");
      if (field.dataset.described) field.setAttribute("aria-describedby", field.dataset.described);
      else field.removeAttribute("aria-describedby");
      delete field.dataset.described;
    }
  }

  async function correctNamed() {
    // From the page of another form: the address names the entry.
    const named = (await mine()).find((entry) => location.hash === `#correct-${entry.entry_id}`);
    if (named?.state === REFUSED) correct(named);
  }

  // ---------------------------------------------------------------- on the page

  async function show() {
    const entries = await mine();
    const { here } = box.dataset; // of which machine this page is; none: it is of all
    const listed = entries.filter((entry) => !here || entry.address === here);
    const elsewhere = entries.filter((entry) => !listed.includes(entry));
    box.hidden = entries.length === 0;
    box.querySelector("[data-signed-out]").hidden = !signedOut;
    showListed(listed);
    showElsewhere(elsewhere);
    showAtForms(entries);
    showOnList([...entries, ...taken]);
    document.dispatchEvent(new CustomEvent("outbox", { detail: (id) => becameOf(id, entries) }));
  }

  function showListed(entries) {
    list.hidden = entries.length === 0;
    list.open = entries.some((entry) => !closed().includes(markOf(entry)));
    list.dataset.marks = JSON.stringify(entries.map(markOf));
    box.querySelector("[data-count]").textContent = counted(entries);
    box.querySelector("[data-entries]").replaceChildren(...entries.map(rowOf));
  }

  function showElsewhere(entries) {
    const line = box.querySelector("[data-elsewhere]");
    line.hidden = entries.length === 0;
    line.querySelector("[data-count-elsewhere]").textContent = counted(entries);
  }

  // A list that a person closed stays closed, on every page, until there is something new on it.
  const CLOSED = "outbox closed";
  const markOf = (entry) => `${entry.entry_id} ${entry.state}`;
  const closed = () => JSON.parse(localStorage.getItem(CLOSED) ?? "[]");

  list.addEventListener("toggle", () => {
    if (list.open) localStorage.removeItem(CLOSED);
    else localStorage.setItem(CLOSED, list.dataset.marks);
  });

  function showAtForms(entries) {
    for (const [id, line] of forms) {
      const became = becameOf(id, entries);
      if (!became) {
        line.remove(); // a person deleted it, or another tab sent it: this page does not know
        forms.delete(id);
        continue;
      }
      const { words, asks } = became;
      const whole = asks ? `${words} ${asks.said} ${asks.settle}` : words;
      if (line.textContent !== whole) {
        line.textContent = words;
        if (asks) line.append(` ${asks.said} `, linkTo(asks));
      }
      line.classList.toggle("fault", became.state === REFUSED);
    }
  }

  function becameOf(id, entries) {
    // State, words and question of an entry; none: this page does not know it.
    const { waitsHere, takenHere, refusedHere } = box.dataset;
    const entry = entries.find((entry) => entry.entry_id === id);
    if (!entry) return atShop.has(id) ? { state: TAKEN, words: takenHere, asks: asked.get(id) } : undefined;
    const isRefused = entry.state === REFUSED;
    return { state: entry.state, words: isRefused ? `${refusedHere} ${why(entry.refusal)}` : waitsHere };
  }

  function linkTo({ where, settle }) {
    const link = document.createElement("a");
    link.href = where;
    link.textContent = settle;
    return link;
  }

  const correctFirst = document.querySelector("[data-correct-first]");

  function showOnList(entries) {
    if (!pending) return;
    // An entry that the shop refused is known on this phone alone: it is corrected before the technician leaves.
    const refusedOfHere = ({ address, state }) => address === location.pathname && state === REFUSED;
    correctFirst.hidden = !entries.some(refusedOfHere);
    const here = entries.filter((entry) => entry.address === location.pathname);
    pending.hidden = here.length === 0;
    document.querySelector("[data-none]")?.toggleAttribute("hidden", here.length > 0); // "nothing entered yet"
    pending.replaceChildren(...here.reverse().map(rowOf));
  }

  document.addEventListener("seen", () => {
    taken = taken.filter(({ entry_id }) => !document.querySelector(`[data-seen~="${entry_id}"]`));
    show();
  });

  function counted(entries) {
    const { one, other, refusedOne, refusedOther } = box.dataset;
    const waiting = entries.filter((entry) => entry.state === WAITING).length;
    const of = (n, single, several) => (n ? [(n === 1 ? single : several).replace("{n}", n)] : []);
    return [...of(waiting, one, other), ...of(entries.length - waiting, refusedOne, refusedOther)].join("; ");
  }

  // The month as a word, as on the other pages: 12/03 is two days. Of the browser's locales the one of the page.
  const language = document.documentElement.lang;
  const locale = navigator.languages.find((one) => one.split("-")[0] === language) ?? language;
  function shortTime(at) {
    const then = new Date(at), year = then.getFullYear() === new Date().getFullYear() ? {} : { year: "numeric" };
    const day = then.toLocaleDateString(locale, { day: "numeric", month: "short", ...year });
    return `${day} ${then.toLocaleTimeString(locale, { hour: "2-digit", minute: "2-digit" })}`;
  }

  function why({ code, detail, said }) {
    if (said && code === "not_valid") return said; // field, value, rule and next step, in words
    const words = box.querySelector(`[data-refusal="${code}"]`) ?? box.querySelector('[data-refusal="other"]');
    return words.content.textContent.replace("{detail}", said ?? detail);
  }

  function rowOf(entry) {
    const shown = row.content.cloneNode(true).firstElementChild;
    const isRefused = entry.state === REFUSED;
    const isTaken = entry.state === TAKEN;
    shown.classList.add(isTaken ? "passed" : isRefused ? "failed" : "open");
    shown.querySelector("[data-what]").textContent = entry.what;
    shown.querySelector("[data-made]").textContent = shortTime(entry.made_at);
    shown.querySelector("[data-waits]").hidden = isRefused || isTaken;
    shown.querySelector("[data-taken]").hidden = !isTaken;
    for (const part of shown.querySelectorAll("[data-refused]")) part.hidden = !isRefused;
    shown.querySelector("[data-typed]").textContent = entry.isBlind && !isRefused ? "" : (entry.typed ?? "");
    shown.querySelector("[data-said]").textContent = isRefused ? why(entry.refusal) : "";
    const toForm = shown.querySelector("[data-correct]");
    toForm.hidden = !isRefused || !entry.typed; // what has no field is not corrected
    toForm.href = `${entry.page ?? entry.address}#correct-${entry.entry_id}`;
    toForm.onclick = (event) => correct(entry) && event.preventDefault();
    shown.querySelector("[data-perhaps]").hidden = isRefused || isTaken || !entry.tried;
    shown.querySelector("[data-again]").onclick = () => put({ ...entry, state: WAITING }).then(flush);
    // What was sent without an answer may be at the shop: it is taken back there, once it is on the list.
    const isOnlyHere = isRefused || (!isTaken && !entry.tried);
    askBeforeDelete(shown, entry, isOnlyHere);
    return shown;
  }

  function askBeforeDelete(shown, entry, isOnlyHere) {
    const [discard, sure] = ["[data-discard]", "[data-sure]"].map((part) => shown.querySelector(part));
    const asked = (isAsked) => {
      toDelete[isAsked ? "add" : "delete"](entry.entry_id);
      discard.hidden = isAsked || !isOnlyHere;
      sure.hidden = !isAsked || !isOnlyHere;
    };
    asked(toDelete.has(entry.entry_id));
    discard.onclick = () => {
      asked(true);
      sure.querySelector("[data-keep]").focus();
    };
    sure.querySelector("[data-keep]").onclick = () => {
      asked(false);
      discard.focus();
    };
    sure.querySelector("[data-delete]").onclick = () => remove(entry.number).then(show);
  }

  function whenSeen() {
    if (document.visibilityState === "visible") flush();
  }

  addEventListener("online", flush);
  document.addEventListener("visibilitychange", whenSeen);
  addEventListener("hashchange", correctNamed);
  show().then(correctNamed).then(flush);
})();
