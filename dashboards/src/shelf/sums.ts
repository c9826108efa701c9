/** What stands out on a shelf, and the sentences about it. Pure. */
import type { Flag, Shelf, ShelfHive, ShelfYard } from "../data/types";
import { openFlags } from "./shelf";
import { byUrgency } from "../flags/words";
import { count, list } from "./words";

/** Everything open in a yard, its hives' flags and its own, most pressing first. */
export function yardFlags(yard: ShelfYard): Flag[] {
  const all = [...yard.flags, ...yard.hives.flatMap((hive) => hive.flags)].filter((f) => f.closed_at === null && f.state !== "withdrawn" && !f.quiet);
  const seen = new Set<string>();
  return all.filter((flag) => !seen.has(flag.id) && seen.add(flag.id)).sort(byUrgency);
}

/** Yards with the most pressing first, otherwise as they come. */
export function byNeed(yards: ShelfYard[]): ShelfYard[] {
  const need = (yard: ShelfYard) => {
    const flags = yardFlags(yard);
    if (flags.some((f) => f.severity === "urgent")) return 0;
    return flags.some((f) => f.severity === "warning") ? 1 : 2;
  };
  return [...yards].sort((a, b) => need(a) - need(b));
}

/** The first line of Today: what must I do? */
export function todaySentence(shelf: Shelf): string {
  if (shelf.yards.length === 0) return "Nothing stands here yet.";
  const flags = shelf.yards.flatMap(yardFlags);
  const urgent = flags.filter((f) => f.severity === "urgent");
  const next = flags.filter((f) => f.severity === "warning");
  if (urgent.length > 0) {
    const yards = byNeed(shelf.yards).filter((yard) => yardFlags(yard).some((f) => f.severity === "urgent"));
    const names = yards.length <= 3 ? list(yards.map((y) => y.name)) : count(yards.length, "yard", "yards");
    return `${names} ${yards.length === 1 ? "needs" : "need"} you today.`;
  }
  if (next.length > 0) return `Nothing today. ${count(next.length, "thing", "things")} for the next trip.`;
  return "Nothing needs doing.";
}

/** The first line of a yard: how does it stand? */
export function yardSentence(yard: ShelfYard): string {
  const hives = count(yard.hives.length, "hive", "hives").toLowerCase();
  if (yard.hives.length === 0) return `${yard.name} has no hives yet.`;
  const odd = yard.hives.filter((hive) => openFlags(hive, yard).some((f) => f.severity !== "info" && !f.quiet));
  if (odd.length === 0) return `${yard.name}: all ${hives} stand well.`;
  if (odd.length === yard.hives.length) return `${yard.name}: ${hives}, and each wants something.`;
  if (odd.length > 3) return `${yard.name}: ${odd.length} of ${hives} want something.`;
  return `${yard.name}: ${list(odd.map((h) => h.name))} ${odd.length === 1 ? "stands" : "stand"} out among ${hives}.`;
}

export function findHive(shelf: Shelf, id: string): { yard: ShelfYard; hive: ShelfHive } | null {
  for (const yard of shelf.yards) {
    const hive = yard.hives.find((h) => h.id === id);
    if (hive !== undefined) return { yard, hive };
  }
  return null;
}
