import { useEffect, useState } from "preact/hooks";

/** A value that pages can watch. */
export interface Signal<T> {
  get: () => T;
  set: (value: T) => void;
  watch: (listener: () => void) => () => void;
}

export function signal<T>(initial: T): Signal<T> {
  let current = initial;
  const listeners = new Set<() => void>();
  return {
    get: () => current,
    set(value) {
      if (Object.is(value, current)) return;
      current = value;
      for (const listener of [...listeners]) listener();
    },
    watch(listener) {
      listeners.add(listener);
      return () => listeners.delete(listener);
    },
  };
}

/** The signal's value; the component is drawn again when it changes. */
export function useSignal<T>(source: Signal<T>): T {
  const [, redraw] = useState(0);
  const drawn = source.get();
  useEffect(() => {
    const again = () => redraw((n) => n + 1);
    // Watching begins a frame after drawing; what changed in between is not lost.
    if (!Object.is(source.get(), drawn)) again();
    return source.watch(again);
  }, [source]);
  return drawn;
}
