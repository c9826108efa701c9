import { useState } from "preact/hooks";

/** A form's state that outlives a wrong tap or a dead battery, until it is done. */
export function useDraft<T extends object>(name: string, initial: T): [T, (change: Partial<T>) => void, () => void] {
  const key = `draft ${name}`;
  const [value, setValue] = useState<T>(() => ({ ...initial, ...recall<T>(key) }));
  const change = (part: Partial<T>) =>
    setValue((before) => {
      const next = { ...before, ...part };
      try {
        localStorage.setItem(key, JSON.stringify(next));
      } catch {
        // Without storage the draft lives as long as the page.
      }
      return next;
    });
  const clear = () => {
    try {
      localStorage.removeItem(key);
    } catch {
      // See above.
    }
    setValue(initial);
  };
  return [value, change, clear];
}

function recall<T>(key: string): Partial<T> {
  try {
    return JSON.parse(localStorage.getItem(key) ?? "{}") as Partial<T>;
  } catch {
    return {};
  }
}
