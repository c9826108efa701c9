/**
 * Edits on their way. Each is written to the browser's store first and then sent, once and in
 * order; without signal they wait. What the server refuses is set aside with its reason, so that
 * the keeper can see and mend it; the rest goes on.
 */
import { database } from "./database";
import { ApiError, invalidate, request } from "./query";
import { allTheSame, asOwn, noteOwn } from "./revisions";
import { signal } from "./signal";

export interface Edit {
  method: "POST" | "PUT" | "DELETE";
  path: string;
  body?: unknown;
  /** What it does, in the keeper's words: "Fill at Ridge 4, 5.5 L". */
  words: string;
}

export interface QueuedEdit extends Edit {
  seq: number;
  queued_at: number;
  /** The server's sentence, where it refused. */
  refused: string | null;
  /** It was refused because somebody changed the same thing meanwhile. */
  stale?: boolean;
}

export const outbox = signal<QueuedEdit[]>([]);

/** More than this is not kept: the keeper is told before anything is lost. */
const MOST_EDITS = 500;

async function reread(): Promise<QueuedEdit[]> {
  const edits = await database.all<QueuedEdit>("outbox");
  outbox.set(edits);
  return edits;
}

/** Keeps an edit and starts sending. Rejects only where it could not be kept. */
export async function queue(edit: Edit): Promise<void> {
  if (outbox.get().length >= MOST_EDITS) {
    throw new Error(`${MOST_EDITS} edits already wait to be sent. Find a connection, then go on.`);
  }
  await database.put("outbox", { ...edit, queued_at: Date.now(), refused: null });
  await reread();
  void flush();
}

export async function discard(seq: number): Promise<void> {
  await database.delete("outbox", seq);
  await reread();
}

/** Sends a refused edit once more; one that was refused as stale goes through all the same. */
export async function sendAgain(edit: QueuedEdit): Promise<void> {
  const body = edit.stale === true ? allTheSame(edit.body) : edit.body;
  await database.put("outbox", { ...edit, body, refused: null, stale: false });
  await reread();
  await flush();
}

let flushing: Promise<void> | null = null;

/** Sends what waits. Several tabs take turns where the browser can arrange it. */
export function flush(): Promise<void> {
  flushing ??= inTurn(sendAll).finally(() => (flushing = null));
  return flushing;
}

async function inTurn(work: () => Promise<void>): Promise<void> {
  // Only a secure context has locks. Elsewhere two tabs may send the same edit; edits carry their
  // own ids, so the second changes nothing.
  if ("locks" in navigator) await navigator.locks.request("larder-outbox", work);
  else await work();
}

async function sendAll(): Promise<void> {
  for (;;) {
    const next = (await reread()).find((edit) => edit.refused === null);
    if (next === undefined) return;
    try {
      const body = asOwn(next.path, next.body);
      noteOwn(next.path, body, await request(next.method, next.path, body));
      await database.delete("outbox", next.seq);
      await reread();
      invalidate((path) => !path.includes("/readings?") && !path.includes("/scale?"));
    } catch (cause) {
      if (!(cause instanceof ApiError) || mayPass(cause.status)) return;
      await database.put("outbox", { ...next, refused: cause.message, stale: cause.status === 412 });
    }
  }
}

/** Whether the same request may succeed later: no network, a busy or a failing server. */
export function mayPass(status: number): boolean {
  return status === 0 || status === 401 || status === 408 || status === 429 || status >= 500;
}

/** How often a failing server is asked again while the page is open. */
const TRY_AGAIN_MS = 20_000;

/** Sends on every sign that there may be signal again. */
export function keepFlushing(): void {
  const attempt = () => void flush().catch(() => undefined);
  addEventListener("online", attempt);
  document.addEventListener("visibilitychange", attempt);
  setInterval(() => {
    if (outbox.get().some((edit) => edit.refused === null)) attempt();
  }, TRY_AGAIN_MS);
  attempt();
}
