/** How far below the screen a chart is drawn ahead. */
const AHEAD = "160px";

/**
 * Does `work` once the element comes near the screen, or goes on paper. The answer takes it back, if
 * it is not done by then.
 */
export function whenNear(element: Element, work: (paper: boolean) => void): () => void {
  const watcher = new IntersectionObserver(
    (entries) => {
      if (entries.some((entry) => entry.isIntersecting)) now(false);
    },
    { rootMargin: AHEAD },
  );
  const onPaper = () => now(true);
  const stop = () => {
    watcher.disconnect();
    removeEventListener("beforeprint", onPaper);
  };
  const now = (paper: boolean) => {
    stop();
    work(paper);
  };
  watcher.observe(element);
  addEventListener("beforeprint", onPaper);
  return stop;
}
