// Posts a batch and reads it back with openapi-fetch and the types that openapi-typescript makes of the API
// description. Run by tests/contract/test_generated_clients.py, which checks the types first. Prints JSON.
//
//     node post_and_read.js ADDRESS ADMIN-KEY DEVICE-KEY INSTANT-OF-THE-FIRST-READING

import createClient from "openapi-fetch";

import type { components, paths, webhooks } from "./shop.js";

declare const process: { argv: string[] };

type Schemas = components["schemas"];
type Housing = Schemas["HousingAnswer"];
/** What a receiver of webhooks gets: `state` is one of the states, and nothing else. */
type StateChanged = webhooks["cleanside.state.changed"]["post"]["requestBody"]["content"]["application/cloudevents+json"];

/** RFC 3339 section 5.7: the server gives a leap second as it was sent. */
const leapSecond: Schemas["ReadingShown"] = { stream: "", seq: 1, at: "2016-12-31T23:59:60Z" };
const MACHINE = "loader-12";
const DEVICE = "loader-12-intake";
const [address, adminKey, deviceKey, firstAt] = process.argv.slice(2) as [string, string, string, string];

// JSON alone, and problems: so answers are no unions with the text of a file.
type Json = "application/json" | "application/problem+json";
const client = (key: string) =>
  createClient<paths, Json>({ baseUrl: address, headers: { Authorization: `Bearer ${key}` } });
const admin = client(adminKey);
const device = client(deviceKey);

async function register(): Promise<void> {
  const limit: Schemas["TerminalRestriction"] = { value: 25.0, unit: "inH2O" };
  await admin.POST("/v1/machines", {
    body: { machine: MACHINE, housings: [{ housing: "main", terminal_restriction: limit }] },
  });
  await admin.POST("/v1/devices", { body: { device: DEVICE, machine: MACHINE } });
}

/** RFC 3339, some seconds after the first reading. */
function after(seconds: number): string {
  return new Date(Date.parse(firstAt) + seconds * 1000).toISOString();
}

/** Three readings, the last with a value that nobody believes; one unit in a spelling of the field. */
async function post(): Promise<Schemas["BatchAnswer"]> {
  const body: Schemas["ReadingsBatch"] = {
    device: DEVICE,
    units: { restriction: "kPa", engine_speed: "rpm" },
    readings: [
      { at: after(0), restriction: 3.05, engine_speed: 1800 },
      { at: after(10), restriction: 3.1, engine_speed: 1800 },
      { at: after(20), restriction: 900.0, engine_speed: 1800 },
    ],
  };
  const { data, error } = await device.POST("/v1/readings", { body });
  if (data === undefined) throw new Error(error.detail);
  return data;
}

/** Every state has its words: the compiler names the one that is forgotten. */
function words(state: Housing["state"] | StateChanged["data"]["to"]): string {
  const known: Record<Schemas["State"], string> = {
    "running-in": "new element, too early to judge",
    serving: "in service",
    plan: "plan change",
    due: "change due",
    over: "over limit",
    suspect: "check first",
    silent: "no data",
  };
  return known[state];
}

function present<T>(data: T | undefined, what: string): T {
  if (data === undefined) throw new Error(`no ${what}`);
  return data;
}

async function read(): Promise<object> {
  const fleet = present((await admin.GET("/v1/fleet")).data, "fleet");
  const path = { machine: MACHINE };
  const housing = present((await admin.GET("/v1/machines/{machine}/restriction", { params: { path } })).data, "state");
  const query = { quantity: ["restriction" as const], unit: ["restriction:inwc"], since: firstAt };
  const found = await admin.GET("/v1/devices/{device}/readings", { params: { path: { device: DEVICE }, query } });
  const readings = present(found.data, "readings");
  const held = await admin.GET("/v1/quarantine", { params: { query: { device: DEVICE } } });
  const quarantine = present(held.data, "quarantine");
  const nothing = await admin.GET("/v1/machines/{machine}/restriction", { params: { path: { machine: "nothing" } } });
  return {
    fleet: fleet.housings.map((one) => [one.machine, one.housing, one.state]),
    now_is_an_instant: !Number.isNaN(Date.parse(housing.now)) && words(housing.state) === housing.state_text,
    limit: [housing.terminal_restriction?.value, housing.terminal_restriction?.unit],
    readings: (readings.readings ?? []).map((one) => [one.at, one.restriction]),
    unit: readings.units.restriction,
    quarantine: quarantine.entries.map((one) => [one.code, one.content["restriction"]]),
    problem: nothing.error?.code,
    leap_second: leapSecond.at,
  };
}

await register();
const first = await post();
const again = await post();
const posted = {
  stored: first.stored,
  quarantined: first.quarantined.map((one) => one.code),
  duplicates: again.duplicates,
};
console.log(JSON.stringify({ ...posted, ...(await read()) }));
