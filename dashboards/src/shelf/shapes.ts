/** The vessels, drawn as the things they are. One height for all: 100 units stand on the plank. */
import type { FeederKind } from "../data/types";

export interface VesselShape {
  /** Units wide, of 100 high. */
  width: number;
  /** Where syrup can stand: a closed path. */
  inside: string;
  /** What is drawn in ink. */
  outline: string;
  /** y of full and of empty. */
  full: number;
  empty: number;
  words: string;
}

export const SHAPES: Record<FeederKind, VesselShape> = {
  // Flat under the lid, with the chimney in the middle through which bees come up.
  tray: {
    width: 96,
    inside: "M4 56H42V97H4ZM54 56H92V97H54Z",
    outline: "M4 52V98H92V52M42 98V54H54V98M1 52H7M89 52H95",
    full: 58,
    empty: 97,
    words: "tray feeder",
  },
  // Hangs between the combs by its top bar.
  frame: {
    width: 48,
    inside: "M9 12H39V96Q39 97 38 97H10Q9 97 9 96Z",
    outline: "M1 8H47M9 8V95Q9 98 12 98H36Q39 98 39 95V8",
    full: 15,
    empty: 97,
    words: "frame feeder",
  },
  // Stands on its head over a hole in the lid.
  pail: {
    width: 76,
    inside: "M16 24H60L67 88H9Z",
    outline: "M9 88L16 24H60L67 88M5 88H71V98H5Z",
    full: 27,
    empty: 88,
    words: "pail feeder",
  },
  jar: {
    width: 56,
    inside: "M16 22H40Q46 22 46 30V72Q46 80 41 84V90H15V84Q10 80 10 72V30Q10 22 16 22Z",
    outline: "M15 88V84Q10 80 10 72V30Q10 22 16 22H40Q46 22 46 30V72Q46 80 41 84V88M12 88H44V98H12Z",
    full: 25,
    empty: 90,
    words: "jar feeder",
  },
  // A jar on a trough that reaches into the entrance.
  entrance: {
    width: 84,
    inside: "M12 36H38Q44 36 44 42V84H6V42Q6 36 12 36Z",
    outline: "M6 86V42Q6 36 12 36H38Q44 36 44 42V86M2 86H82V92H52V98H2Z",
    full: 39,
    empty: 86,
    words: "entrance feeder",
  },
};

/** The height at which a share of the capacity stands; stays within the vessel. */
export function heightOf(shape: VesselShape, share: number): number {
  const held = Math.min(1, Math.max(0, share));
  return shape.empty - held * (shape.empty - shape.full);
}
