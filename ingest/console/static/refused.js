// After a refusal the page opens at the form that was sent: the box that says why stands above it and has the
// focus, each field that it names is marked, and what was typed is there again.
//
// Without scripts the box has the focus by itself (autofocus).
"use strict";
(() => {
  const box = document.querySelector("[data-refused]");
  if (!box) return;
  const typed = JSON.parse(document.querySelector("#typed")?.textContent ?? "[]");
  const OWN = new Set(["entry_id", "meter_entry", "person", "seen"]); // of the sending, not of which form it was
  const named = [...box.querySelectorAll("[data-field]")];

  function likeness(form) {
    // Several forms go to one address: the one that was sent has the same hidden values and the most fields.
    const same = ({ type, name, value }) =>
      type !== "hidden" || OWN.has(name) || typed.some(([sent, text]) => sent === name && text === value);
    const sent = typed.filter(([name]) => form.elements[name]).length;
    return sent - 100 * [...form.elements].filter((field) => !same(field)).length;
  }

  function refill(form) {
    const left = new Map();
    for (const [name, value] of typed) left.set(name, [...(left.get(name) ?? []), value]);
    for (const field of form.elements) {
      const values = left.get(field.name);
      if (["checkbox", "radio"].includes(field.type)) field.checked = Boolean(values?.includes(field.value));
      else if (values?.length && !["hidden", "password", "file", "submit"].includes(field.type)) {
        field.value = values.shift();
        field.dispatchEvent(new Event("change", { bubbles: true }));
      }
    }
  }

  function mark(form, line, number) {
    const found = form.elements[line.dataset.field] ?? firstOf(form, line.dataset.field);
    line.id ||= `refused-${number}`;
    for (const field of found instanceof RadioNodeList ? found : found ? [found] : []) {
      field.setAttribute("aria-invalid", "true");
      const described = new Set((field.getAttribute("aria-describedby") ?? "").split(" ").filter(Boolean));
      field.setAttribute("aria-describedby", [line.id, ...described].join(" "));
      field.closest("[hidden]")?.removeAttribute("hidden"); // what is asked only of an unlikely value
      open(field);
    }
  }

  const firstOf = (form, name) => [...form.elements].find((field) => name && field.name.startsWith(`${name}/`));

  function open(place) {
    for (let around = place.closest("details"); around; around = around.parentElement.closest("details")) {
      around.open = true;
    }
  }

  const goesTo = (each, name) => each.getAttribute(name)?.split("#")[0] === location.pathname;
  const isSent = (form) =>
    goesTo(form, "action") || [...form.querySelectorAll("[formaction]")].some((one) => goesTo(one, "formaction"));
  const sent = [...document.querySelectorAll("form[method=post]")].filter(isSent);
  const form = sent.sort((a, b) => likeness(b) - likeness(a))[0];
  if (form) {
    if (form.dataset.filled === undefined) refill(form); // else the server did
    named.forEach((line, number) => mark(form, line, number));
    open(form);
    form.before(box);
  }
  box.focus({ preventScroll: true });
  box.scrollIntoView();
})();
