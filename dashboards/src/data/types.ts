/**
 * What the HTTP API sends and takes, under the names that the pages use. The types are generated from the
 * API's own description (`npm run types`), so that no page can believe in a field that is not there.
 */
import type { Flag, Sensor } from "./api.gen";

export type {
  Assigned as Place,
  Columns,
  Device,
  Devices,
  Estimate,
  Feeder as FeederDeclaration,
  FeederInput,
  FeederKind,
  FeederShelf as ShelfFeeder,
  Feeders,
  Fill,
  FillRecord,
  FillRecordInput,
  FillSource,
  Fills,
  Flag,
  FlagKind,
  FlagKinds,
  Flags,
  Goal,
  Hive as HiveDeclaration,
  HiveFlags,
  HiveInput,
  HiveShelf as ShelfHive,
  HiveWeight,
  LearnAnewRequest,
  Learned,
  MixRequest,
  MixResponse,
  NoticeState,
  Notices,
  People,
  Person,
  PlaceRequest,
  Problem,
  Quarantine,
  QuarantineEntry,
  Removed,
  Replay,
  ReplayRequest,
  Scale as Assignment,
  Sensor as SensorDeclaration,
  Settings,
  Severity,
  Shelf,
  Total,
  Totals,
  Trait,
  UnitSystem,
  Uptake,
  UptakeDay,
  UptakeTotal,
  Verdict,
  Volume as VolumeColumns,
  WayKind,
  WeightDay,
  Yard as YardDeclaration,
  YardInput,
  YardShelf as ShelfYard,
} from "./api.gen";

/** How a sensor sits over a feeder, and what the feeder is like inside. */
export type SensorShape = Pick<Sensor, "mount_m" | "area_m2" | "table">;

/** What a flag says in words. */
export type FlagTexts = Flag["texts"];
