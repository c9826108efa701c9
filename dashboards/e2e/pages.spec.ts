import { expect, test } from "@playwright/test";
import { complaints, DESK, expectAccessible, expectNoOverflow, expectThumbSized, open, PHONE, settled, THEMES, wear } from "./looks";

const PAGES: { name: string; path: string; says: RegExp }[] = [
  { name: "today", path: "/", says: /need you today/ },
  { name: "yard", path: "/yards/mill", says: /Mill meadow/ },
  { name: "hive", path: "/hives/ridge-4", says: /Ridge 4 has stopped taking syrup/ },
  { name: "hive without feeder", path: "/hives/orchard-5", says: /no feeder/ },
  { name: "devices", path: "/devices", says: /no place yet/ },
  { name: "choose a feeder", path: "/fill", says: /Which feeder/ },
  { name: "fill", path: "/fill/ridge-1-f", says: /How much did you pour at Ridge 1/ },
  { name: "mix", path: "/mix", says: /mix/ },
  { name: "set-up: yard", path: "/set-up/yard", says: /What do you call the yard/ },
  { name: "set-up: hive", path: "/set-up/hive", says: /Which hive/ },
  { name: "set-up: feeder", path: "/set-up/feeder", says: /What kind of feeder/ },
  { name: "settings", path: "/settings", says: /How shall Larder speak/ },
  { name: "people", path: "/people", says: /Nobody is told of anything yet/ },
  { name: "quarantine", path: "/quarantine", says: /could not be read/ },
  { name: "to send", path: "/outbox", says: /Everything has been sent/ },
  { name: "unknown", path: "/nowhere", says: /no page at this address/ },
];

test.beforeEach(async ({ request }) => {
  await request.post("/api/v1/mock", { data: {} });
});

for (const { name, path, says } of PAGES) {
  for (const viewport of [PHONE, DESK]) {
    test(`${name}, ${viewport.width} px, by day, by night, in the sun`, async ({ page }) => {
      const heard = complaints(page);
      await open(page, path, { viewport, theme: "day" });
      await expect(page.locator("main h1")).toHaveText(says);
      for (const summary of await page.locator("main summary").all()) await summary.click();
      await settled(page);
      for (const theme of THEMES) {
        await wear(page, theme);
        await expectNoOverflow(page);
        await expectThumbSized(page);
        await expectAccessible(page);
      }
      expect(heard).toEqual([]);
    });
  }
}

test("one board carries all vessels of a row, whatever stands above one of them", async ({ page }) => {
  await open(page, "/", { viewport: PHONE, theme: "day" });
  await page.locator(".place-mark .mark").first().evaluate((mark) => mark.append(" and words that need lines"));
  const places = await page.locator(".shelf").first().locator(".place").all();
  const boards = new Map<number, Set<number>>();
  for (const place of places) {
    const [row, vessels] = [await place.boundingBox(), await place.locator(".place-vessels").boundingBox()];
    if (row === null || vessels === null) throw new Error("a place that is not drawn");
    const board = Math.round(vessels.y + vessels.height);
    boards.set(Math.round(row.y), (boards.get(Math.round(row.y)) ?? new Set()).add(board));
  }
  expect(places.length).toBeGreaterThan(boards.size);
  for (const heights of boards.values()) expect(heights.size).toBe(1);
});

test("an empty apiary says what to do next, with the one button for it", async ({ page, request }) => {
  await request.post("/api/v1/mock", { data: { empty: true } });
  await open(page, "/", { viewport: PHONE, theme: "day" });
  await expect(page.locator("main h1")).toHaveText("Nothing stands here yet.");
  await expect(page.locator("main .button")).toHaveCount(1);
  await expectAccessible(page);
});

test("an answer that comes between drawing and watching is shown", async ({ page }) => {
  // Effects run most of a second after drawing here, and the browser's database does not answer at all.
  await page.addInitScript(() => {
    const later = window.setTimeout.bind(window);
    window.requestAnimationFrame = (draw) => later(() => draw(performance.now()), 800);
    window.setTimeout = ((work: () => void, ms?: number) => later(work, ms === 35 ? 800 : ms)) as typeof window.setTimeout;
    IDBFactory.prototype.open = () => new EventTarget() as IDBOpenDBRequest;
  });
  await page.route("**/api/v1/shelf", async (route) => {
    await new Promise((go) => setTimeout(go, 1_250));
    await route.continue();
  });
  await open(page, "/fill", { viewport: PHONE, theme: "day" });
  await expect(page.locator("main h1")).toHaveText(/Which feeder/);
});
