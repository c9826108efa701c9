import type { ComponentChildren } from "preact";
import { useState } from "preact/hooks";

interface Props {
  summary: string;
  class?: string;
  /** Drawn from the first time it is opened on. */
  children: () => ComponentChildren;
}

/** Something that most visits do without: its line is there, the rest is made when it is opened. */
export function Fold({ summary, class: name, children }: Props) {
  const [opened, setOpened] = useState(false);
  return (
    <details class={name} onToggle={() => setOpened(true)}>
      <summary>{summary}</summary>
      {opened && children()}
    </details>
  );
}
