import { defineConfig } from "vitest/config";

/** Apart from the build's settings, so that a build needs none of the test tools. */
export default defineConfig({
  test: { environment: "node", include: ["src/**/*.test.{ts,tsx}", "mock/**/*.test.ts"] },
});
