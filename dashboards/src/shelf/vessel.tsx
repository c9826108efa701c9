import { useId } from "preact/hooks";
import type { Estimate, FeederKind } from "../data/types";
import { SHAPES, heightOf } from "./shapes";

export interface VesselProps {
  kind: FeederKind;
  capacity_l: number;
  /** What is left; null is not known, and is drawn as an outline, never as empty. */
  remaining_l: Estimate | null;
  tomorrow_night_l?: number | null;
  silent?: boolean;
}

/** One feeder with its level: firm where it is known, fading where it may be, dashed for tomorrow night. */
export function Vessel({ kind, capacity_l, remaining_l, tomorrow_night_l = null, silent = false }: VesselProps) {
  const shape = SHAPES[kind];
  const clip = useId();
  const unseen = silent || remaining_l === null;
  const y = (litres: number) => heightOf(shape, litres / capacity_l);
  return (
    <svg
      class={`vessel ${unseen ? "vessel-unseen" : ""}`}
      viewBox={`-3 0 ${shape.width + 6} 100`}
      data-kind={kind}
      aria-hidden="true"
    >
      <clipPath id={clip}>
        <path d={shape.inside} />
      </clipPath>
      {!unseen && (
        <g clip-path={`url(#${clip})`}>
          <Level lo={y(remaining_l.lo)} middle={y(remaining_l.value)} hi={y(remaining_l.hi)} width={shape.width} />
        </g>
      )}
      <path class="vessel-ink" d={shape.outline} />
      {!unseen && tomorrow_night_l !== null && (
        <path class="vessel-tomorrow" d={`M-2 ${y(tomorrow_night_l)}H${shape.width + 2}`} />
      )}
    </svg>
  );
}

function Level({ lo, middle, hi, width }: { lo: number; middle: number; hi: number; width: number }) {
  return (
    <>
      <rect class="syrup" x="0" y={lo} width={width} height={Math.max(0, 100 - lo)} />
      {lo > hi && <rect class="syrup-fade" x="0" y={hi} width={width} height={lo - hi} />}
      <path class="syrup-line" d={`M0 ${middle}H${width}`} />
    </>
  );
}

/** The fills that all vessels share; stands once in the page. */
export function VesselInks() {
  return (
    <svg class="inks" width="0" height="0" aria-hidden="true" focusable="false">
      <defs>
        <linearGradient id="syrup-fade" x1="0" y1="0" x2="0" y2="1">
          <stop class="fade-top" offset="0" />
          <stop class="fade-foot" offset="1" />
        </linearGradient>
        <pattern id="syrup-hatch" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
          <rect class="hatch-line" width="4" height="8" />
        </pattern>
      </defs>
    </svg>
  );
}
