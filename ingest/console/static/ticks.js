// Ticks of the work list are entries of visits: they wait on this phone until the shop has them (outbox.js).
//
// Each ticked row is one entry, under the id that the page gave the row. What is written in a row without a tick
// stays in it, and the row says so. Once the shop has every tick, the list is asked for again. Without scripts
// the form goes straight to the server.
"use strict";
(() => {
  const form = document.querySelector("form[data-ticks]");
  if (!form) return;
  const MOST_SAID = 40; // questions about ticks that the list says at once (work_page.py)
  const WRITTEN = ["meter", "gauge", "changed_at"];
  const rows = [...form.querySelectorAll("input[name=done]")].map((tick) => {
    const [machine, housing, id] = tick.value.split("/");
    return { tick, machine, housing, id, name: `${machine}/${housing}`, cell: tick.closest("tr").querySelector(".job") };
  });
  const toSend = new Set(); // ids of ticks that this page sent
  let isUnreached = document.querySelector("[data-kept]:not([hidden])") !== null;

  const field = (row, name) => form.elements[`${name}/${row.name}`];
  const written = (row, name) => field(row, name).value.trim();
  const isMoved = (row) => [...field(row, "on").options].some((day) => day.selected !== day.defaultSelected);
  const isWritten = (row) => WRITTEN.some((name) => written(row, name));

  function entryOf(row) {
    const gauge = written(row, "gauge");
    const given = {
      kind: "element_change",
      housing: row.housing,
      what: field(row, "what").value,
      changed_at: written(row, "changed_at") || form.elements.changed_at.value,
      meter_hours: written(row, "meter"),
      gauge,
      gauge_unit: gauge && field(row, "unit").value,
    };
    const done = field(row, "what").selectedOptions[0].textContent;
    const seen = ["meter", "gauge"].filter((name) => written(row, name));
    const typed = seen.map((name) => `${field(row, name).getAttribute("aria-label")}: ${written(row, name)}`);
    const address = `/visit/${row.machine}`;
    return {
      entry_id: row.id,
      fields: Object.entries(given).filter(([, value]) => value !== ""),
      address,
      page: `${address}?housing=${row.housing}&job=service`, // its form there corrects it
      what: `${row.tick.dataset.what}: ${done}`,
      typed: [done, ...typed].join("; "),
      isBlind: false,
    };
  }

  function speak(place, words, isFault = false) {
    const line = place.querySelector("[data-became]") ?? place.appendChild(document.createElement("p"));
    line.setAttribute("role", "status");
    line.dataset.became = "";
    line.className = isFault ? "became fault" : "became";
    if (line.textContent !== words) line.textContent = words;
  }

  function silence(place) {
    place.querySelector("[data-became]")?.remove();
  }

  function sayLeft(left) {
    for (const row of left) {
      if (isWritten(row)) speak(row.cell, form.dataset.notTicked, true);
      else if (isMoved(row)) speak(row.cell, form.dataset.notMoved, true);
    }
  }

  form.addEventListener("submit", (event) => {
    if (event.submitter?.hasAttribute("formaction")) return moves(event);
    event.preventDefault();
    const ticked = rows.filter(({ tick }) => tick.checked && !tick.disabled);
    sayLeft(rows.filter(({ tick }) => !tick.checked));
    if (!ticked.length) return speak(form.querySelector(".end-bar"), form.dataset.nothing, true);
    silence(form.querySelector(".end-bar"));
    for (const { id } of ticked) toSend.add(id);
    const failed = () => HTMLFormElement.prototype.submit.call(form); // no room on the phone
    document.dispatchEvent(new CustomEvent("made", { detail: { entries: ticked.map(entryOf), failed } }));
  });

  function moves(event) {
    // A day is no entry: two people may move a machine, so the shop must see it at once.
    if (navigator.onLine && !isUnreached) return;
    event.preventDefault();
    speak(event.submitter.closest(".job"), form.dataset.moveWithLink, true);
  }

  document.addEventListener("unreached", () => (isUnreached = true));

  document.addEventListener("outbox", ({ detail: becameOf }) => {
    for (const row of rows) {
      const became = becameOf(row.id);
      if (became) speak(row.cell, became.words, became.state === "refused");
      else if (row.tick.disabled) silence(row.cell); // deleted from the phone, or sent by another tab
      const isGiven = Boolean(became) && became.state !== "refused";
      if (row.tick.disabled && !isGiven) row.tick.checked = false;
      row.tick.disabled = isGiven;
      if (isGiven) row.tick.checked = true;
      if (became?.state === "taken") isUnreached = false;
    }
    renew(becameOf);
  });

  function renew(becameOf) {
    const sent = rows.filter(({ id }) => toSend.has(id) || becameOf(id));
    const isAllTaken = sent.length > 0 && sent.every(({ id }) => becameOf(id)?.state === "taken");
    if (!isAllTaken || rows.some((row) => !row.tick.checked && (isWritten(row) || isMoved(row)))) return;
    const list = new URL(form.elements.back.value, location.origin);
    for (const name of ["taken_back", "question"]) list.searchParams.delete(name);
    list.searchParams.set("sent", sent.length);
    for (const { name } of sent.slice(0, MOST_SAID)) list.searchParams.append("question", name);
    list.hash = "done";
    if (list.href === location.href) location.reload();
    else location.assign(list);
  }
})();
