/** What every page must stand, whoever serves it. */
import AxeBuilder from "@axe-core/playwright";
import { expect, type Page } from "@playwright/test";

export const PHONE = { width: 390, height: 844 };
export const DESK = { width: 1440, height: 900 };
export const THEMES = ["day", "night", "sun"] as const;

export interface Look {
  viewport: { width: number; height: number };
  theme: (typeof THEMES)[number];
}

/** Collects what the browser complains about from now on. */
export function complaints(page: Page): string[] {
  const heard: string[] = [];
  page.on("console", (message) => {
    if (message.type() === "error" || message.type() === "warning") heard.push(message.text());
  });
  page.on("pageerror", (error) => heard.push(error.message));
  return heard;
}

/** Opens a page in a look and waits until it answers its question. */
export async function open(page: Page, path: string, look: Look): Promise<void> {
  await page.setViewportSize(look.viewport);
  await page.addInitScript((theme) => localStorage.setItem("theme", theme), look.theme);
  await page.goto(path);
  await expect(page.locator("main h1")).toBeVisible();
  await settled(page);
}

/** Changes the theme with the button that keepers use. */
export async function wear(page: Page, theme: string): Promise<void> {
  const html = page.locator("html");
  for (let i = 0; i < 3 && (await html.getAttribute("data-theme")) !== theme; i++) {
    await page.getByRole("button", { name: /^Theme:/ }).click();
  }
  await expect(html).toHaveAttribute("data-theme", theme);
}

/** Nothing is being fetched for the page any more. */
export async function settled(page: Page): Promise<void> {
  await expect(page.locator("[aria-busy=true]")).toHaveCount(0);
  await expect(page.getByText(/^Fetching/)).toHaveCount(0);
}

/** WCAG 2.2 AA as far as axe-core can tell. */
export async function expectAccessible(page: Page): Promise<void> {
  const found = await new AxeBuilder({ page })
    .withTags(["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"])
    .analyze();
  const told = found.violations.map((v) => `${v.id}: ${v.help} at ${v.nodes.map((n) => n.target.join(" ")).join("; ")}`);
  expect(told).toEqual([]);
}

/** Nothing sticks out to the right. */
export async function expectNoOverflow(page: Page): Promise<void> {
  const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  expect(over).toBeLessThanOrEqual(0);
}

/** Everything that a gloved thumb must hit is 48 px or more both ways. Links within a sentence are exempt. */
export async function expectThumbSized(page: Page): Promise<void> {
  const small = await page.evaluate(() => {
    const wanted = "button, summary, select, .button, nav a, input:not([type=checkbox], [type=radio]), .choice-one, .place > a, .pick a, label.check";
    return [...document.querySelectorAll<HTMLElement>(wanted)].flatMap((element) => {
      const box = element.getBoundingClientRect();
      if (box.width === 0 && box.height === 0) return [];
      return box.height < 47.5 || box.width < 47.5 ? [`${element.textContent.trim().slice(0, 30)} ${box.width}x${box.height}`] : [];
    });
  });
  expect(small).toEqual([]);
}
