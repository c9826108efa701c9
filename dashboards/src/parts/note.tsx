import { signal, useSignal } from "../data/signal";

interface Note {
  words: string;
  undo: (() => void) | null;
}

const note = signal<Note | null>(null);
let timer = 0;

/** How long undo stays within reach. */
const SHOWN_MS = 12_000;

/** Says what was done, and offers to undo it. */
export function say(words: string, undo: (() => void) | null = null): void {
  note.set({ words, undo });
  window.clearTimeout(timer);
  timer = window.setTimeout(() => note.set(null), SHOWN_MS);
}

export function NoteBar() {
  const shown = useSignal(note);
  return (
    <div class="note" role="status" aria-live="polite">
      {shown !== null && (
        <div class="note-body">
          <span>{shown.words}</span>
          {shown.undo !== null && (
            <button
              type="button"
              onClick={() => {
                shown.undo?.();
                note.set(null);
              }}
            >
              Undo
            </button>
          )}
        </div>
      )}
    </div>
  );
}
