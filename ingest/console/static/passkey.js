// Passkeys: hands the server's options to the authenticator, and what it made or signed back to the server.
// Without scripts, without an authenticator, or under a bare address the buttons stay hidden.
"use strict";
(() => {
  const bytes = (text) =>
    Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));
  const text = (buffer) =>
    btoa(String.fromCharCode(...new Uint8Array(buffer)))
      .replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");

  async function post(path, body) {
    const content = body && { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
    const answer = await fetch(path, { method: "POST", ...content });
    const said = await answer.json();
    if (!answer.ok) throw new Error(said.code);
    return said;
  }

  function plain(credential, names) {
    const response = {};
    for (const name of names) if (credential.response[name]) response[name] = text(credential.response[name]);
    return { id: credential.id, rawId: text(credential.rawId), type: credential.type, response };
  }

  async function make(place) {
    const { options } = await post("/v1/passkeys/options", { password: place.querySelector("[type=password]").value });
    options.challenge = bytes(options.challenge);
    options.user.id = bytes(options.user.id);
    for (const known of options.excludeCredentials || []) known.id = bytes(known.id);
    const made = await navigator.credentials.create({ publicKey: options });
    const name = place.querySelector("[type=text]").value;
    await post("/v1/passkeys", { name, credential: plain(made, ["clientDataJSON", "attestationObject"]) });
    location.reload();
  }

  async function use(place) {
    const { options } = await post("/v1/sessions/passkey-options");
    options.challenge = bytes(options.challenge);
    delete options.allowCredentials; // any passkey of this server
    const signed = await navigator.credentials.get({ publicKey: options });
    const names = ["clientDataJSON", "authenticatorData", "signature", "userHandle"];
    await post("/v1/sessions/passkey", { credential: plain(signed, names) });
    location.assign(place.dataset.next);
  }

  const isBare = /^[0-9.]+$|^\[/.test(location.hostname);
  if (!window.PublicKeyCredential || isBare) return;
  for (const place of document.querySelectorAll("[data-passkey]")) {
    const act = place.dataset.passkey === "make" ? make : use;
    place.hidden = false;
    place.querySelector("button").addEventListener("click", () => {
      const fault = place.querySelector("[role=alert]");
      fault.hidden = true;
      act(place).catch(() => { fault.hidden = false; });
    });
  }
})();
