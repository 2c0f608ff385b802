// An OpenID provider on loopback for tests: the library's own, with its own pages for whoever signs in.
//
// node provider.mjs CLIENT SECRET ALGORITHM [PORT]; prints its port, reads the client's address to come back to
// from its input, then prints "ready". A new process has a new key: a second one on the same port is a provider
// that changed its key.
import { generateKeyPairSync, randomUUID } from "node:crypto";
import { createServer } from "node:http";
import { createInterface } from "node:readline";
import { Provider } from "oidc-provider";

const [client_id, client_secret, algorithm, port = "0"] = process.argv.slice(2);
const KEYS = { RS256: ["rsa", { modulusLength: 2048 }], ES256: ["ec", { namedCurve: "P-256" }] };

function newKey() {
  const { privateKey } = generateKeyPairSync(...KEYS[algorithm]);
  return { ...privateKey.export({ format: "jwk" }), kid: randomUUID(), use: "sig", alg: algorithm };
}

const server = createServer();
server.listen(Number(port), "127.0.0.1", () => console.log(server.address().port));
createInterface({ input: process.stdin }).once("line", (redirect_uri) => {
  const client = { client_id, client_secret, redirect_uris: [redirect_uri], id_token_signed_response_alg: algorithm };
  const provider = new Provider(`http://127.0.0.1:${server.address().port}`, {
    clients: [client],
    jwks: { keys: [newKey()] },
    cookies: { keys: [randomUUID()] },
  });
  server.on("request", provider.callback());
  console.log("ready");
});
