/**
 * The API as a plugin of the development and preview servers, so that pages can be made and tested
 * without the service. With `LARDER_API` set, requests go to a running service instead.
 */
import { createHash } from "node:crypto";
import type { IncomingMessage, ServerResponse } from "node:http";
import type { Plugin } from "vite";
import type { Assignment, FillRecord, PlaceRequest, Problem, Settings, Verdict } from "../src/data/types";
import { FLAG_KINDS, temperatureAt, YARDS } from "./invented.ts";
import * as answers from "./answers.ts";

type Next = () => void;

/** A request's JSON object; the fields are read with care where they are used. */
type Json = Record<string, unknown>;

export function mockApi(): Plugin {
  const real = process.env["LARDER_API"];
  const proxy = real === undefined ? {} : { "/api": { target: real } };
  const install = (server: { middlewares: { use: (handler: (req: IncomingMessage, res: ServerResponse, next: Next) => void) => void } }) => {
    if (real === undefined) server.middlewares.use(makeHandler());
  };
  return {
    name: "larder-mock-api",
    config: () => ({ server: { proxy }, preview: { proxy } }),
    configureServer: install,
    configurePreviewServer: install,
  };
}

function makeHandler() {
  let world = answers.makeWorld(Date.now());
  const streams = new Set<ServerResponse>();
  const tell = (event: string, data: unknown) => {
    for (const stream of streams) stream.write(`event: ${event}\ndata: ${JSON.stringify(data)}\n\n`);
  };

  return (req: IncomingMessage, res: ServerResponse, next: Next) => {
    const url = new URL(req.url ?? "/", "http://localhost");
    if (!url.pathname.startsWith("/api/v1/")) {
      next();
      return;
    }
    const path = url.pathname.slice("/api/v1/".length).split("/").map(decodeURIComponent);
    const send = (status: number, body: unknown) => {
      res.statusCode = status;
      res.setHeader("content-type", status >= 400 ? "application/problem+json" : "application/json");
      res.end(JSON.stringify(body));
    };
    if (path[0] === "events") {
      res.writeHead(200, { "content-type": "text/event-stream", "cache-control": "no-cache" });
      res.write(": here\n\n");
      streams.add(res);
      req.on("close", () => streams.delete(res));
      return;
    }
    let text = "";
    req.on("data", (chunk: Buffer) => (text += chunk.toString()));
    req.on("end", () => {
      const body = text === "" ? null : (JSON.parse(text) as Json);
      // Tests start from a known world: POST /api/v1/mock {"empty": true}.
      if (path[0] === "mock") {
        world = answers.makeWorld(Date.now(), body?.["empty"] === true);
        send(200, {});
        return;
      }
      const found = answer(world, req.method ?? "GET", path, url.searchParams, body);
      if (req.method !== "GET" && found.status < 400) tell("apiary", {});
      send(found.status, found.body);
    });
  };
}

/** The shape of a reckoned mix; its numbers are nobody's recipe. */
function mixed(body: Json | null): unknown {
  return {
    sentence: `A mix of ${JSON.stringify(body?.["strength"] ?? "")} as the tests know it.`,
    cautions: [{ kind: "mixing", text: "Hot water scalds: pour the sugar into the water, and keep children away." }],
    sections: [
      {
        title: "Goes in",
        rows: [
          { label: "sugar", number: "12.3", unit: "kg", note: "" },
          { label: "water", number: "12.3", unit: "L", note: "at 20 °C" },
        ],
      },
    ],
  };
}

interface Found {
  status: number;
  body: unknown;
}

const ok = (body: unknown): Found => ({ status: 200, body });
const refused = (status: number, title: string, detail: string): Found => ({ status, body: { type: "about:blank", title, status, detail } satisfies Problem });
const missing = (): Found => refused(404, "Not Found", "There is no such thing.");

function answer(world: answers.World, method: string, path: string[], query: URLSearchParams, body: Json | null): Found {
  const [head = "", id, part] = path;
  const collections: Record<string, Map<string, unknown>> = { yards: world.yards, hives: world.hives, feeders: world.feeders };
  const collection = collections[head];
  if (collection !== undefined && part === undefined) return declared(collection, head, method, id, body);
  if (head === "devices" && id !== undefined && part === "place") return stand(world, id, body ?? {});
  if (head === "devices" && part === "readings" && method === "DELETE") return ok({ readings: 12, dry_run: query.get("dry_run") === "true" });
  if (head === "hives" && id !== undefined && part !== undefined) return ofHive(world, id, part, query);
  if (head === "feeders" && id !== undefined && part === "volume") {
    const hive = world.invented.hives.find((h) => h.feeder === id);
    if (hive === undefined) return missing();
    const volume = series(world, "l", query, (ms) => answers.readAt(world, hive, hive.litres, 0.06, ms));
    // One echo in a hundred days of readings, or so.
    const left_out = series(world, "l", query, (ms) => (Math.floor(ms / 300_000) % 811 === 0 ? hive.capacity_l * 0.9 : null));
    return ok({ ...(volume.body as object), left_out: left_out.body });
  }
  switch (head) {
    case "shelf":
      return ok(answers.shelf(world, query.get("hive")));
    case "devices":
      return ok({ devices: answers.devices(world) });
    case "people":
      return people(world, method, id, part, body);
    case "notices":
      return ok({ waiting: 0, trouble: null, notices: [] });
    case "flags":
      if (method === "POST" && id !== undefined && part !== undefined) return care(world, id, part, body ?? {});
      return ok({ flags: world.invented.flags });
    case "flag-kinds":
      return ok(FLAG_KINDS);
    case "settings":
      if (method === "PUT" && body !== null) world.settings = body as unknown as Settings;
      return ok(world.settings);
    case "fills":
      return fill(world, method, query, body);
    case "mix":
      return ok(mixed(body));
    case "quarantine":
      if (id === "replay") {
        const ids = (body?.["ids"] ?? []) as number[];
        world.quarantine = world.quarantine.filter((entry) => entry.id !== ids[0]);
        return ok({ released: 1, kept: ids.length - 1, readings: 1 });
      }
      return ok({ entries: world.quarantine, total: world.quarantine.length, messages: 17 });
    case "readings":
      if (YARDS.some((yard) => yard.weather === query.get("device")) && query.get("channel") === "temperature") {
        return series(world, "Cel", query, temperatureAt);
      }
      return series(world, "V", query, (ms) => 3.9 + 0.05 * Math.sin(ms / 4e8));
    default:
      return missing();
  }
}

function declared(collection: Map<string, unknown>, name: string, method: string, id: string | undefined, body: unknown): Found {
  if (id === undefined) return ok({ [name]: [...collection.values()] });
  const now = collection.has(id) ? marked(collection.get(id)) : null;
  if (method === "PUT") {
    const said = (body as { revision?: string } | null)?.revision;
    const after = marked({ ...(body as object), id });
    if (said !== undefined && said !== now?.revision && now?.revision !== after.revision) {
      return refused(412, "Precondition Failed", `somebody changed this ${name.slice(0, -1)} since you opened it; load it anew and look, or save yours all the same`);
    }
    collection.set(id, after);
    return ok(after);
  }
  if (method === "DELETE") return collection.delete(id) ? { status: 204, body: undefined } : missing();
  return now === null ? missing() : ok(now);
}

/** With a revision that follows from what it says, as the service's. */
function marked(one: unknown): { revision: string } {
  const said: { revision?: string } = { ...(one as object) };
  delete said.revision;
  return { ...said, revision: createHash("sha256").update(JSON.stringify(Object.entries(said).sort())).digest("hex").slice(0, 16) };
}

/** Where a channel stands from a moment on; what overlaps gives way. */
function stand(world: answers.World, device: string, body: Json): Found {
  const { channel, from = null, hive, feeder, ...shape } = body as unknown as PlaceRequest;
  const assigned = [...[...world.hives.values()].map((h) => ({ list: h.scale, here: h.id === hive })), ...[...world.feeders.values()].map((f) => ({ list: f.sensor, here: f.id === feeder }))];
  for (const { list, here } of assigned as { list: Assignment[]; here: boolean }[]) {
    for (const old of [...list]) {
      if (old.device !== device || old.channel !== channel || (old.to !== null && from !== null && old.to <= from)) continue;
      if (here || from === null || (old.from ?? "") >= from) list.splice(list.indexOf(old), 1);
      else old.to = from;
    }
  }
  const standing = { device, channel, from, to: null };
  world.hives.get(hive ?? "")?.scale.push(standing);
  world.feeders.get(feeder ?? "")?.sensor.push({ ...standing, mount_m: null, area_m2: null, table: null, ...shape });
  return { status: 204, body: undefined };
}

function ofHive(world: answers.World, id: string, part: string, query: URLSearchParams): Found {
  if (!world.hives.has(id)) return missing();
  const hive = world.invented.hives.find((h) => h.id === id);
  switch (part) {
    case "uptake":
      return ok({ days: answers.uptakeDays(world, id), totals: answers.uptakeTotals(world, id) });
    case "weight":
      return ok({ days: answers.weightDays(world, id) });
    case "fills":
      return ok({ fills: answers.fills(world, id) });
    case "flags":
      return ok({ flags: answers.flags(world, id) });
    case "scale":
      return series(world, "kg", query, (ms) => (hive === undefined ? null : answers.readAt(world, hive, hive.kilograms, 0.05, ms)));
    default:
      return missing();
  }
}

function people(world: answers.World, method: string, id: string | undefined, part: string | undefined, body: Json | null): Found {
  if (part === "test") return { status: 202, body: undefined };
  return declared(world.people, "people", method, id, body);
}

/** What a keeper does with a flag. */
function care(world: answers.World, id: string, part: string, body: Json): Found {
  const flag = world.invented.flags.find((f) => f.id === id);
  if (flag === undefined) return missing();
  const said = body as unknown as { who: string; at: string; until: string | null; text: string };
  const who = { who: said.who, at: said.at };
  if (part === "acknowledge") flag.care.acknowledged = body["acknowledged"] === false ? null : who;
  if (part === "snooze") flag.care.snoozed = said.until === null ? null : { ...who, until: said.until };
  if (part === "verdict") flag.care.verdict = body["verdict"] === null ? null : { ...who, verdict: body["verdict"] as Verdict };
  if (part === "note") flag.care.notes.push({ ...who, text: said.text });
  flag.quiet = flag.care.acknowledged !== null || flag.care.snoozed !== null;
  return ok(flag);
}

function fill(world: answers.World, method: string, query: URLSearchParams, body: Json | null): Found {
  if (method === "DELETE") {
    world.recorded.delete(`${query.get("feeder") ?? ""} ${query.get("time") ?? ""}`);
    return { status: 204, body: undefined };
  }
  const written = body as unknown as FillRecord;
  const feeder = world.feeders.get(written.feeder);
  if (feeder === undefined || (written.volume_l ?? 0) > feeder.capacity_l * 1.5) {
    return refused(400, "Bad Request", "That much does not fit into the feeder.");
  }
  const key = `${written.feeder} ${written.time}`;
  const known = world.recorded.has(key);
  world.recorded.set(key, written);
  return { status: known ? 200 : 201, body: written };
}

function series(world: answers.World, unit: string, query: URLSearchParams, at: (ms: number) => number | null): Found {
  const from = Date.parse(query.get("from") ?? "") || 0;
  const to = Date.parse(query.get("to") ?? "") || world.now;
  return ok(answers.columns(world, unit, from, to, Number(query.get("points") ?? 2000), at));
}
