/** Figures: weight of the first load, and the pace of the charts on a whole season at full resolution. */
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { expect, test, type Page } from "@playwright/test";
import { DESK, open } from "./looks";

test("the whole application is under 100 kB compressed, charts included", () => {
  const out = join(import.meta.dirname, "../dist");
  const files = ["index.html", "icon.svg", "larder.webmanifest", ...readdirSync(join(out, "assets")).map((name) => `assets/${name}`)];
  const sizes = (suffix: string) =>
    files.filter((name) => !/\.(br|gz)$/.test(name)).map((name) => readFileSync(join(out, name + suffix)).length);
  const total = (bytes: number[]) => bytes.reduce((sum, n) => sum + n, 0);
  const figures = { gzip_bytes: total(sizes(".gz")), brotli_bytes: total(sizes(".br")) };
  console.log(figures);
  expect(figures.gzip_bytes).toBeLessThan(100_000);
});

const POINTS = 26_000;
const STEP_MS = 300_000;

/** Answers the three channels with a season at five minutes, unreduced. */
async function serveSeason(page: Page): Promise<void> {
  const start = Math.floor(Date.now() / STEP_MS) * STEP_MS - POINTS * STEP_MS;
  const columns = (unit: string, at: (i: number) => number) =>
    JSON.stringify({
      unit,
      reduced: false,
      start_ms: start,
      step_ms: Array.from({ length: POINTS }, (_, i) => (i === 0 ? 0 : STEP_MS)),
      value: Array.from({ length: POINTS }, (_, i) => Math.round(at(i) * 1000) / 1000),
    });
  const weight = columns("kg", (i) => 40 + i / 2000 + Math.sin(i / 40) * 0.3 + Math.sin(i * 7.3) * 0.05);
  const volume = columns("l", (i) => 8 - ((i / 200) % 8) + Math.sin(i * 5.1) * 0.05);
  const warmth = columns("Cel", (i) => 12 + 8 * Math.sin(i / 46) + Math.sin(i * 3.3) * 0.4);
  const answer = (body: string) => ({ contentType: "application/json", body });
  await page.route(/\/scale\?/, (route) => route.fulfill(answer(weight)));
  await page.route(/\/volume\?/, (route) => route.fulfill(answer(volume)));
  await page.route(/\/readings\?/, (route) => route.fulfill(answer(warmth)));
}

test("a season at five minutes, three channels: drawn and panned", async ({ page, request }) => {
  await request.post("/api/v1/mock", { data: {} });
  await serveSeason(page);
  // Notes when the last large answer was decoded, and the first and the last line drawn after it.
  await page.addInitScript(() => {
    const seen = { decoded: 0, first: 0, drawn: 0, lines: 0 };
    Object.assign(window, { seen });
    const json = Object.getOwnPropertyDescriptor(Response.prototype, "json")?.value as () => Promise<unknown>;
    Response.prototype.json = async function (this: Response) {
      const body = await json.call(this);
      if (/\/(scale|volume|readings)\?/.test(this.url)) {
        seen.decoded = performance.now();
        seen.first = 0;
      }
      return body;
    };
    const stroke = Object.getOwnPropertyDescriptor(CanvasRenderingContext2D.prototype, "stroke")?.value as (path?: Path2D) => void;
    CanvasRenderingContext2D.prototype.stroke = function (this: CanvasRenderingContext2D, path?: Path2D) {
      if (path === undefined) stroke.call(this);
      else stroke.call(this, path);
      seen.drawn = performance.now();
      if (path === undefined) return;
      seen.lines += 1;
      if (seen.first === 0) seen.first = seen.drawn;
    };
  });
  await open(page, "/hives/ridge-1", { viewport: DESK, theme: "day" });
  await expect(page.locator(".stack canvas")).not.toHaveCount(0);
  await page.waitForFunction(() => (window as unknown as { seen: { lines: number; first: number } }).seen.first > 0);
  const drawn_ms = await page.evaluate(() => {
    const { seen } = window as unknown as { seen: { decoded: number; first: number } };
    return seen.first - seen.decoded;
  });
  await page.getByRole("button", { name: "Season" }).click();

  const redraw = await page.evaluate(async () => {
    const button = [...document.querySelectorAll<HTMLButtonElement>(".ranges button")].find((b) => b.textContent === "Season");
    const { seen } = window as unknown as { seen: { drawn: number } };
    const begun = performance.now();
    button?.click();
    await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
    return Math.max(0, seen.drawn - begun);
  });

  await page.getByRole("button", { name: "Month" }).click();
  const stack = page.locator(".stack");
  await stack.scrollIntoViewIfNeeded();
  const box = await stack.boundingBox();
  if (box === null) throw new Error("the charts have no place");
  await page.mouse.move(box.x + 300, box.y + 120);
  await page.mouse.down();
  const frames = page.evaluate(
    () =>
      new Promise<number[]>((done) => {
        const gaps: number[] = [];
        let before = performance.now();
        const step = (now: number) => {
          gaps.push(now - before);
          before = now;
          if (gaps.length < 120) requestAnimationFrame(step);
          else done(gaps.slice(1));
        };
        requestAnimationFrame(step);
      }),
  );
  for (let i = 0; i < 200; i++) await page.mouse.move(box.x + 300 + i * 3, box.y + 120);
  const gaps = (await frames).sort((a, b) => a - b);
  await page.mouse.up();
  const at = (share: number) => Math.round((gaps[Math.floor(gaps.length * share)] ?? 0) * 10) / 10;
  const figures = { points: 3 * POINTS, drawn_after_decoding_ms: Math.round(drawn_ms), season_redraw_ms: Math.round(redraw), frame_p50_ms: at(0.5), frame_p95_ms: at(0.95) };
  test.info().annotations.push({ type: "figures", description: JSON.stringify(figures) });
  console.log(figures);
  expect(gaps).toHaveLength(119);
});
