import type { ComponentChildren, ComponentType } from "preact";
import { useEffect, useState } from "preact/hooks";

interface Part<P> {
  /** Draws it as soon as its code is here, and `meanwhile` until then. */
  (props: P & { meanwhile?: ComponentChildren }): ComponentChildren;
  /** Fetches its code now. */
  fetch: () => Promise<void>;
}

/** A first picture is drawn by then. */
const AFTER_PICTURE_MS = 200;

/** A part whose code comes after the first picture. The worker keeps all parts, so that they open without signal. */
export function later<P extends object>(load: () => Promise<ComponentType<P>>): Part<P> {
  let here: ComponentType<P> | null = null;
  const fetch = async () => {
    here ??= await load();
  };
  const part = ({ meanwhile = null, ...props }: P & { meanwhile?: ComponentChildren }) => {
    const [, show] = useState(false);
    const [lost, setLost] = useState(false);
    const attempt = () =>
      void fetch().then(
        () => show(true),
        () => setLost(true),
      );
    // As soon as the first picture stands; an effect that comes late, or finds the code here already, holds nothing up.
    useState(() => here === null && setTimeout(attempt, AFTER_PICTURE_MS));
    useEffect(() => {
      if (here === null) attempt();
      addEventListener("online", attempt);
      return () => removeEventListener("online", attempt);
    }, []);
    const Here = here;
    if (Here !== null) return <Here {...(props as unknown as P)} />;
    return lost ? <Lost /> : meanwhile;
  };
  return Object.assign(part, { fetch });
}

/** No signal, or a newer version took this one's place. */
function Lost() {
  return (
    <p>
      This part of Larder is not on this device yet; it comes with signal.{" "}
      <button type="button" class="button" onClick={() => location.reload()}>
        Load the page again
      </button>
    </p>
  );
}
