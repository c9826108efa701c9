import type { ComponentChildren, ComponentType } from "preact";
import { useEffect, useState } from "preact/hooks";

interface Part<P> {
  /** Draws it as soon as its code is here, and `meanwhile` until then. */
  (props: P & { meanwhile?: ComponentChildren }): ComponentChildren;
  /** Fetches its code now. */
  fetch: () => Promise<void>;
}

/** A part whose code comes after the first picture. The worker keeps all parts, so that they open without signal. */
export function later<P extends object>(load: () => Promise<ComponentType<P>>): Part<P> {
  let here: ComponentType<P> | null = null;
  const fetch = async () => {
    here ??= await load();
  };
  const part = ({ meanwhile = null, ...props }: P & { meanwhile?: ComponentChildren }) => {
    const [, redraw] = useState(0);
    const [lost, setLost] = useState(false);
    useEffect(() => {
      if (here !== null) return;
      const attempt = () =>
        void fetch().then(
          () => redraw((n) => n + 1),
          () => setLost(true),
        );
      attempt();
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
