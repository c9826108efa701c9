import { defineConfig } from "@playwright/test";

/**
 * `npm run e2e` builds the pages and tries them, without more against the invented API of `mock/`. With
 * LARDER_URL (a running service) or LARDER_BIN (a binary, started as a demo) the tests of `real.spec.ts`
 * and `lighthouse.spec.ts` run too.
 */
const mockPort = Number(process.env["LARDER_E2E_MOCK_PORT"] ?? 4174);
const demoPort = Number(process.env["LARDER_E2E_DEMO_PORT"] ?? 4175);
const binary = process.env["LARDER_BIN"];
const real = process.env["LARDER_URL"] ?? (binary === undefined ? undefined : `http://127.0.0.1:${demoPort}`);
const executablePath = process.env["LARDER_CHROMIUM"] ?? "/usr/bin/chromium";

export default defineConfig({
  testDir: "e2e",
  // The invented API is one world for all: tests take turns.
  workers: 1,
  timeout: 120_000,
  // A loaded machine can be too slow for a browser once; what passes only then is listed as flaky.
  retries: process.env["CI"] === undefined ? 0 : 2,
  reporter: [["list"]],
  outputDir: "test-results",
  use: {
    // Chromium's own sandbox needs rights that containers seldom have; the pages are our own.
    launchOptions: { executablePath, args: ["--no-sandbox"] },
    timezoneId: "America/New_York",
  },
  projects: [
    { name: "mock", testIgnore: /(real|lighthouse)\.spec/, use: { baseURL: `http://127.0.0.1:${mockPort}` } },
    ...(real === undefined ? [] : [{ name: "real", testMatch: /(real|lighthouse)\.spec/, use: { baseURL: real } }]),
  ],
  webServer: [
    {
      command: `npx vite preview --host 127.0.0.1 --port ${mockPort} --strictPort`,
      url: `http://127.0.0.1:${mockPort}/`,
      timeout: 60_000,
    },
    ...(binary === undefined || process.env["LARDER_URL"] !== undefined
      ? []
      : [
          {
            command: `"${binary}" demo --listen 127.0.0.1:${demoPort}`,
            url: `http://127.0.0.1:${demoPort}/readyz`,
            timeout: 120_000,
          },
        ]),
  ],
});
