import { describe, expect, test } from "vitest";
import { nights, sunlight } from "./sun";
import { age, clock, dayAndMonth, dayWords, inLocalTime, momentWords, weekday } from "./words";
import { HOUR, dateOf, momentOf, offsetAt, ticks } from "./zone";

const ZONE = "America/New_York";

describe("local days (IANA rules: the clocks change on 2026-03-08 and 2026-11-01)", () => {
  test("a day has 23, 24 or 25 hours", () => {
    const length = (date: string, next: string) => (momentOf(next, ZONE) - momentOf(date, ZONE)) / HOUR;
    expect(length("2026-03-08", "2026-03-09")).toBe(23);
    expect(length("2026-07-01", "2026-07-02")).toBe(24);
    expect(length("2026-11-01", "2026-11-02")).toBe(25);
  });

  test("midnight is midnight, either side of the change", () => {
    expect(new Date(momentOf("2026-11-01", ZONE)).toISOString()).toBe("2026-11-01T04:00:00.000Z");
    expect(new Date(momentOf("2026-11-02", ZONE)).toISOString()).toBe("2026-11-02T05:00:00.000Z");
    expect(dateOf(Date.parse("2026-11-02T04:59:59Z"), ZONE)).toBe("2026-11-01");
    expect(offsetAt(Date.parse("2026-01-01T00:00:00Z"), "Asia/Kolkata")).toBe(5.5 * HOUR);
  });

  test("the offset is the browser's at every hour of the days around a change", () => {
    for (const zone of [ZONE, "Europe/Lisbon", "Australia/Lord_Howe", "Africa/Casablanca"]) {
      const words = new Intl.DateTimeFormat("en-GB", { timeZone: zone, dateStyle: "short", timeStyle: "medium" });
      const utc = new Intl.DateTimeFormat("en-GB", { timeZone: "UTC", dateStyle: "short", timeStyle: "medium" });
      for (let at = Date.parse("2026-01-01T00:30:00Z"); at < Date.parse("2027-01-01T00:00:00Z"); at += HOUR) {
        expect(utc.format(at + offsetAt(at, zone))).toBe(words.format(at));
      }
    }
  });

  test("ticks stand at local midnights and hours", () => {
    const from = momentOf("2026-10-31", ZONE);
    const days = ticks(from, momentOf("2026-11-03", ZONE), ZONE, { days: 1 });
    expect(days.map((t) => dateOf(t, ZONE))).toEqual(["2026-10-31", "2026-11-01", "2026-11-02", "2026-11-03"]);
    expect(ticks(from, from + 12 * HOUR, ZONE, { hours: 6 })).toHaveLength(3);
  });
});

describe("words", () => {
  test("clock, day and month are as the browser's own words have them", () => {
    for (const zone of [ZONE, "Asia/Kathmandu", "UTC"]) {
      const told = (options: Intl.DateTimeFormatOptions) => new Intl.DateTimeFormat("en-US", { timeZone: zone, ...options });
      const [hm, month, day, week] = [told({ timeStyle: "short", hourCycle: "h23" }), told({ month: "short" }), told({ day: "numeric" }), told({ weekday: "short" })];
      for (let at = Date.parse("2026-01-01T00:41:00Z"); at < Date.parse("2027-01-01T00:00:00Z"); at += 31 * HOUR) {
        expect(clock(at, zone)).toBe(hm.format(at).padStart(5, "0"));
        expect(dayAndMonth(at, zone)).toBe(`${day.format(at)} ${month.format(at)}`);
        expect(weekday(at, zone)).toBe(week.format(at));
      }
    }
  });

  const now = Date.parse("2026-10-14T18:05:00Z");
  test("a moment is as short as it can be", () => {
    expect(momentWords(now - HOUR, now, ZONE)).toBe("13:05");
    expect(momentWords(now - 20 * HOUR, now, ZONE)).toBe("yesterday 18:05");
    expect(momentWords(now - 50 * HOUR, now, ZONE)).toBe("Mon 12 Oct 12:05");
    expect(dayWords("2026-10-13", now, ZONE)).toBe("yesterday");
  });
  test("a sentence's times are the yard's", () => {
    expect(inLocalTime("last heard at 2026-10-14T17:05:00Z, then not", now, ZONE)).toBe("last heard at 13:05, then not");
  });
  test("age is plain", () => {
    expect(age(now - 30_000, now)).toBe("just now");
    expect(age(now - 25 * 60_000, now)).toBe("25 min ago");
    expect(age(now - 5 * HOUR, now)).toBe("5 h ago");
    expect(age(now - 72 * HOUR, now)).toBe("3 days ago");
  });
});

describe("nights", () => {
  test("the equator has twelve hours and seven minutes of day at an equinox", () => {
    // The sun's disc and refraction add about 3.5 minutes at either end: general astronomy.
    const light = sunlight(Date.parse("2026-03-20T12:00:00Z"), 0, 0);
    expect(((light?.set ?? 0) - (light?.rise ?? 0)) / 60_000).toBeCloseTo(727, -1);
  });
  test("the sun stays up beyond the polar circle in June", () => {
    expect(sunlight(Date.parse("2026-06-21T12:00:00Z"), 70, 20)).toBeNull();
  });
  test("nights follow each other, longer towards winter", () => {
    const from = Date.parse("2026-10-01T00:00:00Z");
    const found = nights(from, from + 30 * 24 * HOUR, 41.2, -77.3);
    expect(found).toHaveLength(31);
    const length = (i: number) => (found[i]?.to ?? 0) - (found[i]?.from ?? 0);
    expect(length(0) / HOUR).toBeCloseTo(12.3, 0);
    expect(length(29)).toBeGreaterThan(length(1));
  });
});
