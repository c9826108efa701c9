import { useState } from "preact/hooks";
import { units } from "../data/prefs";
import { useSignal } from "../data/signal";
import type { FeederDeclaration, SensorShape } from "../data/types";
import { Choice, NumberField } from "../parts/fields";
import { amount } from "../units/units";
import { LevelTable, tableOf, tableProblem, type Row } from "./level-table";

interface Props {
  /** What the channel measures. */
  base: string;
  feeder: FeederDeclaration;
  /** How a sensor sits there, or on a feeder like it. */
  known: SensorShape | undefined;
  name: string;
  onKeep: (shape: SensorShape) => void;
}

const WALLS: { value: "straight" | "table"; words: string }[] = [
  { value: "straight", words: "straight walls" },
  { value: "table", words: "any other shape" },
];

const FIRST_ROWS: Row[] = [{ depth_m: 0, litres: 0 }, { depth_m: null, litres: null }, { depth_m: null, litres: null }];

/** How a level becomes litres: by the floor's area where walls are straight, by a table where they are not. */
export function Geometry({ base, feeder, known, name, onKeep }: Props) {
  const system = useSignal(units);
  const [mount_m, setMount] = useState<number | null>(known?.mount_m ?? null);
  const [area_m2, setArea] = useState<number | null>(known?.area_m2 ?? null);
  const [walls, setWalls] = useState<"straight" | "table">(known?.table == null ? "straight" : "table");
  const [rows, setRows] = useState<Row[]>(() => known?.table?.map(([depth_m, litres]) => ({ depth_m, litres })) ?? FIRST_ROWS);
  const [problem, setProblem] = useState<string | null>(null);
  const needsMount = base === "distance";
  const needsShape = base === "distance" || base === "depth";
  const straight = needsShape && walls === "straight";
  const byTable = needsShape && walls === "table";

  const keep = (event: Event) => {
    event.preventDefault();
    const lacks = (needsMount && mount_m === null) || (straight && area_m2 === null);
    const wrong = lacks ? "Measure both and write them here; the litres follow from them." : byTable ? tableProblem(rows) : null;
    setProblem(wrong);
    if (wrong !== null) return;
    onKeep({ mount_m: needsMount ? mount_m : null, area_m2: straight ? area_m2 : null, table: byTable ? tableOf(rows) : null });
  };

  return (
    <form onSubmit={keep}>
      {needsMount && (
        <NumberField label="From the sensor's face down to the feeder's floor" quantity="length" value={mount_m} onChange={setMount} hint="Measure it with the feeder empty." />
      )}
      {needsShape && <Choice label="Inside, the feeder has" value={walls} choices={WALLS} onChoose={setWalls} />}
      {straight && (
        <NumberField
          label="Area of the syrup's surface"
          quantity="area"
          value={area_m2}
          onChange={setArea}
          hint={`Length times width inside, less what the bees' way up takes. The feeder holds ${amount(feeder.capacity_l, "volume", system)}.`}
        />
      )}
      {byTable && <LevelTable rows={rows} onChange={setRows} />}
      {problem !== null && <p class="caution">{problem}</p>}
      <button class="button main-action" type="submit">
        It watches {name}
      </button>
    </form>
  );
}
