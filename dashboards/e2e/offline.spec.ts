import { expect, test, type APIRequestContext, type Page } from "@playwright/test";
import type { FillRecordInput, Fills } from "../src/data/types";
import { expectAccessible, open, PHONE } from "./looks";

const day = { viewport: PHONE, theme: "day" } as const;

test.beforeEach(async ({ request }) => {
  await request.post("/api/v1/mock", { data: {} });
});

/** The worker holds the whole application. */
async function installed(page: Page): Promise<void> {
  await page.evaluate(() => navigator.serviceWorker.ready);
  await expect.poll(() => page.evaluate(async () => (await caches.keys()).length)).toBeGreaterThan(0);
  await expect.poll(() => page.evaluate(() => navigator.serviceWorker.controller !== null)).toBe(true);
}

async function recorded(request: APIRequestContext, hive: string): Promise<number> {
  const answer = (await (await request.get(`/api/v1/hives/${hive}/fills`)).json()) as Fills;
  return answer.fills.filter((fill) => fill.source === "recorded").length;
}

test("opens without signal on what was last seen, and says how old it is", async ({ page, context }) => {
  await open(page, "/", day);
  await open(page, "/hives/ridge-1", day);
  await expect(page.locator(".stack canvas").first()).toBeVisible();
  await installed(page);
  await context.setOffline(true);
  await page.goto("/");
  await expect(page.locator("main h1")).toHaveText(/need you today/);
  await expect(page.getByText(/^No signal\. As seen/)).toBeVisible();
  await page.goto("/hives/ridge-1");
  await expect(page.locator(".stack canvas").first()).toBeVisible();
  await page.goto("/hives/ridge-3");
  await expect(page.locator("main h1")).toHaveText(/Ridge 3/);
  await expectAccessible(page);
  await context.setOffline(false);
  await expect(page.getByText(/^As of now/)).toBeVisible({ timeout: 30_000 });
});

test("kinds of flags have their words without signal, and their names where the words were never seen", async ({ page, context }) => {
  await open(page, "/people", day);
  await installed(page);
  await context.setOffline(true);
  await page.goto("/people");
  await page.getByRole("button", { name: "Add someone" }).click();
  await page.getByText(/^Of what: the usual kinds/).click();
  await expect(page.getByRole("checkbox", { name: "refill due" })).toBeVisible();
  await expect(page.getByText(/all but needs feed, behind target and opened/)).toBeVisible();

  await context.setOffline(false);
  await page.route("**/api/v1/flag-kinds", (route) => route.abort());
  await page.evaluate(() => new Promise((resolve) => (indexedDB.open("larder").onsuccess = (event) => {
    const { result } = event.target as IDBOpenDBRequest;
    result.transaction("seen", "readwrite").objectStore("seen").delete("/api/v1/flag-kinds").onsuccess = resolve;
  })));
  await page.goto("/people");
  await page.getByRole("button", { name: "Add someone" }).click();
  await expect(page.getByRole("radio", { name: "warning" })).toBeChecked();
  await page.getByText(/^Of what: the usual kinds/).click();
  await expect(page.getByText("The other kinds come as soon as there is signal.")).toBeVisible();
  await expectAccessible(page);
});

test("what an earlier version of the pages kept is still shown", async ({ page }) => {
  const without = (value: unknown, names: string[]): unknown => JSON.parse(JSON.stringify(value, (name, part: unknown) => (names.includes(name) ? undefined : part)));
  await page.route(/\/api\/v1\/(shelf|hives\/.*)/, async (route) => {
    const answer = await route.fetch();
    await route.fulfill({ response: answer, json: without(await answer.json(), ["texts", "totals", "beyond_fills_kg"]) });
  });
  await open(page, "/", day);
  await expect(page.getByText("ridge-4 is flagged: stalled.")).toBeVisible();
  await open(page, "/yards/mill", day);
  await expect(page.locator(".compare")).toBeVisible();
  await open(page, "/hives/ridge-1", day);
  await expect(page.locator("main h1")).toHaveText("Ridge 1 as it was last seen.");
  await expect(page.getByRole("figure", { name: "Weight, kg" })).toBeAttached();
  // What the page still asks for is answered before the browser goes.
  await page.unrouteAll({ behavior: "wait" });
});

test("edits queue without signal and go out once, in order", async ({ page, context, request }) => {
  await open(page, "/", day);
  await installed(page);
  const sent: string[] = [];
  page.on("request", (r) => {
    if (r.method() !== "GET") sent.push(r.postData() ?? "");
  });
  await context.setOffline(true);
  for (const feeder of ["ridge-1-f", "ridge-2-f", "ridge-3-f"]) {
    await page.goto(`/fill/${feeder}`);
    await page.getByRole("button", { name: "Done" }).click();
    await expect(page.locator(".note").getByText(/^Fill at Ridge/)).toBeVisible();
  }
  await page.reload();
  await expect(page.getByRole("link", { name: "3 to send" })).toBeVisible();
  sent.length = 0;
  await context.setOffline(false);
  await expect.poll(() => recorded(request, "ridge-3"), { timeout: 30_000 }).toBe(1);
  await expect(page.getByRole("link", { name: /to send/ })).toHaveCount(0);
  expect(await recorded(request, "ridge-1")).toBe(1);
  expect(sent.map((body) => (JSON.parse(body) as FillRecordInput).feeder)).toEqual(["ridge-1-f", "ridge-2-f", "ridge-3-f"]);
});

test("an update of the application never loses a queued edit", async ({ page, context, request }) => {
  await open(page, "/", day);
  await installed(page);
  await context.setOffline(true);
  await page.goto("/fill/ridge-5-f");
  await page.getByRole("button", { name: "Done" }).click();
  await expect(page.getByRole("link", { name: "1 to send" })).toBeVisible();
  // What an update does: the worker and its whole copy of the application go.
  await page.evaluate(async () => {
    const registration = await navigator.serviceWorker.ready;
    await registration.unregister();
    await Promise.all((await caches.keys()).map((name) => caches.delete(name)));
  });
  await context.setOffline(false);
  await page.goto("/");
  await expect.poll(() => recorded(request, "ridge-5"), { timeout: 30_000 }).toBe(1);
});

test("what the server refuses is set aside with its reason, and the rest goes on", async ({ page, context, request }) => {
  await open(page, "/", day);
  await installed(page);
  await context.setOffline(true);
  await page.goto("/fill/ridge-6-f");
  await page.getByRole("button", { name: "Done" }).click();
  await expect(page.getByRole("link", { name: "1 to send" })).toBeVisible();
  await page.goto("/fill/ridge-1-f");
  await page.getByRole("button", { name: "Done" }).click();
  await expect(page.getByRole("link", { name: "2 to send" })).toBeVisible();
  // Meanwhile someone takes the first feeder off.
  await request.delete("/api/v1/feeders/ridge-6-f");
  await context.setOffline(false);
  await expect(page.getByRole("link", { name: "1 not accepted" })).toBeVisible({ timeout: 30_000 });
  await expect.poll(() => recorded(request, "ridge-1"), { timeout: 30_000 }).toBe(1);
  await page.getByRole("link", { name: "1 not accepted" }).click();
  await expect(page.getByText(/Larder did not take it/)).toBeVisible();
  await expectAccessible(page);
  await page.getByRole("button", { name: "Drop it" }).click();
  await expect(page.locator("main h1")).toHaveText("Everything has been sent.");
});
