import type { ComponentChild } from 'preact';
import { CommandContext, StoreContext, useCommandState, useStore } from './hooks';
import { BenchPage } from './pages/bench';
import { CalculatorsPage } from './pages/calculators';
import { LotsPage } from './pages/lots';
import { RunsPage } from './pages/runs';
import { Header, Said } from './panels/header';
import { useKeys } from './panels/keys';
import { Nav } from './panels/nav';
import { Page } from './panels/page';
import { Standing } from './panels/standing';
import { useRoute } from './router';
import type { Store } from './store';

/** Pages by the address after '#/', each a module of its own in pages/. What is
 *  on every page (bench, alarms to be answered, ABORT) is not theirs. */
const PAGES: Record<string, () => ComponentChild> = {
  '': BenchPage, bench: BenchPage, runs: RunsPage, lots: LotsPage, calculators: CalculatorsPage,
};

export function App({ store }: { store: Store }) {
  const commands = useCommandState(), route = useRoute();
  const Shown = PAGES[route.page] ?? Missing;
  return (
    <StoreContext.Provider value={store}>
      <CommandContext.Provider value={commands}>
        <Skip bench={Shown === BenchPage} />
        <Header />
        <Said />
        <Nav page={route.page} />
        <Standing />
        <KeyListener />
        <Shown />
        <Foot />
      </CommandContext.Provider>
    </StoreContext.Provider>
  );
}

function KeyListener() {
  useKeys();
  return null;
}

/** The first thing that Tab reaches: past the top of the page, on the bench to
 *  what must be answered. */
function Skip({ bench }: { bench: boolean }) {
  const to = bench ? 'alarms' : 'main';
  const go = (e: Event) => {
    e.preventDefault(); // the address names the page, not a place in it
    document.getElementById(to)?.focus();
  };
  return <a class="skip" href={`#${to}`} onClick={go}>{bench ? 'Skip to alarms' : 'Skip to the page'}</a>;
}

function Missing() {
  return <Page title="There is no such page"><p><a href="#/bench">Go to the live page</a></p></Page>;
}

function Foot() {
  const s = useStore();
  return <footer>Ventward {s.version} · monitoring aid, never the safety function · pressures as recorded, never converted · API at <a href="/api/v1/openapi.json">/api/v1</a></footer>;
}
