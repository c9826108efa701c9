/** Local days of a yard, from the browser's own time zone rules. */

export const MINUTE = 60_000;
export const HOUR = 60 * MINUTE;
export const DAY = 24 * HOUR;

const formatters = new Map<string, Intl.DateTimeFormat>();

/** What tells a zone's wall clock. Slow to make, so it is kept. */
function wallClock(zone: string): Intl.DateTimeFormat {
  let found = formatters.get(zone);
  if (found === undefined) {
    found = new Intl.DateTimeFormat("en-GB", {
      timeZone: zone,
      year: "numeric",
      month: "numeric",
      day: "numeric",
      hour: "numeric",
      minute: "numeric",
      second: "numeric",
      hourCycle: "h23",
    });
    formatters.set(zone, found);
  }
  return found;
}

/** The part of the Temporal proposal (ECMAScript stage 4) that is used here. */
interface TemporalRules {
  Instant: { fromEpochMilliseconds: (ms: number) => { toZonedDateTimeISO: (zone: string) => { offsetNanoseconds: number } } };
}

/** How far local time runs ahead of UTC at that moment by the browser's rules, ms. Slow without Temporal. */
function askOffset(ms: number, zone: string): number {
  // Making the first formatter takes a phone a fifth of a second, before anything stands on its screen.
  const { Temporal } = globalThis as { Temporal?: TemporalRules };
  if (Temporal !== undefined) return Temporal.Instant.fromEpochMilliseconds(Math.floor(ms)).toZonedDateTimeISO(zone).offsetNanoseconds / 1e6;
  const parts = wallClock(zone).formatToParts(ms);
  const part = (type: string) => Number(parts.find((p) => p.type === type)?.value ?? 0);
  const wall = Date.UTC(part("year"), part("month") - 1, part("day"), part("hour"), part("minute"), part("second"));
  return wall - Math.floor(ms / 1000) * 1000;
}

/** No zone changes its clocks twice within this. */
const STEADY = 8 * DAY;

const edges = new Map<string, number>();

function offsetAtEdge(block: number, zone: string): number {
  const key = `${zone} ${block}`;
  let found = edges.get(key);
  if (found === undefined) {
    found = askOffset(block * STEADY, zone);
    edges.set(key, found);
  }
  return found;
}

/**
 * How far local time runs ahead of UTC at that moment, ms. Where a stretch of days starts and ends
 * alike, nothing changed within it, and the browser's slow rules are not asked again.
 */
export function offsetAt(ms: number, zone: string): number {
  const block = Math.floor(ms / STEADY);
  const before = offsetAtEdge(block, zone);
  return before === offsetAtEdge(block + 1, zone) ? before : askOffset(ms, zone);
}

/** The moment at which a local day starts, its hour given. Right on days of 23 and 25 hours. */
export function momentOf(date: string, zone: string, hour = 0): number {
  const wall = Date.parse(`${date}T00:00:00Z`) + hour * HOUR;
  const first = wall - offsetAt(wall, zone);
  return wall - offsetAt(first, zone);
}

/** "2026-10-14" */
export function dateOf(ms: number, zone: string): string {
  return new Date(ms + offsetAt(ms, zone)).toISOString().slice(0, 10);
}

export function addDays(date: string, days: number): string {
  return new Date(Date.parse(`${date}T00:00:00Z`) + days * DAY).toISOString().slice(0, 10);
}

/** The local midnights in a range, and with a step below a day the hours between them. */
export function ticks(from: number, to: number, zone: string, step: { hours?: number; days?: number }): number[] {
  const found: number[] = [];
  const hours = step.hours ?? 24;
  let date = dateOf(from, zone);
  if (step.days !== undefined && step.days > 1) {
    const day = Math.floor(Date.parse(`${date}T00:00:00Z`) / DAY);
    date = addDays(date, -(day % step.days));
  }
  for (; ; date = addDays(date, step.days ?? 1)) {
    if (momentOf(date, zone) > to) return found;
    for (let hour = 0; hour < 24; hour += hours) {
      const at = momentOf(date, zone, hour);
      if (at >= from && at <= to) found.push(at);
    }
  }
}
