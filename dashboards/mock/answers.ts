/** The API's answers from the invented apiary and from what the pages changed in it. */
import type {
  Assignment,
  Columns,
  Device,
  Estimate,
  FeederDeclaration,
  Fill,
  FillRecord,
  HiveDeclaration,
  Learned,
  Place,
  QuarantineEntry,
  Settings,
  Shelf,
  ShelfFeeder,
  Total,
  Totals,
  UptakeDay,
  UptakeTotal,
  WeightDay,
  YardDeclaration,
} from "../src/data/types";
import { DAY, HOUR, SEASON_DAYS, YARDS, ZONE, invent, temperatureAt, type Invented, type InventedHive } from "./invented.ts";

/** Revisions follow from what is said and are added to it as it is asked for. */
type Unmarked<T> = Omit<T, "revision">;

export interface World {
  now: number;
  invented: Invented;
  yards: Map<string, Unmarked<YardDeclaration>>;
  hives: Map<string, Unmarked<HiveDeclaration>>;
  feeders: Map<string, Unmarked<FeederDeclaration>>;
  people: Map<string, unknown>;
  recorded: Map<string, FillRecord>;
  settings: Settings;
  quarantine: QuarantineEntry[];
}

const ALWAYS = { from: null, to: null };

export function makeWorld(now: number, empty = false): World {
  const invented = invent(now);
  const world: World = {
    now,
    invented,
    yards: new Map(),
    hives: new Map(),
    feeders: new Map(),
    people: new Map(),
    recorded: new Map(),
    settings: { units: "metric" },
    quarantine: empty ? [] : inventQuarantine(now),
  };
  if (empty) return world;
  for (const { id, name, latitude, longitude, weather } of YARDS) {
    world.yards.set(id, { id, name, timezone: ZONE, latitude, longitude, weather });
  }
  for (const hive of invented.hives) {
    world.hives.set(hive.id, {
      id: hive.id,
      name: hive.name,
      yard: hive.yard,
      scale: [{ device: `sc-${hive.id}`, channel: "weight", ...ALWAYS }],
      goal: "winter_stores",
      target_weight_kg: 52,
      target_date: new Date(now + 20 * DAY).toISOString().slice(0, 10),
      supers_on: false,
      moves: [],
    });
    if (hive.feeder === null) continue;
    world.feeders.set(hive.feeder, {
      id: hive.feeder,
      hive: hive.id,
      kind: hive.kind,
      capacity_l: hive.capacity_l,
      on_scale: true,
      sensor: [{ device: `lv-${hive.id}`, channel: "distance", ...ALWAYS, mount_m: 0.25, area_m2: hive.area_m2, table: null }],
    });
  }
  return world;
}

function inventQuarantine(now: number): QuarantineEntry[] {
  const entry = (id: number, hours: number, count: number, topic: string, reason: string, text: string): QuarantineEntry => ({
    id,
    received_at: new Date(now - hours * HOUR).toISOString(),
    last_at: new Date(now - (hours / 2) * HOUR).toISOString(),
    count,
    topic,
    reason,
    bytes: Buffer.from(text).toString("base64"),
    record: null,
  });
  return [
    entry(1, 30, 14, "larder/lv-mill-3/readings", "distance 14.2 m is physically impossible (0 to 10 m)", '{"distance_m":14.2}'),
    entry(2, 8, 1, "larder/sc-new/readings", "not JSON: expected a value at column 9", '{"weight":'),
    entry(3, 3, 2, "larder/sc-ridge-1/readings", "the time lies 3 hours ahead of the clock", '{"time":"2031-01-01T00:00:00Z","weight_kg":40.1}'),
  ];
}

const round = (value: number) => Math.round(value * 1000) / 1000;

function around(value: number, half: number): Estimate {
  return { value: round(value), lo: round(Math.max(0, value - half)), hi: round(value + half) };
}

/** The shape of a sum; its interval is always as wide, since these numbers are nobody's. */
function total(parts: (Estimate | null)[]): Total {
  const known = parts.filter((part) => part !== null);
  const n = { n_known: known.length, n_unknown: parts.length - known.length };
  const [first] = known;
  if (first === undefined) return { value: null, lo: null, hi: null, ...n };
  if (known.length === 1) return { ...first, ...n };
  return { ...around(known.reduce((litres, part) => litres + part.value, 0), 0.6), ...n };
}

function totals(feeders: ShelfFeeder[]): Totals {
  const date = feeders.map((feeder) => feeder.last_day?.date ?? "").sort().at(-1) ?? "";
  return {
    remaining_l: total(feeders.map((feeder) => feeder.remaining_l)),
    last_day: date === "" ? null : { date, uptake_l: total(feeders.map((feeder) => feeder.last_day?.uptake_l ?? null)) },
  };
}

const dateOf = (ms: number) => new Date(ms - 5 * HOUR).toISOString().slice(0, 10);

/** Litres taken on the day that ends `back` days before the season's end. */
function uptake(hive: InventedHive, start: number, back: number): number {
  const last = (SEASON_DAYS - back) * 24 - 1;
  const first = last - 23;
  const poured = hive.fills.filter((f) => f.at > start + first * HOUR && f.at <= start + last * HOUR);
  const change = (hive.litres[first] ?? 0) - (hive.litres[last] ?? 0);
  return Math.max(0, change + poured.reduce((sum, f) => sum + f.litres, 0));
}

function vague(hive: InventedHive): number {
  return hive.kind === "tray" ? 0.45 : hive.kind === "pail" ? 0.6 : 0.12;
}

function shelfFeeder(world: World, declared: Unmarked<FeederDeclaration>): ShelfFeeder {
  const hive = world.invented.hives.find((h) => h.feeder === declared.id);
  const { id, kind, capacity_l } = declared;
  if (hive === undefined) {
    const nothing = { remaining_l: null, rate_l_per_day: null, tomorrow_night_l: null, last_day: null, last_fill: null };
    return { id, kind, capacity_l, sensed: declared.sensor.length > 0, seen_at: null, ...nothing };
  }
  const left = hive.litres.at(-1) ?? 0;
  const took = uptake(hive, world.invented.start, 1);
  const silent = hive.silentHours > 0;
  return {
    id,
    kind,
    capacity_l,
    sensed: true,
    seen_at: new Date(world.now - hive.silentHours * HOUR - 4 * 60_000).toISOString(),
    remaining_l: silent ? null : around(left, vague(hive)),
    rate_l_per_day: silent ? null : around(took, 0.15),
    tomorrow_night_l: silent ? null : round(Math.max(0, left - took * 1.6)),
    last_day: { date: dateOf(world.now - DAY), uptake_l: silent ? null : around(took, 0.08 + took * 0.12) },
    last_fill: fills(world, hive.id).at(-1) ?? null,
  };
}

/** `ofHive`: only the yard in which it stands. */
export function shelf(world: World, ofHive: string | null = null): Shelf {
  const only = ofHive === null ? null : world.hives.get(ofHive)?.yard;
  return {
    as_of: new Date(world.now).toISOString(),
    yards: [...world.yards.values()].filter((yard) => only === null || yard.id === only).map((yard) => ({
      ...yard,
      totals: totals(feedersOf(world, (hive) => world.hives.get(hive)?.yard === yard.id)),
      weather:
        yard.weather === null
          ? null
          : { at: new Date(world.now).toISOString(), temperature_c: round(temperatureAt(world.now)), rain_mm_24h: 2.4, wind_m_s: 3.1 },
      flags: world.invented.flags.filter((f) => world.yards.size > 0 && f.yard === yard.id && f.hive === null && f.state === "open"),
      hives: [...world.hives.values()]
        .filter((hive) => hive.yard === yard.id)
        .map((hive) => {
          const invented = world.invented.hives.find((h) => h.id === hive.id);
          return {
            ...hive,
            weight_kg: invented === undefined ? null : around(invented.kilograms.at(-20) ?? 0, 0.08),
            weight_date: dateOf(world.now),
            net_change_kg: invented === undefined ? null : around(uptake(invented, world.invented.start, 1), 0.15),
            totals: totals(feedersOf(world, (id) => id === hive.id)),
            feeders: feedersOf(world, (id) => id === hive.id),
            flags: flags(world, hive.id).filter((f) => f.state === "open"),
          };
        }),
    })),
  };
}

function feedersOf(world: World, stands: (hive: string) => boolean): ShelfFeeder[] {
  return [...world.feeders.values()].filter((feeder) => stands(feeder.hive)).map((feeder) => shelfFeeder(world, feeder));
}

export function flags(world: World, hive: string) {
  return world.invented.flags.filter((flag) => flag.hive === hive);
}

export function fills(world: World, id: string): Fill[] {
  const hive = world.invented.hives.find((h) => h.id === id);
  const found = (hive?.fills ?? []).map((fill) => ({
    time: new Date(fill.at).toISOString(),
    feeder: `${id}-f`,
    volume_l: around(fill.litres, 0.05),
    strength: fill.strength,
    source: fill.source,
  }));
  const written = [...world.recorded.values()]
    .filter((fill) => world.feeders.get(fill.feeder)?.hive === id)
    .map((fill): Fill => ({
      time: fill.time,
      feeder: fill.feeder,
      volume_l: fill.volume_l === null ? null : around(fill.volume_l, 0),
      strength: fill.strength,
      source: "recorded",
    }));
  return [...found, ...written];
}

export function uptakeDays(world: World, id: string): UptakeDay[] {
  const hive = world.invented.hives.find((h) => h.id === id);
  if (hive?.feeder === undefined || hive.feeder === null) return [];
  return Array.from({ length: SEASON_DAYS }, (_, i) => {
    const back = SEASON_DAYS - 1 - i;
    const unseen = hive.silentHours > 0 && back < 2;
    // Today is half over.
    const took = uptake(hive, world.invented.start, back) * (back === 0 ? 0.5 : 1);
    return {
      date: dateOf(world.now - back * DAY),
      feeder: hive.feeder ?? "",
      uptake_l: unseen ? null : around(took, 0.08 + took * 0.12),
      remaining_l: unseen ? null : around(hive.litres[(SEASON_DAYS - back) * 24 - 1] ?? 0, vague(hive)),
      sugar_kg: unseen ? null : round(took * 0.77),
      sensed_share: unseen ? 0 : 0.99,
    };
  });
}

export function uptakeTotals(world: World, id: string): UptakeTotal[] {
  return uptakeDays(world, id).map(({ date, uptake_l, remaining_l }) => ({ date, uptake_l: total([uptake_l]), remaining_l: total([remaining_l]) }));
}

export function weightDays(world: World, id: string): WeightDay[] {
  const hive = world.invented.hives.find((h) => h.id === id);
  if (hive === undefined) return [];
  return Array.from({ length: SEASON_DAYS - 1 }, (_, day) => ({
    date: dateOf(world.now - (SEASON_DAYS - 1 - day) * DAY),
    weight_kg: around(hive.kilograms[day * 24 + 2] ?? 0, 0.06),
    net_change_kg: around((hive.kilograms[day * 24 + 26] ?? 0) - (hive.kilograms[day * 24 + 2] ?? 0), 0.1),
    handling_kg: hive.handling.find((h) => h.day === day)?.kg ?? 0,
    beyond_fills_kg: hive.handling.find((h) => h.day === day)?.kg ?? 0,
    quality: "good",
  }));
}

/** A channel at five minutes between two moments, reduced to a number of points. */
export function columns(world: World, unit: string, from: number, to: number, points: number, at: (ms: number) => number | null): Columns {
  const step = 300_000;
  const first = Math.max(from, world.invented.start);
  const last = Math.min(to, world.now);
  const count = Math.max(0, Math.floor((last - first) / step));
  const stride = Math.max(1, Math.ceil(count / points));
  const times: number[] = [];
  const value: number[] = [];
  for (let i = 0; i < count; i += stride) {
    const ms = first + i * step;
    const found = at(ms);
    if (found === null) continue;
    times.push(ms);
    value.push(round(found));
  }
  return {
    unit,
    reduced: stride > 1,
    start_ms: times[0] ?? 0,
    step_ms: times.map((t, i) => t - (times[i - 1] ?? t)),
    value,
  };
}

/** An hourly record read between its hours, with a sensor's noise on it. */
export function readAt(world: World, hive: InventedHive, record: number[], noise: number, ms: number): number | null {
  if (ms > world.now - hive.silentHours * HOUR) return null;
  const position = (ms - world.invented.start) / HOUR;
  const low = Math.floor(position);
  const a = record[low];
  const b = record[low + 1] ?? a;
  if (a === undefined || b === undefined) return null;
  const jump = Math.abs(b - a) > 1;
  const between = jump ? a : a + (b - a) * (position - low);
  return between + noise * Math.sin(ms / 61_000) * Math.cos(ms / 7_300);
}

/** Where a device stands now. */
function placesOf(world: World, device: string): Place[] {
  const now = (list: Assignment[]) => list.filter((a) => a.device === device && a.to === null);
  const none = { yard: null, hive: null, feeder: null };
  return [
    ...[...world.hives.values()].flatMap((h) => now(h.scale).map(({ channel, from }) => ({ ...none, hive: h.id, channel, from }))),
    ...[...world.feeders.values()].flatMap((f) => now(f.sensor).map(({ channel, from }) => ({ ...none, feeder: f.id, channel, from }))),
  ];
}

export function devices(world: World): Device[] {
  const at = (hours: number) => new Date(world.now - hours * HOUR - 120_000).toISOString();
  const found: Device[] = world.invented.hives.flatMap((hive) => {
    const seen = at(hive.silentHours);
    const scale = placesOf(world, `sc-${hive.id}`);
    const level = placesOf(world, `lv-${hive.id}`);
    const common = { last_heard: seen, attributes: [], free_since: null, excess: null, impossible_count_7d: hive.id === "mill-3" ? 14 : 0 };
    if (world.yards.size === 0 || world.hives.size < 3) return [];
    return [
      {
        ...common,
        id: `sc-${hive.id}`,
        latest: [
          { channel: "weight", unit: "kg", time: seen, value: round(hive.kilograms.at(-1) ?? 0) },
          { channel: "battery", unit: "V", time: seen, value: hive.id === "mill-7" ? 3.31 : 3.92 },
        ],
        battery_v: hive.id === "mill-7" ? 3.31 : 3.92,
        assigned: scale,
        learned: scale.flatMap((place) => (place.hive === null ? [] : learnedOfScale(place.hive, seen))),
      },
      {
        ...common,
        id: `lv-${hive.id}`,
        latest: [{ channel: "distance", unit: "m", time: seen, value: 0.131 }],
        battery_v: null,
        assigned: level,
        learned: [],
      },
    ];
  });
  const spoke = at(0);
  found.push({
    id: "node-7f3a",
    last_heard: spoke,
    excess: null,
    latest: [
      { channel: "weight", unit: "kg", time: spoke, value: 37.42 },
      { channel: "distance", unit: "m", time: spoke, value: 0.092 },
      { channel: "battery", unit: "V", time: spoke, value: 3.98 },
    ],
    attributes: [{ name: "firmware", value: "1.4.2", time: spoke }],
    battery_v: 3.98,
    assigned: placesOf(world, "node-7f3a"),
    free_since: null,
    impossible_count_7d: 0,
    learned: [],
  });
  return found;
}

function learnedOfScale(hive: string, seen: string): Learned[] {
  const common = { channel: "weight", date: seen.slice(0, 10), since: seen, hive };
  return [
    { ...common, what: "per_kelvin", unit: "kg/K", value: 0.006, lo: 0.004, hi: 0.008 },
    { ...common, what: "noise", unit: "kg", value: 0.012, lo: 0.012, hi: 0.012 },
  ];
}
