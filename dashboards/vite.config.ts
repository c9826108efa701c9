import { defineConfig } from "vite";
import { mockApi } from "./mock/plugin.ts";
import { compressed, shellList } from "./build-steps.ts";

/** What `api/src/pages.rs` sends; here for `vite preview`, so that tests meet the same rules. */
const policy =
  "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; " +
  "connect-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

export default defineConfig({
  plugins: [mockApi(), shellList(), compressed()],
  build: {
    target: "es2022",
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    reportCompressedSize: false,
    rolldownOptions: {
      input: { index: "index.html", worker: "worker/worker.ts" },
      output: {
        entryFileNames: (chunk) => (chunk.name === "worker" ? "worker.js" : "assets/[name]-[hash].js"),
      },
    },
  },
  preview: { headers: { "Content-Security-Policy": policy } },
});
