import { render } from "preact";
import "uplot/dist/uPlot.min.css";
import "./style/inks.css";
import "./style/frame.css";
import "./style/shelf.css";
import "./style/charts.css";
import "./style/forms.css";
import "./style/print.css";
import { App } from "./app";
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

if ("serviceWorker" in navigator && import.meta.env.PROD) {
  addEventListener("load", () => void navigator.serviceWorker.register("/worker.js").catch(() => undefined));
}
