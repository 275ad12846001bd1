import { useState } from 'preact/hooks';
import type { Alarm, Load } from '../api';
import { between, count, duration, timeOfDay } from '../format';
import { useBeat, useCommands, useReplay, useStore } from '../hooks';
import { byUrgency, PRIORITY_WORD, silenced, waiting } from '../words';
import { Ask, AtBench, SHELVE } from './ask';
import { Priority, Warn } from './icons';

const STATE: Record<string, string> = {
  acknowledged: 'acknowledged', 'returned-unacknowledged': 'gone by itself, not acknowledged', 'latched-unacknowledged': 'gone, latched, not acknowledged',
  'latched-acknowledged': 'gone, latched until reset', shelved: 'shelved', 'out-of-service': 'out of service', 'suppressed-by-design': 'silent in this phase',
};

/** When, and what became of it. */
function meta(a: Alarm): string {
  const state = STATE[a.state] ?? '';
  const by = a.who && !waiting(a) ? `${state} by ${a.who}` : state;
  return [PRIORITY_WORD[a.priority], timeOfDay(a.since_utc), by, a.count && a.count > 1 ? `announced ${a.count} times` : ''].filter(Boolean).join(' · ');
}

/** What somebody must answer: the unanswered and most urgent first. */
export function Alarms() {
  const s = useStore();
  useBeat(1000);
  const list = s.alarms.filter(a => !silenced(a)).sort(byUrgency), open = list.filter(waiting).length;
  const quiet = s.alarms.filter(a => a.state === 'shelved' || a.state === 'out-of-service');
  return (
    <section class="panel alarms" id="alarms" aria-labelledby="alarms-h" tabIndex={-1}>
      <h2 id="alarms-h">Alarms<span class="tally">{list.length === 0 ? 'none' : `${open} to acknowledge, ${list.length} in all`}</span></h2>
      <div class="visually-hidden" aria-live="assertive">{list.filter(a => a.state === 'unacknowledged').slice(0, 1).map(a => `${PRIORITY_WORD[a.priority]} alarm: ${a.message}`)}</div>
      <Burden load={s.state?.alarm_load} />
      {list.length === 0 && <p class="empty">No alarm. That is no proof that nothing is wrong.</p>}
      <div class="lists" tabIndex={list.length + quiet.length > 1 ? 0 : undefined} role="group" aria-labelledby="alarms-h">
        <ul>{list.map(a => <Row key={a.id} a={a} />)}</ul>
        {quiet.length > 0 && <>
          <h3 id="quiet-h"><Warn />Silenced by a person: {quiet.length}</h3>
          <ul aria-labelledby="quiet-h">{quiet.map(a => <Quiet key={a.id} a={a} />)}</ul>
        </>}
      </div>
    </section>
  );
}

/** Chatter and flood: more alarms than a person can answer. */
function Burden({ load }: { load: Load | undefined }) {
  if (!load || (!load.flood && !load.chattering?.length && !load.stale)) return null;
  return (
    <ul class="burden">
      {load.flood && <li><Warn /><b>Flood of alarms:</b> {load.recent >= 64 ? 'at least 64' : count(load.recent)} in the last 10 min. Answer the most urgent first.</li>}
      {load.chattering?.map(r => <li key={r}><Warn /><b>Chatters:</b> {r}, 3 times or more in a minute. Mend its cause.</li>)}
      {load.stale ? <li><Warn />{count(load.stale)} standing for more than a day.</li> : null}
    </ul>
  );
}

function Row({ a }: { a: Alarm }) {
  const c = useCommands(), replay = useReplay(), [form, setForm] = useState<'' | 'shelve' | 'out'>('');
  const close = () => setForm('');
  return (
    <li class={`alarm ${a.priority} ${a.state}`} data-alarm={a.id}>
      <Priority p={a.priority} />
      <div class="what">
        {a.first && <span class="first">First</span>}<b>{a.message}</b>
        {a.text && <p>{a.text}</p>}
        {a.chatter && <p class="chatter"><Warn />Chatters</p>}
        <p class="meta num">{meta(a)}</p>
        {!replay && <div class="foot">
          {waiting(a) && <button type="button" class="act answer" aria-label={`Acknowledge: ${a.message}`} onClick={() => void c.send(`alarms/${a.id}/acknowledge`, 'Acknowledge')}>Acknowledge</button>}
          {a.state.startsWith('latched') && <AtBench label="Reset" cls="quiet" name={`Reset ${a.rule}`} onClick={() => void c.send('commands', 'Reset', { verb: 'reset', args: { rule: a.rule } })} />}
          <button type="button" class="quiet" aria-expanded={form === 'shelve'} aria-label={`Shelve: ${a.rule}`} onClick={() => setForm(form === 'shelve' ? '' : 'shelve')}>Shelve</button>
          <AtBench label="Out of service" cls="quiet" name={`Out of service: ${a.rule}`} onClick={() => setForm(form === 'out' ? '' : 'out')} />
        </div>}
        {form === 'shelve' && <Ask title={`Shelve ${a.rule}`} note="Silences this alarm for a time. What it trips still trips." verb="shelve" args={{ id: String(a.id) }} spans={SHELVE} done={close} />}
        {form === 'out' && <Ask title={`Take ${a.rule} out of service`} note="Silences this alarm until it is put back. What it trips still trips." verb="out-of-service" args={{ id: String(a.id) }} done={close} />}
      </div>
    </li>
  );
}

/** An alarm that a person silenced: by whom, why, and for how much longer. */
function Quiet({ a }: { a: Alarm }) {
  const s = useStore(), c = useCommands(), left = between(s.state?.now_utc, a.until_utc);
  const send = (what: string, verb: string) => void c.send('commands', what, { verb, args: { rule: a.rule } });
  return (
    <li class={`quieted ${a.state}`} data-alarm={a.id}>
      <div>
        <b>{a.rule}</b> <span class="num">{a.state === 'shelved' ? `shelved, ${duration(left)} left` : 'out of service'}</span>
        <p class="meta">{a.reason} · {a.who}</p>
      </div>
      {a.state === 'shelved'
        ? !s.state?.replay && <button type="button" class="quiet small" aria-label={`Take back the shelving of ${a.rule}`} onClick={() => send('Take back', 'unshelve')}>Take back</button>
        : <AtBench label="Put in service" name={`Put ${a.rule} in service`} onClick={() => send('Put in service', 'in-service')} />}
    </li>
  );
}
