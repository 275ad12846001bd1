import type { Output, State } from '../api';
import { age, between, DASH } from '../format';
import { useBeat, useCommands, useStore } from '../hooks';
import { Tick, Warn } from './icons';

/** What is demanded of the outputs, what was read back, and why. */
export function Interlock() {
  const s = useStore(), c = useCommands(), st = s.state;
  useBeat(500);
  if (!st) return <section class="panel interlock"><h2>Make safe</h2><p class="empty">Waiting for the program.</p></section>;
  const tripped = st.trips.filter(t => t.tripped), resettable = tripped.length > 0 && tripped.every(t => !t.stands);
  return (
    <section class="panel interlock" aria-labelledby="interlock-h" tabIndex={0}>
      <h2 id="interlock-h">Make safe<span class={tripped.length ? 'tally warn' : 'tally'}>{tripped.length ? <><Warn />{tripped.length} tripped</> : 'no rule has tripped'}</span>
        {resettable && <button type="button" class="act small" title="Every condition is gone. Taken only at the bench." onClick={() => void c.send('commands', 'Reset', { verb: 'reset' })}>Reset</button>}</h2>
      <ul class="trips">
        {st.trips.map(t => (
          <li key={t.rule} class={t.tripped ? 'tripped' : ''}>
            {t.tripped ? <Warn /> : <Tick />}
            <b>{t.rule}</b>
            <span>{t.tripped ? `tripped ${age(between(t.since_utc, st.now_utc))} ago, ${t.stands ? 'holds' : 'latched'}` : 'ready'}</span>
          </li>
        ))}
        {st.trips.length === 0 && <li><Warn /><b>No rule trips anything.</b></li>}
      </ul>
      <table class="outputs">
        <thead><tr><th scope="col">Output</th><th scope="col">Demanded</th><th scope="col">Read back</th><th scope="col">Since</th></tr></thead>
        <tbody>
          {st.outputs.map(o => (
            <tr key={o.name} class={o.agrees ? '' : 'differs'}>
              <th scope="row">{o.name}</th>
              <td>{meaning(o, o.demanded)}</td>
              <td>{o.agrees ? <Tick /> : <Warn />}{o.state === 'unknown' ? 'not known' : meaning(o, o.state)}{o.reason && <small>{o.reason}</small>}</td>
              <td class="num">{o.since_utc ? age(between(o.since_utc, st.now_utc)) : DASH}</td>
            </tr>
          ))}
          {st.outputs.length === 0 && <tr><td colSpan={4}>This bench has no outputs.</td></tr>}
        </tbody>
      </table>
      <Watchdog st={st} />
    </section>
  );
}

function meaning(o: Output, level: 'on' | 'off' | 'unknown'): string {
  if (o.role === 'supply_valve') return level === 'on' ? 'on, open' : 'off, shut';
  return level;
}

function Watchdog({ st }: { st: State }) {
  const w = st.watchdog;
  if (!w.present) return <p class="watchdog bad"><Warn /><b>No watchdog relay.</b> Nothing makes the bench safe if this program stops.</p>;
  if (w.beating) return <p class="watchdog"><Tick />Watchdog relay fed, last edge {age(between(w.last_utc, st.now_utc))} ago</p>;
  return <p class="watchdog bad"><Warn /><b>Watchdog relay not fed.</b> {w.why || 'No edge was confirmed.'}</p>;
}
