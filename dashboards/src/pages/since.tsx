import { TextField } from "../parts/fields";
import { MINUTE } from "../time/zone";

interface Props {
  /** It had no place before, so no date is needed. */
  fresh: boolean;
  /** ms; null: from its first reading on. */
  value: number | null;
  onChange: (value: number | null) => void;
}

/** The moment from which something holds, by this device's clock. */
export function Since({ fresh, value, onChange }: Props) {
  const written = value === null ? "" : new Date(value - new Date(value).getTimezoneOffset() * MINUTE).toISOString().slice(0, 16);
  return (
    <TextField
      label="Since when"
      type="datetime-local"
      value={written}
      onInput={(text) => onChange(text === "" ? (fresh ? null : Date.now()) : Date.parse(text))}
      hint={fresh ? "Left empty: from its first reading on." : "By this device's clock. What was before stays as it was."}
    />
  );
}
