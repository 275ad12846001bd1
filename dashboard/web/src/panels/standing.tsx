import { between, duration, number } from '../format';
import { useBeat, useCommands, useStore } from '../hooks';
import { Warn } from './icons';

/** What must not be missed, on every page and for as long as it lasts: a specimen
 *  that was not seen to open, or was left when the program ended, a trip that is bypassed. */
export function Standing() {
  return <div class="standing"><HeldBanner /><CutShort /><Bypasses /></div>;
}

/** While the ramp runs a specimen has not opened yet; after it, it did not. */
const AFTER = ['holding pressure', 'making safe', 'pressure watch'];

function HeldBanner() {
  const st = useStore().state, h = st?.held;
  const on = h !== undefined && AFTER.includes(st!.phase);
  return (
    <div role="alert">
      {on && (
        <section class={h.pressurised ? 'held' : 'held low'} aria-label="A specimen that did not open">
          <Warn />
          <div>
            <strong>{h.pressurised ? 'Still pressurised' : 'Not seen to open'}</strong>
            <p><b>No opening was seen. Held to at least <span class="num">{number(h.at_least_bar, 2)}</span> bar {h.reference}.</b> {h.pressurised ? 'Treat the specimen as under this pressure.' : 'The readings are low now: gas may be trapped behind a plugged port.'}</p>
            <p>A zero on the screen is no proof of zero pressure: vent, and read the local gauge before approach. No drop seen does not mean not opened.</p>
          </div>
        </section>
      )}
    </div>
  );
}

/** Nobody watched the specimen since the program ended during its run. */
function CutShort() {
  const st = useStore().state, x = st?.cut_short;
  return (
    <div role="alert">
      {x && (
        <section class="held low" aria-label="A run that was cut short">
          <Warn />
          <div>
            <strong>Cut short</strong>
            <p><b>The program ended during run {x.run}{x.specimen && `, specimen ${x.specimen}`}.</b> The specimen may be under pressure, whatever is shown here.</p>
            <p>Vent, read the local gauge before approach, and enter what was found under <a href="#/lots/specimens">Specimens and shots</a>. This stands until the next run begins.</p>
          </div>
        </section>
      )}
    </div>
  );
}

function Bypasses() {
  const st = useStore().state, c = useCommands();
  useBeat(1000);
  const list = st?.trips.filter(t => t.bypassed) ?? [];
  if (list.length === 0) return null;
  return (
    <section aria-label="Bypassed trips">
      <ul>
        {list.map(t => (
          <li key={t.rule} class="bypassed">
            <Warn />
            <span><b>Bypassed: {t.rule} does not trip.</b> {t.bypass_reason} · {t.bypass_who} · <b class="num">{duration(between(st!.now_utc, t.bypass_until_utc))}</b> left</span>
            {!st!.replay && <button type="button" class="quiet small" aria-label={`End the bypass of ${t.rule}`} onClick={() => void c.send('commands', 'End bypass', { verb: 'end-bypass', args: { rule: t.rule } })}>End bypass</button>}
          </li>
        ))}
      </ul>
    </section>
  );
}
