/** Small words for lists and counts. */

export function list(words: string[]): string {
  if (words.length <= 1) return words.join("");
  return `${words.slice(0, -1).join(", ")} and ${words.at(-1) ?? ""}`;
}

const NUMBERS = ["No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine"];

export function count(n: number, one: string, many: string): string {
  return `${NUMBERS[n] ?? n} ${n === 1 ? one : many}`;
}
