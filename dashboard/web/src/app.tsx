import type { ComponentChild } from 'preact';
import { CommandContext, StoreContext, useCommandState, useStore } from './hooks';
import { Alarms } from './panels/alarms';
import { Cautions } from './panels/cautions';
import { Charts } from './panels/charts';
import { Events } from './panels/events';
import { Header, Phases, Said } from './panels/header';
import { Interlock } from './panels/interlock';
import { NotLive } from './panels/notlive';
import { Pressure } from './panels/pressure';
import { Health } from './panels/sensors';
import { useRoute } from './router';
import type { Store } from './store';

/** Pages by the address after '#/'. What is on every page (bench, alarms to be
 *  answered, ABORT) is not theirs. */
const PAGES: Record<string, () => ComponentChild> = { '': Live };

export function App({ store }: { store: Store }) {
  const commands = useCommandState(), route = useRoute();
  const Page = PAGES[route] ?? Missing;
  return (
    <StoreContext.Provider value={store}>
      <CommandContext.Provider value={commands}>
        <a class="skip" href="#alarms" onClick={e => { e.preventDefault(); document.getElementById('alarms')?.focus(); }}>Skip to alarms</a>
        <Header />
        <Said />
        <Page />
        <Foot />
      </CommandContext.Provider>
    </StoreContext.Provider>
  );
}

function Live() {
  return (
    <>
      <Phases />
      <NotLive />
      <main class="live">
        <div class="col a"><Pressure /><Interlock /></div>
        <div class="col b"><Charts /></div>
        <div class="col c"><Alarms /><Events /></div>
        <div class="wide"><Health /><Cautions /></div>
      </main>
    </>
  );
}

function Missing() {
  return <main class="missing"><h2>There is no such page</h2><p><a href="#/">Go to the live page</a></p></main>;
}

function Foot() {
  const s = useStore();
  return <footer>Ventward {s.version} · monitoring aid, never the safety function · pressures as recorded, never converted · API at <a href="/api/v1/openapi.json">/api/v1</a></footer>;
}
