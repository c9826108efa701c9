/** What the HTTP API sends, field for field. Times are RFC 3339 UTC, dates are local days of the yard. */

/** A value with its 90 % interval. */
export interface Estimate {
  value: number;
  lo: number;
  hi: number;
}

/** A sum of estimates with the interval of its known parts; what is not known is counted and not in it. */
export interface Total {
  /** Null, like `lo` and `hi`: no part is known. */
  value: number | null;
  lo: number | null;
  hi: number | null;
  n_known: number;
  n_unknown: number;
}

/** What several feeders come to. */
export interface Totals {
  remaining_l: Total;
  /** The newest whole local day that any of them knows. */
  last_day: { date: string; uptake_l: Total } | null;
}

export type FeederKind = "frame" | "pail" | "jar" | "tray" | "entrance";
export type Goal = "winter_stores" | "build_up" | "comb" | "emergency";
export type Severity = "info" | "warning" | "urgent";
export type FlagKind =
  | "refill_due"
  | "empty"
  | "stalled"
  | "too_cold"
  | "souring"
  | "leaking"
  | "robbed"
  | "displaced"
  | "flow_on"
  | "needs_feed"
  | "behind_target"
  | "silent"
  | "sensor_fault"
  | "low_battery";

export interface Flag {
  id: string;
  kind: FlagKind;
  yard: string | null;
  hive: string | null;
  feeder: string | null;
  device: string | null;
  opened_at: string;
  closed_at: string | null;
  withdrawn_at: string | null;
  severity: Severity;
  probability: number;
  evidence: string;
  /** Withdrawn: late data showed that it was wrong. */
  state: "open" | "closed" | "withdrawn";
  /** Acknowledged or snoozed. */
  quiet: boolean;
  care: Care;
  texts: FlagTexts;
}

/** A flag in words, ready to be shown. */
export interface FlagTexts {
  /** "refill due" */
  word: string;
  /** "Ridge 4", "Ridge 4's scale" */
  place: string;
  /** "Ridge 4 needs syrup soon." */
  sentence: string;
  /** "need syrup soon" */
  many: string;
  act: string;
  caution: string | null;
  /** "on the next trip" */
  when: string;
  /** "very likely" */
  sure: string;
}

/** The words for kinds and severities before a flag is there. */
export interface FlagKinds {
  kinds: {
    kind: FlagKind;
    word: string;
    one: string;
    many: string;
    act: string;
    caution: string | null;
    /** Only those are told of it who name it. */
    only_when_named: boolean;
  }[];
  /** `told`: what someone hears of who is told from this severity on. */
  severities: { severity: Severity; when: string; told: string }[];
}

interface Said {
  who: string;
  at: string;
}

export interface Care {
  acknowledged: Said | null;
  snoozed: (Said & { until: string }) | null;
  verdict: (Said & { verdict: "right" | "wrong" }) | null;
  notes: (Said & { text: string })[];
}

export interface Person {
  id: string;
  name: string;
  ways: { way: "mail" | "webhook"; address: string }[];
  yards: string[];
  kinds: FlagKind[];
  from_severity: Severity;
  quiet: { from: string; to: string } | null;
  digest_at: string | null;
  units: "metric" | "us" | null;
}

export interface Notices {
  waiting: number;
  trouble: string | null;
  notices: { id: number; person: string; address: string; state: string; error: string | null }[];
}

export interface ShelfFeeder {
  id: string;
  kind: FeederKind;
  capacity_l: number;
  sensed: boolean;
  seen_at: string | null;
  remaining_l: Estimate | null;
  rate_l_per_day: Estimate | null;
  tomorrow_night_l: number | null;
  last_day: { date: string; uptake_l: Estimate | null } | null;
  last_fill: { time: string; volume_l: Estimate | null; strength: string | null; source: FillSource } | null;
}

export interface ShelfHive {
  id: string;
  name: string;
  goal: Goal | null;
  target_weight_kg: number | null;
  target_date: string | null;
  supers_on: boolean;
  weight_kg: Estimate | null;
  weight_date: string | null;
  net_change_kg: Estimate | null;
  totals: Totals;
  feeders: ShelfFeeder[];
  flags: Flag[];
}

export interface YardWeather {
  at: string;
  temperature_c: number | null;
  rain_mm_24h: number | null;
  wind_m_s: number | null;
}

export interface ShelfYard {
  id: string;
  name: string;
  timezone: string;
  latitude: number | null;
  longitude: number | null;
  weather: YardWeather | null;
  totals: Totals;
  hives: ShelfHive[];
  flags: Flag[];
}

export interface Shelf {
  as_of: string;
  yards: ShelfYard[];
}

export type FillSource = "recorded" | "detected" | "both";

export interface UptakeDay {
  date: string;
  feeder: string;
  uptake_l: Estimate | null;
  remaining_l: Estimate | null;
  sugar_kg: number | null;
  sensed_share: number;
}

/** All feeders of a hive on one local day. */
export interface UptakeTotal {
  date: string;
  uptake_l: Total;
  /** At the end of the day. */
  remaining_l: Total;
}

export interface WeightDay {
  date: string;
  weight_kg: Estimate | null;
  net_change_kg: Estimate | null;
  handling_kg: number;
  /** What of it the day's fills do not explain; null: nobody knows how much was filled. */
  beyond_fills_kg: number | null;
  quality: "good" | "poor" | "missing";
}

export interface Fill {
  time: string;
  feeder: string;
  volume_l: Estimate | null;
  strength: string | null;
  source: FillSource;
}

/** One channel over a range. `step_ms` holds the differences between times, the first is 0. */
export interface Columns {
  unit: string;
  reduced: boolean;
  start_ms: number;
  step_ms: number[];
  value: number[];
}

/** A feeder's level: the readings that the estimates rest on, and those that cannot be right. */
export interface VolumeColumns extends Columns {
  left_out: Columns;
}

/** Where a channel stands: exactly one of the three is given. */
export interface Place {
  yard: string | null;
  hive: string | null;
  feeder: string | null;
  /** Null: all of them, a weather station. */
  channel: string | null;
  /** Since when; null: from its first reading on. */
  from: string | null;
}

export interface Device {
  id: string;
  last_heard: string | null;
  excess: { messages: number; last_at: string } | null;
  latest: { channel: string; unit: string; time: string; value: number }[];
  attributes: { name: string; value: unknown; time: string }[];
  battery_v: number | null;
  assigned: Place[];
  /** When it was taken off its last place; null: it stands somewhere, or never did. */
  free_since: string | null;
  impossible_count_7d: number;
  /** What was learned of it last. */
  learned: Learned[];
}

/** One trait of one channel of an instrument, with its 90 % interval. */
export interface Learned {
  channel: string;
  what: "offset" | "per_kelvin" | "geometry_share" | "noise";
  /** The channel's, the same per kelvin, or 1. */
  unit: string;
  value: number;
  lo: number;
  hi: number;
  date: string;
  since: string;
  hive: string;
}

export interface YardDeclaration {
  id: string;
  /** Sent back with a change, so that nobody undoes unseen what somebody else has changed. */
  revision?: string;
  name: string;
  /** IANA. */
  timezone: string;
  latitude: number | null;
  longitude: number | null;
  /** The device whose readings are this yard's weather. */
  weather: string | null;
}

/** A channel that stands somewhere for a while; no `from` or `to`: always. */
export interface Assignment {
  device: string;
  channel: string;
  from: string | null;
  to: string | null;
}

export interface HiveDeclaration {
  id: string;
  /** Sent back with a change, so that nobody undoes unseen what somebody else has changed. */
  revision?: string;
  name: string;
  yard: string;
  scale: Assignment[];
  goal: Goal | null;
  target_weight_kg: number | null;
  target_date: string | null;
  supers_on: boolean;
  moves: { yard: string; from: string }[];
}

/** How a sensor sits over a feeder, and what the feeder is like inside. */
export interface SensorShape {
  /** Sensor's face to the feeder's floor. */
  mount_m: number | null;
  area_m2: number | null;
  /** Depth in m against litres, in place of an area. */
  table: [number, number][] | null;
}

export interface SensorDeclaration extends Assignment, SensorShape {}

export interface FeederDeclaration {
  id: string;
  /** Sent back with a change, so that nobody undoes unseen what somebody else has changed. */
  revision?: string;
  hive: string;
  kind: FeederKind;
  capacity_l: number;
  on_scale: boolean;
  sensor: SensorDeclaration[];
}

export interface QuarantineEntry {
  id: number;
  received_at: string;
  last_at: string;
  count: number;
  topic: string;
  reason: string;
  /** base64 */
  bytes: string;
  record: number | null;
}

export interface Settings {
  units: "metric" | "us";
}

/** RFC 9457. */
export interface Problem {
  type?: string;
  title?: string;
  status?: number;
  detail?: string;
}
