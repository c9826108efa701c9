import { DAY, HOUR, MINUTE, addDays, dateOf, offsetAt } from "./zone";

// The browser's own formatters take milliseconds to make, one for each zone and form.
const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/** What the wall clock shows there, as a date whose UTC fields are read. */
function wall(ms: number, zone: string): Date {
  return new Date(ms + (zone === "UTC" ? 0 : offsetAt(ms, zone)));
}

/** "14:05" */
export function clock(ms: number, zone: string): string {
  return wall(ms, zone).toISOString().slice(11, 16);
}

/** "14 Oct" */
export function dayAndMonth(ms: number, zone: string): string {
  const there = wall(ms, zone);
  return `${there.getUTCDate()} ${MONTHS[there.getUTCMonth()] ?? ""}`;
}

/** "Wed" */
export function weekday(ms: number, zone: string): string {
  return DAYS[wall(ms, zone).getUTCDay()] ?? "";
}

/** A local date without a zone: "Wed 14 Oct". */
export function dateWords(date: string): string {
  const at = Date.parse(`${date}T12:00:00Z`);
  return `${weekday(at, "UTC")} ${dayAndMonth(at, "UTC")}`;
}

/** "today", "yesterday", or "on Wed 14 Oct". */
export function dayWords(date: string, now: number, zone: string): string {
  const today = dateOf(now, zone);
  if (date === today) return "today";
  if (date === addDays(today, -1)) return "yesterday";
  return `on ${dateWords(date)}`;
}

/** "14:05", "yesterday 14:05", "Wed 14 Oct 14:05": as short as it can be without doubt. */
export function momentWords(ms: number, now: number, zone: string): string {
  const date = dateOf(ms, zone);
  const today = dateOf(now, zone);
  if (date === today) return clock(ms, zone);
  if (date === addDays(today, -1)) return `yesterday ${clock(ms, zone)}`;
  return `${dateWords(date)} ${clock(ms, zone)}`;
}

/** "just now", "12 min ago", "5 h ago", "3 days ago". */
export function age(ms: number, now: number): string {
  const past = now - ms;
  if (past < 2 * MINUTE) return "just now";
  if (past < 90 * MINUTE) return `${Math.round(past / MINUTE)} min ago`;
  if (past < 36 * HOUR) return `${Math.round(past / HOUR)} h ago`;
  return `${Math.round(past / DAY)} days ago`;
}

/** "for 3 days", "for 5 h". */
export function lasting(from: number, to: number): string {
  const span = Math.max(0, to - from);
  if (span < 90 * MINUTE) return `for ${Math.max(1, Math.round(span / MINUTE))} min`;
  if (span < 36 * HOUR) return `for ${Math.round(span / HOUR)} h`;
  return `for ${Math.round(span / DAY)} days`;
}

/** The times of a sentence as the yard's clock shows them. */
export function inLocalTime(sentence: string, now: number, zone: string): string {
  return sentence.replace(/\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d(?:\.\d+)?)?Z/g, (time) => momentWords(Date.parse(time), now, zone));
}
