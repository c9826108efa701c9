import { render } from "preact";
import "./style/inks.css";
import "./style/frame.css";
import "./style/shelf.css";
import "./style/charts.css";
import "./style/forms.css";
import "./style/print.css";
import { App, fetchTheRest } from "./app";
import { listen } from "./data/live";
import { keepFlushing } from "./data/outbox";
import { setUnits, showTheme } from "./data/prefs";
import { forgetOldest, refresh, request } from "./data/query";
import type { Settings } from "./data/types";
import { startClock } from "./parts/clock";
import { followLinks } from "./route";

showTheme();
followLinks();
startClock();

const place = document.getElementById("app");
if (place !== null) render(<App />, place);

keepFlushing();
listen();
void forgetOldest().catch(() => undefined);
void request<Settings>("GET", "/api/v1/settings").then(
  (settings) => setUnits(settings.units),
  () => undefined,
);
// The shelf is what every page without signal starts from.
void refresh("/api/v1/shelf");

/** The first picture stands by then, as a rule. */
const REST_AFTER_MS = 1_500;

addEventListener("load", () => {
  setTimeout(() => {
    void fetchTheRest().catch(() => undefined);
    if ("serviceWorker" in navigator && import.meta.env.PROD) void navigator.serviceWorker.register("/worker.js").catch(() => undefined);
  }, REST_AFTER_MS);
});
