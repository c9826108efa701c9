import { signal } from "../data/signal";
import { MINUTE } from "../time/zone";

/** The device's clock, so that ages on the screen grow. */
export const now = signal(Date.now());

export function startClock(): void {
  setInterval(() => now.set(Date.now()), MINUTE / 2);
}
