import { useState } from 'preact/hooks';
import type { Output, State, Trip } from '../api';
import { age, between, DASH, duration } from '../format';
import { useBeat, useCommands, useStore } from '../hooks';
import { capital } from '../words';
import { Ask, AtBench, BYPASS } from './ask';
import { Tick, Warn } from './icons';

/** What is demanded of the outputs, what was read back, and why: what has tripped
 *  first, then the outputs, which a small screen must show without scrolling,
 *  then the rules that are ready. */
export function Interlock() {
  const s = useStore(), c = useCommands(), st = s.state;
  useBeat(500);
  if (!st) return <section class="panel interlock"><h2>Make safe</h2><p class="empty">Waiting for the program.</p></section>;
  const tripped = st.trips.filter(t => t.tripped), stands = tripped.filter(t => t.stands && !t.past);
  return (
    <section class="panel interlock" id="interlock" aria-labelledby="interlock-h" tabIndex={0}>
      <h2 id="interlock-h">Make safe<span class={tripped.length ? 'tally warn' : 'tally'}>{tripped.length ? <><Warn />{tripped.length} tripped</> : 'no rule has tripped'}</span></h2>
      {tripped.length > 0 && (
        <p class="reset">
          {stands.length > 0
            ? <span>Reset when the condition of {stands.map(t => t.rule).join(', ')} is gone.</span>
            : <span>{tripped.some(t => t.past) ? 'A reset takes note of what was seen, and turns nothing on.' : 'Every condition is gone. A reset turns nothing on.'}</span>}
          <AtBench label="Reset" cls="act small" name="Reset all trips whose condition is gone" disabled={stands.length === tripped.length}
            onClick={() => void c.send('commands', 'Reset', { verb: 'reset' })} />
        </p>
      )}
      {tripped.length > 0 && (
        <ul class="trips">{[...tripped].sort((a, b) => Number(b.first ?? false) - Number(a.first ?? false)).map(t => <TripRow key={t.rule} t={t} now={st.now_utc} />)}</ul>
      )}
      <table class="outputs">
        <thead><tr><th scope="col">Output</th><th scope="col">Demanded</th><th scope="col">Read back</th><th scope="col">Since</th></tr></thead>
        <tbody>
          {st.outputs.map(o => <OutputRow key={o.name} o={o} st={st} />)}
          {st.outputs.length === 0 && <tr><td colSpan={4}>This bench has no outputs.</td></tr>}
        </tbody>
      </table>
      <Watchdog st={st} />
      <ul class="trips">
        {st.trips.filter(t => !t.tripped).map(t => <TripRow key={t.rule} t={t} now={st.now_utc} />)}
        {st.trips.length === 0 && <li><Warn /><b>No rule trips anything.</b></li>}
      </ul>
    </section>
  );
}

function TripRow({ t, now }: { t: Trip; now: string }) {
  const [form, setForm] = useState(false);
  return (
    <li class={t.tripped ? 'tripped' : t.bypassed ? 'bypass' : ''} data-trip={t.rule}>
      {t.tripped || t.bypassed || t.overdue ? <Warn /> : <Tick />}
      <b>{t.rule}</b>{t.tripped && t.first && <span class="first">First</span>}
      <span class="state num">{state(t, now)}</span>
      {t.overdue ? <span class="due">proof test was due {t.proof_due}</span>
        : <small>{t.proof_due ? `proof test due ${t.proof_due}` : 'no date of a proof test'}</small>}
      {!t.bypassed && <AtBench label="Bypass" cls="quiet small" name={`Bypass the trip of ${t.rule}`} onClick={() => setForm(!form)} />}
      {form && !t.bypassed && <Ask title={`Bypass ${t.rule}`} note="While it lasts this rule switches nothing off. It ends by itself, and is shown on every page until then."
        verb="bypass" args={{ rule: t.rule }} spans={BYPASS} done={() => setForm(false)} />}
    </li>
  );
}

function state(t: Trip, now: string): string {
  if (t.tripped) return `tripped ${age(between(t.since_utc, now))} ago, ${t.past ? 'latched until reset' : t.stands ? 'condition stands' : 'latched'}`;
  if (t.bypassed) return `bypassed, ${duration(between(now, t.bypass_until_utc))} left${t.past ? ', event seen' : t.stands ? ', condition stands' : ''}`;
  return t.past ? 'event seen' : t.stands ? 'condition stands' : 'ready';
}

function OutputRow({ o, st }: { o: Output; st: State }) {
  const c = useCommands(), idle = st.phase === 'at rest' || st.phase === 'preparing';
  return (
    <tr class={o.agrees ? '' : 'differs'}>
      <th scope="row">{o.name}</th>
      <td>{meaning(o, o.demanded)}</td>
      <td>{o.agrees ? <Tick /> : <Warn />}{o.state === 'unknown' ? 'not known: treat as on' : meaning(o, o.state)}
        {!o.agrees && o.state !== 'unknown' && <small>not as demanded</small>}{o.reason && <small>{o.reason}</small>}
        {o.role === 'dump_valve' && idle && <AtBench label="Exercise" name={`Exercise ${o.name} for 2 s`} onClick={() => void c.send('commands', 'Exercise', { verb: 'exercise', args: { output: o.name } })} />}</td>
      <td class="num">{o.since_utc ? age(between(o.since_utc, st.now_utc)) : DASH}</td>
    </tr>
  );
}

function meaning(o: Output, level: 'on' | 'off' | 'unknown'): string {
  if (o.role === 'supply_valve') return level === 'on' ? 'on, open' : 'off, shut';
  return level;
}

function Watchdog({ st }: { st: State }) {
  const w = st.watchdog, since = w.last_utc ? `last edge ${age(between(w.last_utc, st.now_utc))} ago` : 'no edge so far';
  if (!w.present) return <p class="watchdog bad"><Warn /><b>No watchdog relay.</b> Nothing makes the bench safe if this program stops.</p>;
  if (w.beating) return <p class="watchdog"><Tick />Watchdog relay fed, <span class="num">{since}</span></p>;
  return <p class="watchdog bad"><Warn /><b>Watchdog relay not fed,</b> <span class="num">{since}</span>. {w.why ? `${capital(w.why)}.` : 'No edge was confirmed.'}</p>;
}
