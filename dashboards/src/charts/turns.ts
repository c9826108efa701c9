/** Work that may wait: one piece at a time, with room between for fingers and drawing. */
const waiting: (() => void)[] = [];

/** Does `work` when its turn comes. The answer takes it back, if it is not done by then. */
export function inTurn(work: () => void): () => void {
  waiting.push(work);
  if (waiting.length === 1) setTimeout(next, 0);
  return () => {
    const place = waiting.indexOf(work);
    // The first one's time is running already: it stays, and does nothing.
    if (place === 0) waiting[0] = () => undefined;
    else if (place > 0) waiting.splice(place, 1);
  };
}

function next(): void {
  const work = waiting[0];
  try {
    work?.();
  } finally {
    waiting.shift();
    if (waiting.length > 0) setTimeout(next, 0);
  }
}
