/** The words for flags, which the API sends: here is only what stands in for those not there yet. */
import type { Flag, FlagKind, FlagKinds, FlagTexts, Severity } from "../data/types";

const ORDER: readonly Severity[] = ["urgent", "warning", "info"];

/** Most pressing first, then the surest. */
export function byUrgency(a: Flag, b: Flag): number {
  return ORDER.indexOf(a.severity) - ORDER.indexOf(b.severity) || b.probability - a.probability;
}

/** A flag as it may have been kept by pages that knew no texts yet. */
type KeptFlag = Omit<Flag, "texts"> & { texts?: FlagTexts };

/** What a flag says. One that was kept before the API sent texts is told by the name of its kind until it is asked for again. */
export function textsOf(flag: KeptFlag): FlagTexts {
  if (flag.texts !== undefined) return flag.texts;
  const word = nameOf(flag.kind);
  const place = flag.hive ?? flag.device ?? flag.yard ?? "Larder";
  return { word, place, sentence: `${place} is flagged: ${word}.`, many: `are flagged: ${word}`, act: "", caution: null, when: flag.severity, sure: "probability" };
}

/** A kind in a word or two; by its name while the list of kinds has not been seen. */
export function wordOf(kinds: FlagKinds | undefined, kind: FlagKind): string {
  return kinds?.kinds.find((each) => each.kind === kind)?.word ?? nameOf(kind);
}

/** What someone hears of who is told from each severity on, the fewest first. */
export function toldFrom(kinds: FlagKinds | undefined): { value: Severity; words: string }[] {
  if (kinds === undefined) return ORDER.map((value) => ({ value, words: value }));
  return kinds.severities.map(({ severity, told }) => ({ value: severity, words: told }));
}

function nameOf(kind: FlagKind): string {
  return kind.replaceAll("_", " ");
}
