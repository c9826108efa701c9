/**
 * The service worker: keeps one whole copy of the application, so that it opens without signal.
 * It never touches /api: what the pages have seen, and what waits to be sent, they keep themselves
 * in IndexedDB, where no update of this copy can reach it.
 */

interface Installing extends Event {
  waitUntil(work: Promise<unknown>): void;
}
interface Fetching extends Event {
  readonly request: Request;
  respondWith(answer: Promise<Response>): void;
}
interface Scope {
  addEventListener(type: "install" | "activate", listener: (event: Installing) => void): void;
  addEventListener(type: "fetch", listener: (event: Fetching) => void): void;
  skipWaiting(): Promise<void>;
  readonly clients: { claim(): Promise<void> };
}
const scope = self as unknown as Scope;

// Both are filled in after the build, when the files are known.
const SHELL = "larder-shell-__SHELL_NAME__";
const PATHS = JSON.parse("__SHELL_PATHS__") as string[];

scope.addEventListener("install", (event) => {
  const fresh = PATHS.map((path) => new Request(path, { cache: "reload" }));
  event.waitUntil(
    caches
      .open(SHELL)
      .then((cache) => cache.addAll(fresh))
      .then(() => scope.skipWaiting()),
  );
});

scope.addEventListener("activate", (event) => {
  event.waitUntil(
    caches
      .keys()
      .then((names) => names.filter((name) => name.startsWith("larder-shell-") && name !== SHELL))
      .then((old) => Promise.all(old.map((name) => caches.delete(name))))
      .then(() => scope.clients.claim()),
  );
});

scope.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== location.origin) return;
  if (event.request.mode === "navigate" && !url.pathname.startsWith("/api/")) {
    event.respondWith(fromShell("/", event.request));
  } else if (PATHS.includes(url.pathname)) {
    event.respondWith(fromShell(url.pathname, event.request));
  }
});

async function fromShell(path: string, request: Request): Promise<Response> {
  const cache = await caches.open(SHELL);
  return (await cache.match(path)) ?? fetch(request);
}
