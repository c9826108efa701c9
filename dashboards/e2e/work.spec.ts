import { expect, test, type APIRequestContext } from "@playwright/test";
import type { FeederDeclaration, Fill, Fills, Flags, HiveDeclaration, People, YardDeclaration } from "../src/data/types";
import { DESK, expectAccessible, expectThumbSized, open, PHONE } from "./looks";

const day = { viewport: PHONE, theme: "day" } as const;

test.beforeEach(async ({ request }) => {
  await request.post("/api/v1/mock", { data: {} });
});

async function fillsOf(request: APIRequestContext, hive: string): Promise<Fill[]> {
  const answer = (await (await request.get(`/api/v1/hives/${hive}/fills`)).json()) as Fills;
  return answer.fills.filter((fill) => fill.source === "recorded");
}

test("a fill takes three taps, and can be taken back", async ({ page, request }) => {
  await open(page, "/", day);
  await page.getByRole("link", { name: /^Ridge 2/ }).first().click();
  await page.getByRole("link", { name: "Write down a fill" }).click();
  await page.getByRole("button", { name: "Done" }).click();
  await expect(page.locator(".note").getByText(/^Fill at Ridge 2/)).toBeVisible();
  await expect.poll(() => fillsOf(request, "ridge-2")).toHaveLength(1);
  await page.getByRole("button", { name: "Undo" }).click();
  await expect.poll(() => fillsOf(request, "ridge-2")).toHaveLength(0);
});

test("a strength that is none is refused in words, before it is sent", async ({ page, request }) => {
  await open(page, "/fill/ridge-2-f", day);
  await page.getByRole("radio", { name: "other" }).check();
  await page.getByLabel("Strength", { exact: true }).fill("thick");
  await page.getByRole("button", { name: "Done" }).click();
  await expect(page.getByText("Write the strength as two numbers, like 5:3.")).toBeVisible();
  expect(await fillsOf(request, "ridge-2")).toHaveLength(0);
});

test("set-up without a file: from nothing to a hive with its scale and sensor", async ({ page, request }) => {
  await request.post("/api/v1/mock", { data: { empty: true } });
  await open(page, "/", day);
  await page.getByRole("link", { name: "Make the first yard" }).click();
  await page.getByLabel("Name of the yard").fill("Hollow");
  await page.getByRole("button", { name: "Make this yard" }).click();
  await page.getByLabel("Name of the hive").fill("Old queen");
  await page.getByRole("button", { name: "Put this hive here" }).click();
  await page.getByRole("radio", { name: "pail" }).check();
  await page.getByRole("button", { name: "Put this feeder on" }).click();

  // Claim the device that just spoke: two taps for the scale.
  await page.getByRole("button", { name: /^weight/ }).click();
  await page.getByRole("button", { name: "Old queen" }).click();
  const scale = async () => ((await (await request.get("/api/v1/hives/old-queen")).json()) as HiveDeclaration).scale;
  await expect.poll(scale).toMatchObject([{ device: "node-7f3a", channel: "weight" }]);
});

test("a level sensor is claimed with how it sits", async ({ page, request }) => {
  await open(page, "/devices", day);
  const claim = page.locator(".claim", { hasText: "node-7f3a" });
  await claim.getByRole("button", { name: /^distance/ }).click();
  await claim.getByRole("button", { name: "Ridge 1", exact: true }).click();
  // Another pail of that size says how it sits; the keeper only looks.
  await expect(claim.getByLabel(/down to the feeder's floor/)).toHaveValue("25");
  await claim.getByRole("button", { name: "It watches Ridge 1" }).click();
  const sensors = async () => ((await (await request.get("/api/v1/feeders/ridge-1-f")).json()) as FeederDeclaration).sensor;
  await expect.poll(sensors).toHaveLength(2);
});

test("a scale is carried to another hive, and taken off, each from a moment on", async ({ page, request }) => {
  const scales = async (hive: string) => ((await (await request.get(`/api/v1/hives/${hive}`)).json()) as HiveDeclaration).scale;
  await open(page, "/devices", day);
  const line = page.locator(".device-list > li", { hasText: "sc-ridge-1" });
  await line.getByRole("button", { name: "Move" }).click();
  await expectThumbSized(page);
  await expectAccessible(page);
  await line.getByLabel("Since when").fill("2026-10-01T12:00");
  await line.getByRole("button", { name: "Ridge 2", exact: true }).click();
  const noon = new Date("2026-10-01T12:00:00-04:00").toISOString();
  await expect.poll(() => scales("ridge-2")).toMatchObject([
    { device: "sc-ridge-2", to: noon },
    { device: "sc-ridge-1", from: noon, to: null },
  ]);
  expect(await scales("ridge-1")).toMatchObject([{ device: "sc-ridge-1", from: null, to: noon }]);
  await expect(page.getByText(/is Ridge 2's scale, in the stead of sc-ridge-2/)).toBeVisible();
  await page.getByRole("button", { name: "Undo" }).click();
  await expect.poll(() => scales("ridge-2")).toMatchObject([{ device: "sc-ridge-2", from: null, to: null }]);
  expect(await scales("ridge-1")).toMatchObject([{ device: "sc-ridge-1", from: null, to: null }]);

  await line.getByRole("button", { name: "Move" }).click();
  await line.getByRole("button", { name: "Take it off" }).click();
  await expect.poll(async () => (await scales("ridge-1"))[0]?.to).not.toBeNull();
  await expect(page.locator(".claim", { hasText: "sc-ridge-1" })).toBeVisible();
});

test("a feeder of any shape is told by a table of levels", async ({ page, request }) => {
  await open(page, "/devices", day);
  const claim = page.locator(".claim", { hasText: "node-7f3a" });
  await claim.getByRole("button", { name: /^distance/ }).click();
  await claim.getByRole("button", { name: "Ridge 1", exact: true }).click();
  await claim.getByRole("radio", { name: "any other shape" }).check();
  const write = async (line: number, depth: string, holds: string) => {
    await claim.getByLabel(`Depth ${line}, cm`).fill(depth);
    await claim.getByLabel(`Holds ${line}, L`).fill(holds);
  };
  await write(2, "5", "3.1");
  await write(3, "4", "7.5");
  await claim.getByRole("button", { name: "It watches Ridge 1" }).click();
  await expect(claim.getByText("Line 3 must be deeper and hold more than the one before it.")).toBeVisible();
  await expectAccessible(page);
  await write(3, "10", "7.5");
  await claim.getByRole("button", { name: "It watches Ridge 1" }).click();
  const sensor = async () => ((await (await request.get("/api/v1/feeders/ridge-1-f")).json()) as FeederDeclaration).sensor;
  await expect
    .poll(async () => (await sensor()).find((s) => s.device === "node-7f3a"))
    .toMatchObject({ mount_m: 0.25, area_m2: null, table: [[0, 0], [0.05, 3.1], [0.1, 7.5]] });
});

test("a yard and a hive get another name", async ({ page, request }) => {
  for (const [path, api, name] of [["/yards/mill", "/api/v1/yards/mill", "Lower mill"], ["/hives/mill-1", "/api/v1/hives/mill-1", "Old oak"]] as const) {
    await open(page, path, day);
    await page.getByText(/^About this/).click();
    await page.getByLabel("Name", { exact: true }).fill(name);
    await page.getByRole("button", { name: "Keep", exact: true }).click();
    await expect.poll(async () => ((await (await request.get(api)).json()) as YardDeclaration | HiveDeclaration).name).toBe(name);
    await expect(page.locator("main h1")).toContainText(name);
  }
});

test("what is typed survives a reload", async ({ page }) => {
  await open(page, "/set-up/yard", day);
  await page.getByLabel("Name of the yard").fill("Half a na");
  await page.reload();
  await expect(page.getByLabel("Name of the yard")).toHaveValue("Half a na");
});

test("units change everywhere, for everyone", async ({ page, request }) => {
  await open(page, "/settings", day);
  await page.getByRole("radio", { name: "lb, US gallons, °F" }).check();
  await expect.poll(async () => (await (await request.get("/api/v1/settings")).json()) as unknown).toEqual({ units: "us" });
  await page.getByRole("link", { name: "Today" }).click();
  await expect(page.getByText(/gal \(.*\) in the feeders/).first()).toBeVisible();
  await page.goto("/hives/ridge-1");
  await expect(page.getByText("Weight, lb")).toBeVisible();
});

test("a sum says how many feeders are not in it", async ({ page, request }) => {
  await open(page, "/", day);
  const mill = page.locator(".yard", { hasText: "Mill meadow" });
  await expect(mill.locator(".yard-head")).toContainText(/at least .* L \(.*\) in the feeders, 1 feeder unknown\./);
  await expect(page.locator(".yard", { hasText: "Ridge" }).locator(".yard-head")).toContainText(/about .* L \(.*\) in the feeders\./);
  await open(page, "/yards/mill", day);
  await expect(page.getByText(/^Together at least .* yesterday, 1 feeder unknown\.$/)).toBeVisible();

  // A second feeder that nobody watches.
  await request.put("/api/v1/feeders/ridge-1-g", { data: { hive: "ridge-1", kind: "jar", capacity_l: 2, on_scale: true, sensor: [] } });
  await open(page, "/hives/ridge-1", day);
  await expect(page.getByText(/^In all its feeders: at least .*, 1 feeder unknown\.$/)).toBeVisible();
  await expect(page.locator("main h1")).toHaveText(/Ridge 1 took at least .* yesterday, 1 feeder unknown\./);
  await expectAccessible(page);
  await open(page, "/", { viewport: DESK, theme: "day" });
  await page.emulateMedia({ media: "print" });
  await expect(page.locator(".sheet tr", { hasText: "Ridge 1" })).toContainText(/≥ .*1 feeder unknown/);
});

test("what to do and what to take care of stand beside a flag, as the service says them", async ({ page }) => {
  await open(page, "/hives/ridge-4", day);
  const task = page.locator(".task", { hasText: "Ridge 4 has stopped taking syrup." });
  await task.getByRole("button", { name: /Why\?$/ }).click();
  await expect(task.getByText(/^Look in: queen, disease/)).toBeVisible();
  await expect(task.getByText(/call your inspector/)).toBeVisible();
  await expect(task.getByText(/When to act: today\./)).toBeVisible();
});

test("the theme is a tap away and stays", async ({ page }) => {
  await page.goto("/");
  const button = page.getByRole("button", { name: /^Theme:/ });
  const before = await page.locator("html").getAttribute("data-theme");
  await button.click();
  const after = await page.locator("html").getAttribute("data-theme");
  expect(after).not.toBe(before);
  await page.reload();
  await expect(page.locator("html")).toHaveAttribute("data-theme", after ?? "");
});

test("by keyboard alone: to a hive, through its charts, to a fill", async ({ page }) => {
  await open(page, "/", { viewport: DESK, theme: "day" });
  await page.keyboard.press("Tab");
  await expect(page.getByText("To the page's content")).toBeFocused();
  await page.keyboard.press("Enter");
  await expect(page.locator("main h1")).toBeFocused();
  const hive = page.getByRole("link", { name: /^Ridge 1:/ });
  for (let i = 0; i < 20 && !(await hive.evaluate((e) => e === document.activeElement)); i++) await page.keyboard.press("Tab");
  await page.keyboard.press("Enter");
  await expect(page.locator("main h1")).toHaveText(/^Ridge 1/);

  const charts = page.getByRole("group", { name: /^Charts of/ });
  await charts.focus();
  await page.keyboard.press("ArrowLeft");
  await expect(page.locator(".readout b")).toBeVisible();
  const first = await page.locator(".readout").textContent();
  await page.keyboard.press("ArrowLeft");
  await expect(page.locator(".readout")).not.toHaveText(first ?? "");
  await page.keyboard.press("+");
  await expect(page.getByRole("button", { name: "Month" })).toHaveAttribute("aria-pressed", "false");

  await page.getByRole("link", { name: "Write down a fill" }).focus();
  await page.keyboard.press("Enter");
  await expect(page.locator("main h1")).toHaveText(/How much did you pour/);
  for (let i = 0; i < 20; i++) {
    await page.keyboard.press("Tab");
    if ((await page.evaluate(() => document.activeElement?.textContent)) === "Done") break;
  }
  await page.keyboard.press("Enter");
  await expect(page.locator(".note").getByText(/^Fill at Ridge 1/)).toBeVisible();
});

test("why opens the evidence in place", async ({ page }) => {
  await open(page, "/", day);
  await page.getByRole("button", { name: /Why\?$/ }).first().click();
  await expect(page.getByText(/93 in 100/)).toBeVisible();
  await expect(page.locator(".strip")).toHaveCount(4);
  await expectAccessible(page);
});

test("the charts move under a drag and a pinch, and are read with a tap", async ({ page, browserName }) => {
  expect(browserName).toBe("chromium");
  await open(page, "/hives/ridge-1", { viewport: DESK, theme: "day" });
  const charts = page.locator(".stack");
  await charts.scrollIntoViewIfNeeded();
  const box = await charts.boundingBox();
  if (box === null) throw new Error("the charts have no place");
  const [x, y] = [box.x + box.width / 2, box.y + 100];
  await page.mouse.click(x, y);
  const before = await page.locator(".readout b").textContent();
  await page.mouse.move(x, y);
  await page.mouse.down();
  await page.mouse.move(x + 300, y, { steps: 8 });
  await page.mouse.up();
  await page.mouse.click(x, y);
  await expect(page.locator(".readout b")).not.toHaveText(before ?? "");

  const zoomed = page.getByRole("button", { name: "Month" });
  await expect(zoomed).toHaveAttribute("aria-pressed", "true");
  const session = await page.context().newCDPSession(page);
  await session.send("Input.synthesizePinchGesture", { x, y, scaleFactor: 3, gestureSourceType: "touch" });
  await expect(zoomed).toHaveAttribute("aria-pressed", "false");
});

test("on paper Today is the sheet for the truck, on A4 and on Letter", async ({ page }) => {
  await open(page, "/", { viewport: DESK, theme: "night" });
  await page.emulateMedia({ media: "print" });
  await expect(page.locator(".sheet").first()).toBeVisible();
  await expect(page.locator(".bar")).toBeHidden();
  await expect(page.locator(".sheet tbody tr")).toHaveCount(19);
  for (const format of ["A4", "Letter"]) {
    const paper = await page.pdf({ format, preferCSSPageSize: false });
    expect(paper.subarray(0, 5).toString()).toBe("%PDF-");
  }
});

test("unreadable messages can be read again", async ({ page }) => {
  await open(page, "/quarantine", day);
  await page.getByRole("button", { name: "Read all again" }).click();
  await expect(page.getByText("1 could be read now, 2 still not.")).toBeVisible();
});

test("one tap says that a flag is seen to, and can be taken back", async ({ page, request }) => {
  const flag = async () => ((await (await request.get("/api/v1/flags")).json()) as Flags).flags.find((f) => f.hive === "ridge-4" && f.closed_at === null);
  await open(page, "/", day);
  const task = page.locator(".task", { hasText: "Ridge 4 has stopped taking syrup." });
  const seen = task.getByRole("button", { name: "I see to it" });
  expect((await seen.boundingBox())?.height).toBeGreaterThanOrEqual(48);
  await seen.click();
  await expect.poll(async () => (await flag())?.care.acknowledged).not.toBeNull();
  await expect(task).toHaveCount(0);
  await page.getByRole("button", { name: "Undo" }).click();
  await expect.poll(async () => (await flag())?.care.acknowledged).toBeNull();
  await expect(task).toHaveCount(1);

  // Two taps for anything else, and a note on the hive's page.
  await open(page, "/hives/ridge-4", day);
  await task.getByRole("button", { name: /Why\?$/ }).click();
  await expectAccessible(page);
  await task.getByRole("button", { name: "Write a note" }).click();
  await task.getByLabel("A note").fill("new queen on the 3rd");
  await task.getByRole("button", { name: "Keep the note" }).click();
  await expect.poll(async () => (await flag())?.care.notes.map((n) => n.text)).toEqual(["new queen on the 3rd"]);
  await task.getByRole("button", { name: "It was right" }).click();
  await expect.poll(async () => (await flag())?.care.verdict?.verdict).toBe("right");
  await task.getByRole("button", { name: "Quiet until tomorrow" }).click();
  await expect.poll(async () => (await flag())?.care.snoozed).not.toBeNull();
  await page.getByText(/thing is quiet/).click();
  await page.getByRole("button", { name: /Ridge 4 has stopped taking syrup.*Why\?$/ }).click();
  await expect(page.getByText("new queen on the 3rd")).toBeVisible();
});

test("Today is two lines for each thing until it is opened", async ({ page }) => {
  await open(page, "/", day);
  const heights = await page.locator(".task").evaluateAll((tasks) => tasks.map((task) => task.getBoundingClientRect().height));
  expect(heights.length).toBeGreaterThan(3);
  // A line of 17 px text, or two where a name is long, over a line as high as a thumb needs.
  for (const height of heights) expect(height).toBeLessThanOrEqual(2 * 25 + 48 + 10);
  const lines = page.locator(".task-lines").first();
  await lines.click();
  await expect(page.getByText(/93 in 100|97 in 100/).first()).toBeVisible();
  await expectThumbSized(page);
  await lines.click();
  await expect(page.locator(".evidence")).toHaveCount(0);
});

test("someone is added to be told, tested and taken out", async ({ page, request }) => {
  const people = async () => ((await (await request.get("/api/v1/people")).json()) as People).people;
  await open(page, "/people", day);
  await page.getByRole("button", { name: "Add someone" }).click();
  await page.getByLabel("Name").fill("Ada");
  await page.getByLabel("Mail address").fill("ada@example.org");
  await page.getByRole("checkbox", { name: "Mill meadow" }).check();
  await page.getByText(/^Of what: the usual kinds/).click();
  await page.getByRole("checkbox", { name: "stalled" }).check();
  await page.getByRole("checkbox", { name: "leaking" }).check();
  await page.getByRole("radio", { name: "what is for today" }).check();
  await page.getByLabel("Once a day at").fill("07:00");
  await page.getByLabel("Nothing from").fill("21:00");
  await expect(page.getByRole("button", { name: "Keep", exact: true })).toBeDisabled();
  await page.getByLabel("Until").fill("06:30");
  await expectThumbSized(page);
  await expectAccessible(page);
  await page.getByRole("button", { name: "Keep", exact: true }).click();
  await expect.poll(people).toMatchObject([{ id: "ada", yards: ["mill"], kinds: ["stalled", "leaking"], from_severity: "urgent", quiet: { from: "21:00", to: "06:30" }, digest_at: "07:00", ways: [{ way: "mail", address: "ada@example.org" }] }]);
  await page.getByRole("button", { name: "Send a test to Ada" }).click();
  await expect(page.getByText("A test is on its way.")).toBeVisible();
  await page.getByRole("button", { name: "Take Ada out" }).click();
  await expect.poll(people).toEqual([]);
});

test("both rules that browsers have for a zone's clock say the same at every hour of a year", async ({ page }) => {
  await page.goto("/");
  const apart = await page.evaluate(() => {
    const { Temporal } = globalThis as unknown as {
      Temporal?: { Instant: { fromEpochMilliseconds: (ms: number) => { toZonedDateTimeISO: (zone: string) => { offsetNanoseconds: number } } } };
    };
    if (Temporal === undefined) return 0;
    let wrong = 0;
    for (const timeZone of ["America/New_York", "Europe/Lisbon", "Australia/Lord_Howe", "Africa/Casablanca"]) {
      const words = new Intl.DateTimeFormat("sv-SE", { timeZone, dateStyle: "short", timeStyle: "medium" });
      for (let at = Date.UTC(2026, 0, 1, 0, 30); at < Date.UTC(2027, 0, 1); at += 3_600_000) {
        const offset = Date.parse(`${words.format(at).replace(" ", "T")}Z`) - at;
        if (offset !== Temporal.Instant.fromEpochMilliseconds(at).toZonedDateTimeISO(timeZone).offsetNanoseconds / 1e6) wrong += 1;
      }
    }
    return wrong;
  });
  expect(apart).toBe(0);
});

test("a form that somebody else has overtaken is told, keeps what was typed, and saves it all the same", async ({ page, request }) => {
  const yard = async () => (await (await request.get("/api/v1/yards/mill")).json()) as YardDeclaration;
  await open(page, "/yards/mill", day);
  await page.getByText("About this yard").click();
  await expect(page.getByLabel("Name", { exact: true })).toHaveValue("Mill meadow");
  await page.getByLabel("Name", { exact: true }).fill("My meadow");
  const theirs = await yard();
  await request.put("/api/v1/yards/mill", { data: { ...theirs, name: "Their meadow" } });
  await page.getByRole("button", { name: "Keep", exact: true }).click();
  await page.getByRole("link", { name: /1 not accepted/ }).click();
  await expect(page.getByText(/somebody changed this yard since you opened it/)).toBeVisible();
  expect((await yard()).name).toBe("Their meadow");
  await expectAccessible(page);
  await page.getByRole("button", { name: "Save mine all the same" }).click();
  await expect.poll(async () => (await yard()).name).toBe("My meadow");
});

test("one's own changes one after the other, and taken back, are no conflict", async ({ page, request }) => {
  const name = async () => ((await (await request.get("/api/v1/yards/mill")).json()) as YardDeclaration).name;
  await open(page, "/yards/mill", day);
  await page.getByText("About this yard").click();
  const field = page.getByLabel("Name", { exact: true });
  for (const next of ["One meadow", "Two meadow"]) {
    await field.fill(next);
    await page.getByRole("button", { name: "Keep", exact: true }).click();
    await expect.poll(name).toBe(next);
    // What is drawn meanwhile must not come between two keys.
    await expect(field).toHaveValue(next);
  }
  await page.getByRole("button", { name: "Undo" }).click();
  await expect.poll(name).toBe("One meadow");
  await expect(page.getByRole("link", { name: /not accepted/ })).toHaveCount(0);
});

test("readings that should not be there are counted, then taken out", async ({ page }) => {
  await open(page, "/devices", day);
  const out = page.locator("details", { hasText: "Take readings out" }).first();
  await out.locator("summary").click();
  await expect(out.getByRole("button", { name: "Count them" })).toBeDisabled();
  await out.getByLabel("From").fill("2000-01-01T00:00");
  await out.getByLabel("Until just before").fill("2000-01-02T00:00");
  await out.getByRole("button", { name: "Count them" }).click();
  await out.getByRole("button", { name: "Take 12 readings out" }).click();
  await expect(page.getByText(/12 readings are in the quarantine/)).toBeVisible();
  await expectThumbSized(page);
  await expectAccessible(page);
});

test("an address that does not read says so", async ({ page }) => {
  await open(page, "/hives/%25", day);
  await page.evaluate(() => history.pushState(null, "", "/%"));
  await page.reload().catch(() => undefined);
  await expect(page.locator("body")).not.toBeEmpty();
});
