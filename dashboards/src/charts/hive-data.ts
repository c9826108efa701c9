/** What a hive's charts show, as it comes from the API. */
import { useMemo } from "preact/hooks";
import { useQuery } from "../data/query";
import { useSignal, type Signal } from "../data/signal";
import type { Columns, Fill, Fills, Flag, HiveFlags, HiveWeight, ShelfHive, ShelfYard, Uptake, UptakeTotal, VolumeColumns, WeightDay, YardDeclaration } from "../data/types";
import { dateOf } from "../time/zone";
import { decode, EMPTY, refine, type Series } from "./series";
import { detailWindow, type View } from "./view";

/** Points for a season, and for a stretch of it: about two for each pixel of a wide screen. */
const POINTS = 1500;

export interface Known {
  scale: Series;
  volume: { feeder: string; capacity_l: number; series: Series; left_out: Series }[];
  temperature: Series;
  /** All feeders of a day together. */
  uptake: UptakeTotal[];
  weight: WeightDay[];
  fills: Fill[];
  flags: Flag[];
}

// The same ones each time, so that what rests on them is not made again.
const NO_DAYS: UptakeTotal[] = [];
const NO_NIGHTS: WeightDay[] = [];
const NO_FILLS: Fill[] = [];
const NO_FLAGS: Flag[] = [];

/** Everything the charts show: the season's overview at once, the detail of the view as it is asked for. */
export function useHiveData(hive: ShelfHive, yard: ShelfYard, bounds: View, view: Signal<View>): Known {
  const shown_view = useSignal(view);
  const base = `/api/v1/hives/${encodeURIComponent(hive.id)}`;
  const days = `from=${dateOf(bounds.from, yard.timezone)}&to=${dateOf(bounds.to, yard.timezone)}`;
  const uptake = useQuery<Uptake>(`${base}/uptake?${days}`);
  const weight = useQuery<HiveWeight>(`${base}/weight?${days}`);
  const moments = `from=${new Date(bounds.from).toISOString()}&to=${new Date(bounds.to).toISOString()}`;
  const fills = useQuery<Fills>(`${base}/fills?${moments}`);
  const flags = useQuery<HiveFlags>(`${base}/flags`);
  const declared = useQuery<YardDeclaration>(`/api/v1/yards/${encodeURIComponent(yard.id)}`);
  const weather = declared.data?.weather ?? null;
  const first = hive.feeders[0]?.id ?? null;
  const second = hive.feeders[1]?.id ?? null;
  const window = detailWindow(shown_view, bounds);
  const scale = useSeries(`${base}/scale?`, bounds, window);
  const volumeA = useVolume(first, bounds, window);
  const volumeB = useVolume(second, bounds, window);
  const station = weather === null ? null : `/api/v1/readings?device=${encodeURIComponent(weather)}&channel=temperature&`;
  const temperature = useSeries(station, bounds, window);
  return useMemo(
    () => ({
      scale,
      volume: [volumeA, volumeB].flatMap((series, i) => {
        const feeder = hive.feeders[i];
        return feeder === undefined ? [] : [{ feeder: feeder.id, capacity_l: feeder.capacity_l, ...series }];
      }),
      temperature,
      uptake: uptake.data?.totals ?? NO_DAYS,
      weight: weight.data?.days ?? NO_NIGHTS,
      fills: fills.data?.fills ?? NO_FILLS,
      flags: flags.data?.flags ?? NO_FLAGS,
    }),
    [hive.feeders, scale, volumeA, volumeB, temperature, uptake.data, weight.data, fills.data, flags.data],
  );
}

function useSeries(base: string | null, bounds: View, detail: View | null): Series {
  const { overview, finer } = useColumns<Columns>(base, bounds, detail);
  return useRefined(overview, finer, detail);
}

/** A feeder's level, and the readings that were left out of it. */
function useVolume(feeder: string | null, bounds: View, detail: View | null): { series: Series; left_out: Series } {
  const base = feeder === null ? null : `/api/v1/feeders/${encodeURIComponent(feeder)}/volume?`;
  const { overview, finer } = useColumns<VolumeColumns>(base, bounds, detail);
  const series = useRefined(overview, finer, detail);
  const left_out = useRefined(overview?.left_out, finer?.left_out, detail);
  return useMemo(() => ({ series, left_out }), [series, left_out]);
}

function useColumns<T extends Columns>(base: string | null, bounds: View, detail: View | null): { overview: T | undefined; finer: T | undefined } {
  const path = (view: View) =>
    `${base ?? ""}from=${new Date(view.from).toISOString()}&to=${new Date(view.to).toISOString()}&points=${POINTS}`;
  const overview = useQuery<T>(base === null ? null : path(bounds));
  // There is nothing finer than readings that came whole.
  const finer = useQuery<T>(base === null || detail === null || overview.data?.reduced !== true ? null : path(detail));
  return { overview: overview.data, finer: finer.data };
}

function useRefined(overview: Columns | undefined, finer: Columns | undefined, detail: View | null): Series {
  const coarse = useMemo(() => (overview === undefined ? EMPTY : decode(overview)), [overview]);
  const fine = useMemo(() => (finer === undefined ? EMPTY : decode(finer)), [finer]);
  const from = detail?.from ?? 0;
  const to = detail?.to ?? 0;
  return useMemo(() => refine(coarse, fine, from, to), [coarse, fine, from, to]);
}
