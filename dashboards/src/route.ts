/** Where in the application we are: the address is the only memory of it. */
import { signal, useSignal } from "./data/signal";

export type Route =
  | { page: "today" }
  | { page: "yard"; id: string }
  | { page: "hive"; id: string }
  | { page: "devices" }
  | { page: "device"; id: string }
  | { page: "fill"; feeder: string | null }
  | { page: "mix" }
  | { page: "set-up"; step: string | null }
  | { page: "settings" }
  | { page: "quarantine" }
  | { page: "outbox" }
  | { page: "people" }
  | { page: "unknown" };

const address = signal(typeof location === "undefined" ? "/" : location.pathname);

/** A part of an address as text; null where it does not read (`%` without its two digits). */
function decoded(part: string): string | null {
  try {
    return decodeURIComponent(part);
  } catch {
    return null;
  }
}

export function parse(path: string): Route {
  const parts = path.split("/").slice(1).map(decoded);
  if (parts.includes(null)) return { page: "unknown" };
  const [head = "", tail] = parts as string[];
  switch (head) {
    case "":
      return { page: "today" };
    case "yards":
      return tail === undefined ? { page: "today" } : { page: "yard", id: tail };
    case "hives":
      return tail === undefined ? { page: "today" } : { page: "hive", id: tail };
    case "devices":
      return tail === undefined ? { page: "devices" } : { page: "device", id: tail };
    case "fill":
      return { page: "fill", feeder: tail ?? null };
    case "set-up":
      return { page: "set-up", step: tail ?? null };
    case "mix":
    case "settings":
    case "quarantine":
    case "outbox":
    case "people":
      return { page: head };
    default:
      return { page: "unknown" };
  }
}

export const to = {
  today: "/",
  yard: (id: string) => `/yards/${encodeURIComponent(id)}`,
  hive: (id: string) => `/hives/${encodeURIComponent(id)}`,
  devices: "/devices",
  device: (id: string) => `/devices/${encodeURIComponent(id)}`,
  fill: (feeder?: string) => (feeder === undefined ? "/fill" : `/fill/${encodeURIComponent(feeder)}`),
  mix: "/mix",
  setUp: (step?: string) => (step === undefined ? "/set-up" : `/set-up/${step}`),
  settings: "/settings",
  quarantine: "/quarantine",
  outbox: "/outbox",
  people: "/people",
};

export function go(path: string): void {
  history.pushState(null, "", path);
  address.set(path);
  scrollTo(0, 0);
  // Whoever reads with the ears starts at the new page's first line.
  requestAnimationFrame(() => document.querySelector<HTMLElement>("main h1")?.focus());
}

export function useRoute(): Route {
  return parse(useSignal(address));
}

/** Turns clicks on links of ours into steps within the application. */
export function followLinks(): void {
  addEventListener("popstate", () => address.set(location.pathname));
  document.addEventListener("click", (event) => {
    const target = event.target instanceof Element ? event.target.closest("a") : null;
    const plain = event.button === 0 && !event.metaKey && !event.ctrlKey && !event.shiftKey && !event.altKey;
    if (target === null || !plain || target.origin !== location.origin || target.target !== "") return;
    if (target.pathname.startsWith("/api/") || target.hasAttribute("download")) return;
    event.preventDefault();
    go(target.pathname);
  });
}
