import type { YardInput } from "./types";

/**
 * Which revision of a thing this phone's own changes have led to. A form may have been filled before
 * the answer to an earlier change was here, and Undo writes back what stood there before: both mean
 * the state that this phone has made, and are no conflict. What anybody else has changed is one.
 */
type Revised = Pick<YardInput, "revision">;

/** More than there are forms open at a time; the oldest are forgotten. */
const MOST_KNOWN = 200;

const led = new Map<string, string>();

const key = (path: string, revision: string) => `${path} ${revision}`;

function revisionOf(body: unknown): string | undefined {
  return typeof body === "object" && body !== null ? (body as Revised).revision : undefined;
}

/** The body as it is to be sent: based on the newest state that this phone has made of it. */
export function asOwn(path: string, body: unknown): unknown {
  let revision = revisionOf(body);
  if (revision === undefined) return body;
  for (let step = 0; step < MOST_KNOWN; step += 1) {
    const next = led.get(key(path, revision));
    if (next === undefined) break;
    revision = next;
  }
  return { ...(body as object), revision };
}

/** A change that was sent as `sent` was answered with the state that it made. */
export function noteOwn(path: string, sent: unknown, answer: unknown): void {
  const [before, after] = [revisionOf(sent), revisionOf(answer)];
  if (before === undefined || after === undefined || before === after) return;
  // A state that is there again leads on from now on, not round in a circle.
  led.delete(key(path, after));
  led.set(key(path, before), after);
  const oldest = led.keys().next();
  if (led.size > MOST_KNOWN && oldest.done === false) led.delete(oldest.value);
}

/** The same change, whatever anybody else has changed meanwhile. */
export function allTheSame(body: unknown): unknown {
  if (revisionOf(body) === undefined) return body;
  const same: Revised = { ...(body as Revised) };
  delete same.revision;
  return same;
}
