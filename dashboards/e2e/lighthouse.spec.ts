/**
 * Lighthouse as it measures phones: a slow network and a processor four times slower than this one.
 * Against the service itself with the demo's yards. A single run says little on a machine that does
 * other work, so it is the median of five that counts.
 */
import { createServer, type AddressInfo } from "node:net";
import { loadavg } from "node:os";
import { chromium, expect, test } from "@playwright/test";
import lighthouse from "lighthouse";
import type { Shelf } from "../src/data/types";

const RUNS = 5;
const LEAST = 95;
const CATEGORIES = ["performance", "accessibility", "best-practices"] as const;
const TIMES = ["first-contentful-paint", "largest-contentful-paint", "total-blocking-time", "speed-index", "cumulative-layout-shift"] as const;

function freePort(): Promise<number> {
  return new Promise((found) => {
    const server = createServer().listen(0, "127.0.0.1", () => {
      const { port } = server.address() as AddressInfo;
      server.close(() => found(port));
    });
  });
}

function median(values: number[]): number {
  return [...values].sort((a, b) => a - b)[Math.floor(values.length / 2)] ?? NaN;
}

async function measure(url: string): Promise<Record<string, number>> {
  const port = await freePort();
  const executablePath = process.env["LARDER_CHROMIUM"] ?? "/usr/bin/chromium";
  const browser = await chromium.launch({ executablePath, args: ["--no-sandbox", `--remote-debugging-port=${port}`] });
  try {
    const result = await lighthouse(url, { port, logLevel: "error", onlyCategories: [...CATEGORIES] });
    if (result === undefined) throw new Error(`Lighthouse says nothing of ${url}`);
    const { categories, audits, environment } = result.lhr;
    const failed = Object.values(audits).filter((a) => a.scoreDisplayMode === "binary" && a.score === 0);
    if (failed.length > 0) console.log(failed.map((a) => `${a.id}: ${a.title}`).join("; "));
    return Object.fromEntries([
      ...CATEGORIES.map((name) => [name, Math.round((categories[name]?.score ?? 0) * 100)]),
      ...TIMES.map((name) => [name, audits[name]?.numericValue ?? NaN]),
      ["main-thread-ms", audits["mainthread-work-breakdown"]?.numericValue ?? NaN],
      ["machine", environment.benchmarkIndex],
    ]) as Record<string, number>;
  } finally {
    await browser.close();
  }
}

for (const name of ["today", "yard", "hive"] as const) {
  test(`Lighthouse on a phone: ${name}`, async ({ request, baseURL }) => {
    test.setTimeout(600_000);
    const shelf = (await (await request.get("/api/v1/shelf")).json()) as Shelf;
    const yard = shelf.yards[0];
    const hive = yard?.hives.find((h) => h.feeders.length > 0);
    const paths = { today: "/", yard: `/yards/${yard?.id ?? ""}`, hive: `/hives/${hive?.id ?? ""}` };
    const runs: Record<string, number>[] = [];
    while (runs.length < RUNS) runs.push(await measure(new URL(paths[name], baseURL).href));
    const middle = Object.fromEntries(Object.keys(runs[0] ?? {}).map((key) => [key, median(runs.map((run) => run[key] ?? NaN))]));
    const figures = { ...middle, load: loadavg()[0], each: runs.map((run) => run["performance"]) };
    test.info().annotations.push({ type: "figures", description: JSON.stringify(figures) });
    console.log(name, figures);
    for (const category of CATEGORIES) expect(middle[category], category).toBeGreaterThanOrEqual(LEAST);
  });
}
