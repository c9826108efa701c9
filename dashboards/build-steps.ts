import { createHash } from "node:crypto";
import { readdirSync, readFileSync, statSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { brotliCompressSync, constants, gzipSync } from "node:zlib";
import type { Plugin, ResolvedConfig } from "vite";

const COMPRESSIBLE = /\.(html|js|css|svg|webmanifest|json|txt)$/;

/** Every file below a folder, as paths relative to it. */
function filesBelow(folder: string, under = ""): string[] {
  return readdirSync(join(folder, under)).flatMap((name) => {
    const path = under === "" ? name : `${under}/${name}`;
    return statSync(join(folder, path)).isDirectory() ? filesBelow(folder, path) : [path];
  });
}

/**
 * Tells the worker which files make up the application, and under which name this build's copy of
 * them is kept: the name changes when any file does.
 */
export function shellList(): Plugin {
  let config: ResolvedConfig;
  return {
    name: "larder-shell-list",
    apply: "build",
    configResolved(resolved) {
      config = resolved;
    },
    writeBundle() {
      const out = config.build.outDir;
      const shell = filesBelow(out).filter((path) => path !== "worker.js" && !/\.(br|gz)$/.test(path)).sort();
      const hash = createHash("sha256");
      for (const path of shell) hash.update(path).update(readFileSync(join(out, path)));
      const paths = shell.map((path) => (path === "index.html" ? "/" : `/${path}`));
      const worker = join(out, "worker.js");
      const code = readFileSync(worker, "utf8")
        .replace("__SHELL_NAME__", hash.digest("hex").slice(0, 12))
        .replace(/["'`]__SHELL_PATHS__["'`]/, JSON.stringify(JSON.stringify(paths)));
      writeFileSync(worker, code);
    },
  };
}

/** Lays a brotli and a gzip form beside each text file, so that nothing is compressed while serving. */
export function compressed(): Plugin {
  let config: ResolvedConfig;
  return {
    name: "larder-compressed",
    apply: "build",
    enforce: "post",
    configResolved(resolved) {
      config = resolved;
    },
    closeBundle() {
      const out = config.build.outDir;
      for (const path of filesBelow(out).filter((name) => COMPRESSIBLE.test(name))) {
        const bytes = readFileSync(join(out, path));
        const quality = { params: { [constants.BROTLI_PARAM_QUALITY]: 11 } };
        writeFileSync(join(out, `${path}.br`), brotliCompressSync(bytes, quality));
        writeFileSync(join(out, `${path}.gz`), gzipSync(bytes, { level: 9 }));
      }
    },
  };
}
