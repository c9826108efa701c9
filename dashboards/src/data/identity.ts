/** Ids as the API takes them: 1 to 64 of letters, digits, dot, underscore, hyphen. */

/** "Mill meadow" becomes "mill-meadow", with a number where that is taken. */
export function idFrom(name: string, taken: Iterable<string>): string {
  const plain = name
    .normalize("NFKD")
    .replace(/[\u0300-\u036f]/g, "")
    .toLowerCase()
    .replace(/[^a-z0-9]+/g, "-")
    .replace(/^-+|-+$/g, "")
    .slice(0, 48);
  const base = plain === "" ? "place" : plain;
  const known = new Set(taken);
  if (!known.has(base)) return base;
  for (let n = 2; ; n++) if (!known.has(`${base}-${n}`)) return `${base}-${n}`;
}

/** A number nobody else has; also where a page without TLS has no `randomUUID`. */
export function freshId(): string {
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
