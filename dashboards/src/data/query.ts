/**
 * Reading from the API with one bar of signal. A page first gets what was last seen, with its age,
 * and the network's answer as soon as it is there. Answers are kept, so that the page also opens
 * without any signal.
 */
import { useEffect, useMemo } from "preact/hooks";
import { database } from "./database";
import { signal, useSignal, type Signal } from "./signal";
import type { Problem } from "./types";

export interface Answer<T> {
  data: T | undefined;
  /** When the data left the server, ms; null while there is none. */
  at: number | null;
  loading: boolean;
  /** A sentence, where the last attempt failed. */
  error: string | null;
  /** The server answered that there is no such thing. */
  missing: boolean;
}

interface Seen {
  path: string;
  data: unknown;
  at: number;
}

/** True while requests fail for want of a network or a server. */
export const offline = signal(false);

/** The most answers that are kept; beyond it those seen longest ago go first. */
const KEPT_ANSWERS = 240;

/** A request that takes longer counts as no signal; it goes on being shown as "as of". */
const GIVE_UP_MS = 12_000;

/** About a frame. */
const DELIVERY_MS = 16;

const NOTHING: Answer<never> = { data: undefined, at: null, loading: true, error: null, missing: false };

const entries = new Map<string, Signal<Answer<unknown>>>();
const running = new Map<string, Promise<void>>();
const watched = new Map<string, number>();

export class ApiError extends Error {
  constructor(
    readonly status: number,
    message: string,
  ) {
    super(message);
  }
}

/** What a request may ask for beside its body. */
export interface Asked {
  /** Refused where there is one of that id already. */
  onlyNew?: boolean;
}

/** One request; resolves with the decoded body, or throws an `ApiError` with a sentence. */
export async function request<T>(method: string, path: string, body?: unknown, asked: Asked = {}): Promise<T> {
  // No headers of its own where it reads: only so does it take what `index.html` asked for ahead.
  const init: RequestInit = { method, signal: AbortSignal.timeout(GIVE_UP_MS) };
  if (body !== undefined) {
    init.body = JSON.stringify(body);
    init.headers = { "content-type": "application/json", ...(asked.onlyNew === true ? { "if-none-match": "*" } : {}) };
  }
  let response: Response;
  try {
    response = await fetch(path, init);
  } catch {
    offline.set(true);
    throw new ApiError(0, "No connection to Larder.");
  }
  offline.set(false);
  if (!response.ok) {
    // A proxy in between answers in words of its own.
    const problem = (await response.json().catch(() => ({}))) as Partial<Problem>;
    throw new ApiError(response.status, problem.detail ?? problem.title ?? `Larder answered ${response.status}.`);
  }
  if (response.status === 204) return undefined as T;
  return (await response.json().catch(() => undefined)) as T;
}

function entry(path: string): Signal<Answer<unknown>> {
  let found = entries.get(path);
  if (found === undefined) {
    found = signal<Answer<unknown>>(NOTHING);
    entries.set(path, found);
  }
  return found;
}

async function recall(path: string): Promise<void> {
  const state = entry(path);
  if (state.get().data !== undefined) return;
  const seen = await database.get<Seen>("seen", path).catch(() => undefined);
  if (seen !== undefined && state.get().data === undefined) {
    state.set({ ...state.get(), data: seen.data, at: seen.at });
  }
}

async function load(path: string): Promise<void> {
  const state = entry(path);
  if (!state.get().loading) state.set({ ...state.get(), loading: true });
  await Promise.all([recall(path), ask(path, state)]);
}

async function ask(path: string, state: Signal<Answer<unknown>>): Promise<void> {
  try {
    const data = await fetched(path);
    const at = Date.now();
    await nextDelivery();
    state.set({ data, at, loading: false, error: null, missing: false });
    void database.put("seen", { path, data, at } satisfies Seen).catch(() => undefined);
  } catch (cause) {
    await recall(path);
    const failure = cause instanceof ApiError ? cause : new ApiError(0, String(cause));
    state.set({ ...state.get(), loading: false, error: failure.message, missing: failure.status === 404 });
  }
}

let delivery: Promise<void> | null = null;

/** Answers that come within a few milliseconds of each other are shown together, drawn once. */
function nextDelivery(): Promise<void> {
  delivery ??= new Promise((deliver) => {
    setTimeout(() => {
      delivery = null;
      deliver();
    }, DELIVERY_MS);
  });
  return delivery;
}

/** The key of an answer that is reckoned from a body, in place of a path. */
export function reckoned(path: string, body: unknown): string {
  return `POST ${path} ${JSON.stringify(body)}`;
}

function fetched(key: string): Promise<unknown> {
  if (!key.startsWith("POST ")) return request("GET", key);
  const [, path = "", ...body] = key.split(" ");
  return request("POST", path, JSON.parse(body.join(" ")));
}

/** Asks for `path` now; calls while one is under way share it. */
export function refresh(path: string): Promise<void> {
  const under = running.get(path);
  if (under !== undefined) return under;
  const work = load(path).finally(() => running.delete(path));
  running.set(path, work);
  return work;
}

/** Asks again for everything on the screen whose path fits; what is off the screen is forgotten. */
export function invalidate(fits: (path: string) => boolean): void {
  for (const path of entries.keys()) {
    if (!fits(path)) continue;
    if ((watched.get(path) ?? 0) > 0) void refresh(path);
    else entries.delete(path);
  }
}

/** The answer to a path, kept up to date while the component stands. A null path asks nothing. */
export function useQuery<T>(path: string | null): Answer<T> {
  const state = useMemo(() => (path === null ? signal<Answer<unknown>>(NOTHING) : entry(path)), [path]);
  useEffect(() => {
    if (path === null) return;
    // News that came between drawing and watching may have dropped it: nobody stood by it yet.
    entries.set(path, state);
    watched.set(path, (watched.get(path) ?? 0) + 1);
    void refresh(path);
    return () => {
      watched.set(path, (watched.get(path) ?? 1) - 1);
    };
  }, [path, state]);
  return useSignal(state) as Answer<T>;
}

/** What was last seen at `path`, without asking for it again. */
export function useSeen<T>(path: string): Answer<T> {
  const state = useMemo(() => entry(path), [path]);
  useEffect(() => void recall(path), [path]);
  return useSignal(state) as Answer<T>;
}

/** Drops the answers seen longest ago beyond the bound. Called once at start. */
export async function forgetOldest(): Promise<void> {
  const seen = await database.all<Seen>("seen");
  const old = seen.sort((a, b) => b.at - a.at).slice(KEPT_ANSWERS);
  await Promise.all(old.map(({ path }) => database.delete("seen", path)));
}
