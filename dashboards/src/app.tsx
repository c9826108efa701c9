import { nextTheme, setTheme, theme } from "./data/prefs";
import { outbox } from "./data/outbox";
import { offline } from "./data/query";
import { useSignal } from "./data/signal";
import { HiveCharts, HivePage } from "./pages/hive";
import { TodayPage } from "./pages/today";
import { YardPage } from "./pages/yard";
import { later } from "./parts/later";
import { NoteBar } from "./parts/note";
import { Coming, Page } from "./parts/page";
import { to, useRoute, type Route } from "./route";
import { VesselInks } from "./shelf/vessel";

const desk = () => import("./pages/desk");
const DevicesPage = later(async () => (await desk()).DevicesPage);
const FillPage = later(async () => (await desk()).FillPage);
const MixPage = later(async () => (await desk()).MixPage);
const OutboxPage = later(async () => (await desk()).OutboxPage);
const PeoplePage = later(async () => (await desk()).PeoplePage);
const QuarantinePage = later(async () => (await desk()).QuarantinePage);
const SettingsPage = later(async () => (await desk()).SettingsPage);
const SetUpPage = later(async () => (await desk()).SetUpPage);

/** Fetches what the first picture did without, so that a lost signal takes no page away. */
export async function fetchTheRest(): Promise<void> {
  // Any part brings all of its piece.
  await FillPage.fetch();
  await HiveCharts.fetch();
}

export function App() {
  const route = useRoute();
  return (
    <>
      <a class="skip" href="#content" onClick={skip}>
        To the page's content
      </a>
      <VesselInks />
      <TopBar route={route} />
      <CurrentPage route={route} />
      <NoteBar />
    </>
  );
}

function skip(event: MouseEvent) {
  event.preventDefault();
  document.querySelector<HTMLElement>("main h1")?.focus();
}

function CurrentPage({ route }: { route: Route }) {
  switch (route.page) {
    case "today":
      return <TodayPage />;
    case "yard":
      return <YardPage key={route.id} id={route.id} />;
    case "hive":
      return <HivePage key={route.id} id={route.id} />;
    case "devices":
      return <DevicesPage meanwhile={<Coming />} />;
    case "fill":
      return <FillPage key={route.feeder} feeder={route.feeder} meanwhile={<Coming />} />;
    case "mix":
      return <MixPage meanwhile={<Coming />} />;
    case "set-up":
      return <SetUpPage meanwhile={<Coming />} />;
    case "settings":
      return <SettingsPage meanwhile={<Coming />} />;
    case "quarantine":
      return <QuarantinePage meanwhile={<Coming />} />;
    case "outbox":
      return <OutboxPage meanwhile={<Coming />} />;
    case "people":
      return <PeoplePage meanwhile={<Coming />} />;
    case "unknown":
      return (
        <Page title="Not found" sentence="There is no page at this address.">
          <p>
            <a class="button" href={to.today}>
              To today's page
            </a>
          </p>
        </Page>
      );
  }
}

const PLACES = [
  { href: to.today, words: "Today", icon: "M3 19h18M6 19V9h4v10M13 19V5h4v14", pages: ["today", "yard", "hive"] },
  { href: to.fill(), words: "Fill", icon: "M12 3c4 5 6 8 6 11a6 6 0 0 1-12 0c0-3 2-6 6-11", pages: ["fill"] },
  { href: to.mix, words: "Mix", icon: "M5 8h14l-2 12H7zM9 8l3-5M12 12v4M10 14h4", pages: ["mix"] },
  { href: to.devices, words: "Devices", icon: "M12 13v8M12 13a1 1 0 1 0-.01 0M7 16a6 6 0 0 1 0-8M17 8a6 6 0 0 1 0 8", pages: ["devices", "quarantine"] },
  { href: to.settings, words: "Settings", icon: "M4 7h9M19 7h1M16 4v6M4 17h2M12 17h8M9 14v6", pages: ["settings", "set-up", "outbox", "people"] },
];

function TopBar({ route }: { route: Route }) {
  return (
    <header class="bar">
      <nav class="places" aria-label="Pages">
        {PLACES.map(({ href, words, icon, pages }) => (
          <a key={href} href={href} aria-current={pages.includes(route.page) ? "page" : undefined}>
            <svg viewBox="0 0 24 24" aria-hidden="true">
              <path d={icon} />
            </svg>
            {words}
          </a>
        ))}
      </nav>
      <div class="bar-end">
        <Waits />
        <ThemeButton />
      </div>
    </header>
  );
}

/** What waits to be sent, and whether there is signal. */
function Waits() {
  const edits = useSignal(outbox);
  const away = useSignal(offline);
  const refused = edits.filter((edit) => edit.refused !== null).length;
  if (edits.length === 0) return away ? <span class="quiet bar-state">no signal</span> : null;
  const words = refused > 0 ? `${refused} not accepted` : `${edits.length} to send`;
  return (
    <a class={refused > 0 ? "bar-state act" : "bar-state"} href={to.outbox}>
      {words}
    </a>
  );
}

function ThemeButton() {
  const current = useSignal(theme);
  const next = nextTheme(current);
  return (
    <button class="theme-button" type="button" onClick={() => setTheme(next)} aria-label={`Theme: ${current}. Change to ${next}.`}>
      <svg viewBox="0 0 24 24" aria-hidden="true">
        <path d={THEME_ICONS[current]} />
      </svg>
      <span>{current}</span>
    </button>
  );
}

const THEME_ICONS = {
  day: "M12 8a4 4 0 1 0 .01 0M12 2v2M12 20v2M2 12h2M20 12h2",
  night: "M19 14A8 8 0 0 1 10 5a8 8 0 1 0 9 9",
  sun: "M12 7a5 5 0 1 0 .01 0M12 1v3M12 20v3M1 12h3M20 12h3M4 4l2 2M18 18l2 2M20 4l-2 2M6 18l-2 2",
};
