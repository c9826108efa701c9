/**
 * The pages served by the service itself: LARDER_URL, or the demo of LARDER_BIN. What stands in its
 * yards is asked of the API first, so any apiary with a hive and a feeder will do.
 */
import { expect, test, type APIRequestContext, type Page } from "@playwright/test";
import type { Shelf, ShelfFeeder, ShelfHive } from "../src/data/types";
import { complaints, DESK, expectAccessible, expectNoOverflow, expectThumbSized, open, PHONE, settled, THEMES, wear } from "./looks";

async function shelfOf(request: APIRequestContext): Promise<Shelf> {
  return (await (await request.get("/api/v1/shelf")).json()) as Shelf;
}

async function fedHive(request: APIRequestContext): Promise<{ hive: ShelfHive; feeder: ShelfFeeder }> {
  const shelf = await shelfOf(request);
  for (const hive of shelf.yards.flatMap((yard) => yard.hives)) {
    const [feeder] = hive.feeders;
    if (feeder?.remaining_l !== null && feeder !== undefined) return { hive, feeder };
  }
  throw new Error("no hive has a feeder whose level is known");
}

/** Bytes over the wire, compressed, by whether they are answers of the API. */
async function weigh(page: Page): Promise<{ shell: () => number; api: () => number }> {
  const session = await page.context().newCDPSession(page);
  await session.send("Network.enable");
  const isApi = new Map<string, boolean>();
  const bytes = { shell: 0, api: 0 };
  session.on("Network.responseReceived", ({ requestId, response }) => isApi.set(requestId, response.url.includes("/api/")));
  session.on("Network.loadingFinished", ({ requestId, encodedDataLength }) => {
    bytes[isApi.get(requestId) === true ? "api" : "shell"] += encodedDataLength;
  });
  return { shell: () => bytes.shell, api: () => bytes.api };
}

test("every page stands, at both widths and in three themes", async ({ page, request }) => {
  test.setTimeout(600_000);
  const shelf = await shelfOf(request);
  const { hive, feeder } = await fedHive(request);
  const yard = shelf.yards[0]?.id ?? "";
  const heard = complaints(page);
  for (const path of ["/", `/yards/${yard}`, `/hives/${hive.id}`, "/devices", "/mix", `/fill/${feeder.id}`, "/settings", "/quarantine"]) {
    for (const viewport of [PHONE, DESK]) {
      await open(page, path, { viewport, theme: "day" });
      await settled(page);
      for (const theme of THEMES) {
        await wear(page, theme);
        await expectNoOverflow(page);
        await expectThumbSized(page);
        await expectAccessible(page);
      }
    }
  }
  expect(heard).toEqual([]);
});

test("the first load is under 100 kB over the wire, a hive's season under 60 kB", async ({ page, request }) => {
  const { hive } = await fedHive(request);
  const scales = await weigh(page);
  await open(page, `/hives/${hive.id}`, { viewport: PHONE, theme: "day" });
  await page.getByRole("button", { name: "Season" }).click();
  await expect(page.locator(".stack canvas").first()).toBeVisible();
  await expect.poll(() => scales.api()).toBeGreaterThan(0);
  await page.waitForLoadState("load");
  const figures = { shell_bytes: scales.shell(), season_api_bytes: scales.api() };
  test.info().annotations.push({ type: "figures", description: JSON.stringify(figures) });
  console.log(figures);
  expect(figures.shell_bytes).toBeLessThan(100_000);
  expect(figures.season_api_bytes).toBeLessThan(60_000);
});

test("no script or style may come from inside a page or from elsewhere", async ({ request }) => {
  const answer = await request.get("/");
  const policy = answer.headers()["content-security-policy"] ?? "";
  expect(policy).toContain("script-src 'self'");
  expect(policy).not.toContain("unsafe");
  expect(answer.headers()["cache-control"]).toBe("no-cache");
});

test("a fill written down without signal arrives once", async ({ page, context, request }) => {
  const { hive, feeder } = await fedHive(request);
  await open(page, "/", { viewport: PHONE, theme: "day" });
  await page.evaluate(() => navigator.serviceWorker.ready);
  await expect.poll(() => page.evaluate(() => navigator.serviceWorker.controller !== null)).toBe(true);
  await context.setOffline(true);
  await page.goto(`/fill/${feeder.id}`);
  const posts: string[] = [];
  page.on("requestfinished", (r) => {
    if (r.method() === "POST") posts.push(r.url());
  });
  await page.getByRole("button", { name: "Done" }).click();
  await expect(page.getByRole("link", { name: "1 to send" })).toBeVisible();
  await page.goto(`/hives/${hive.id}`);
  await expect(page.locator("main h1")).toContainText(hive.name);
  await context.setOffline(false);
  await expect(page.getByRole("link", { name: /to send/ })).toHaveCount(0, { timeout: 30_000 });
  expect(posts).toHaveLength(1);
});

test("a mix is reckoned and said in a sentence, with its cautions", async ({ page }) => {
  await open(page, "/mix", { viewport: PHONE, theme: "day" });
  await page.getByRole("radio", { name: "2:1" }).check();
  await page.getByLabel("How much").fill("20 L");
  await expect(page.locator(".recipe section").first()).toBeVisible();
  await expect(page.locator(".caution").first()).toBeVisible();
  await expectAccessible(page);
  await page.getByLabel("How much").fill("20 lightyears");
  await expect(page.locator(".field-wrong .hint")).toBeVisible();
});

test("set-up: a yard, a hive and a feeder through the pages alone", async ({ page, request }) => {
  const name = `Trial ${Date.now()}`;
  await open(page, "/set-up/yard", { viewport: PHONE, theme: "day" });
  await page.getByLabel("Name of the yard").fill(name);
  await page.getByRole("button", { name: "Make this yard" }).click();
  await page.getByRole("radio", { name }).check();
  await page.getByRole("button", { name: "Put this hive here" }).click();
  await page.getByRole("radio", { name: "jar" }).check();
  await page.getByRole("button", { name: "Put this feeder on" }).click();
  await expect(page.locator("main h1")).toBeVisible();
  const yard = (await shelfOf(request)).yards.find((y) => y.name === name);
  expect(yard?.hives.map((h) => h.feeders.map((f) => f.kind))).toEqual([["jar"]]);
  const [hive] = yard?.hives ?? [];
  await request.delete(`/api/v1/feeders/${hive?.feeders[0]?.id ?? ""}`);
  await request.delete(`/api/v1/hives/${hive?.id ?? ""}`);
  await request.delete(`/api/v1/yards/${yard?.id ?? ""}`);
});
