/** What this device likes: the theme, and the units as last heard from the server. */
import { signal } from "./signal";
import type { UnitSystem } from "./types";

export type Theme = "day" | "night" | "sun";
export type Units = UnitSystem;

const THEMES: readonly Theme[] = ["day", "night", "sun"];

function stored(key: string): string | null {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

function store(key: string, value: string): void {
  try {
    localStorage.setItem(key, value);
  } catch {
    // A browser that keeps nothing still works until it is closed.
  }
}

function firstTheme(): Theme {
  const kept = THEMES.find((theme) => theme === stored("theme"));
  if (kept !== undefined) return kept;
  const dark = typeof matchMedia === "function" && matchMedia("(prefers-color-scheme: dark)").matches;
  return dark ? "night" : "day";
}

export const theme = signal<Theme>(firstTheme());
export const units = signal<Units>(stored("units") === "us" ? "us" : "metric");

/** The keeper's name on this device, written to what they do with a flag. */
export const keeper = signal<string>(stored("keeper") ?? "");

export function setKeeper(name: string): void {
  store("keeper", name);
  keeper.set(name);
}

export function setTheme(next: Theme): void {
  store("theme", next);
  theme.set(next);
  showTheme();
}

export function nextTheme(current: Theme): Theme {
  return THEMES[(THEMES.indexOf(current) + 1) % THEMES.length] ?? "day";
}

export function showTheme(): void {
  document.documentElement.dataset["theme"] = theme.get();
}

export function setUnits(next: Units): void {
  store("units", next);
  units.set(next);
}
