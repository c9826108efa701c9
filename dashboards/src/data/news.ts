/** Which kept answers news from the server touches. Pure. */

/** What `results` and `flags` name; the newest pages may listen to an older server, which names nothing. */
export interface Touched {
  yards?: string[];
  hives?: string[];
  flags?: { yard: string | null; hive: string | null }[];
}

/** Whether new results or flags of these places change what was asked at `path`. */
export function concerns(path: string, { yards, hives, flags }: Touched): boolean {
  if (isReadings(path)) return false;
  const touchedHives = hives ?? flags?.map((flag) => flag.hive);
  const touchedYards = yards ?? flags?.map((flag) => flag.yard);
  const hive = /^\/api\/v1\/hives\/([^/?]+)/.exec(path)?.[1];
  if (hive !== undefined && touchedHives !== undefined) return touchedHives.includes(decodeURIComponent(hive));
  const yard = /^\/api\/v1\/yards\/([^/?]+)/.exec(path)?.[1];
  if (yard !== undefined && touchedYards !== undefined) return touchedYards.includes(decodeURIComponent(yard));
  return true;
}

/** Curves of single readings: they are asked for again when the view moves. */
export function isReadings(path: string): boolean {
  return /\/(readings|scale|volume)\?/.test(path);
}
