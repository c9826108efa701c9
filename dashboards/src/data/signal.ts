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
  useEffect(() => source.watch(() => redraw((n) => n + 1)), [source]);
  return source.get();
}
