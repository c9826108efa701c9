/** News from the server while there is signal: what it touches is asked for again. */
import { flush } from "./outbox";
import { concerns, isReadings, type Touched } from "./news";
import { invalidate, offline } from "./query";

/** Readings arrive every few seconds from a large yard; the pages follow at this pace. */
const READINGS_PACE_MS = 15_000;

export function listen(): void {
  if (!("EventSource" in window)) return;
  const source = new EventSource("/api/v1/events");
  let lost = false;
  source.addEventListener("open", () => {
    offline.set(false);
    if (lost) invalidate(() => true);
    lost = false;
    void flush();
  });
  source.addEventListener("error", () => (lost = true));
  for (const what of ["results", "flags"]) {
    source.addEventListener(what, (event) => {
      const touched = touchedBy(event);
      invalidate((path) => concerns(path, touched));
    });
  }
  source.addEventListener("people", () => invalidate((path) => path === "/api/v1/people" || path.startsWith("/api/v1/notices")));
  source.addEventListener("missed", () => invalidate(() => true));
  source.addEventListener("apiary", () => invalidate((path) => !isReadings(path)));
  source.addEventListener("readings", paced(() => invalidate((path) => path === "/api/v1/devices"), READINGS_PACE_MS));
}

/** What the news names; nothing where it does not read. */
function touchedBy(event: MessageEvent): Touched {
  try {
    return JSON.parse(String(event.data)) as Touched;
  } catch {
    return {};
  }
}

/** Calls at most once in `pace` ms, the last call included. */
function paced(work: () => void, pace: number): () => void {
  let waiting = false;
  return () => {
    if (waiting) return;
    waiting = true;
    setTimeout(() => {
      waiting = false;
      work();
    }, pace);
  };
}
