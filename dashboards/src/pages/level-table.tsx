import { NumberField } from "../parts/fields";

/** One line of a feeder's table: so deep, so much. Null is not written yet. */
export interface Row {
  depth_m: number | null;
  litres: number | null;
}

/** Pour a known amount, measure how deep it stands, write both down; from empty to full. */
export function LevelTable({ rows, onChange }: { rows: Row[]; onChange: (rows: Row[]) => void }) {
  const change = (at: number, part: Partial<Row>) => onChange(rows.map((row, i) => (i === at ? { ...row, ...part } : row)));
  return (
    <fieldset class="level-table">
      <legend>How much stands in it at which depth</legend>
      <p class="hint">Pour in a known amount of water, measure how deep it stands, write both down; again until it is full. Between two lines Larder takes a straight one.</p>
      {rows.map((row, i) => (
        <div class="level-row" key={i}>
          <NumberField label={`Depth ${i + 1}`} quantity="length" value={row.depth_m} onChange={(depth_m) => change(i, { depth_m })} />
          <NumberField label={`Holds ${i + 1}`} quantity="volume" value={row.litres} onChange={(litres) => change(i, { litres })} />
        </div>
      ))}
      <p class="row">
        <button class="button" type="button" onClick={() => onChange([...rows, { depth_m: null, litres: null }])}>
          One more line
        </button>
        <button class="button" type="button" disabled={rows.length <= 2} onClick={() => onChange(rows.slice(0, -1))}>
          Drop the last line
        </button>
      </p>
    </fieldset>
  );
}

/** The lines that are written, as the API takes them. */
export function tableOf(rows: Row[]): [number, number][] {
  return rows.flatMap(({ depth_m, litres }) => (depth_m === null || litres === null ? [] : [[depth_m, litres] as [number, number]]));
}

/** What is wrong with a table, in a sentence. */
export function tableProblem(rows: Row[]): string | null {
  if (rows.some((row) => (row.depth_m === null) !== (row.litres === null))) return "Each line needs both: how deep it stands and how much that is.";
  const table = tableOf(rows);
  if (table.length < 2) return "A table needs two lines or more: the empty feeder and the full one.";
  const stuck = table.findIndex(([depth, litres], i) => {
    const before = table[i - 1];
    return before !== undefined && (depth <= before[0] || litres <= before[1]);
  });
  return stuck < 0 ? null : `Line ${stuck + 1} must be deeper and hold more than the one before it.`;
}
