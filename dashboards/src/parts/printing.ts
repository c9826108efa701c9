import { useEffect, useState } from "preact/hooks";

/** Whether the page is being put on paper; what only paper shows is drawn only then. */
export function usePrinting(): boolean {
  const [printing, setPrinting] = useState(() => matchMedia("print").matches);
  useEffect(() => {
    const media = matchMedia("print");
    const follow = () => setPrinting(media.matches);
    const before = () => setPrinting(true);
    media.addEventListener("change", follow);
    addEventListener("beforeprint", before);
    return () => {
      media.removeEventListener("change", follow);
      removeEventListener("beforeprint", before);
    };
  }, []);
  return printing;
}
