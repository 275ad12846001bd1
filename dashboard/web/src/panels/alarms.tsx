import type { Alarm } from '../api';
import { timeOfDay } from '../format';
import { useCommands, useStore } from '../hooks';
import { PRIORITY_WORD, priorityRank } from '../words';
import { Priority } from './icons';

const STATE: Record<string, string> = { acknowledged: 'acknowledged', 'returned-unacknowledged': 'gone by itself' };

/** When, and what became of it. */
function meta(a: Alarm): string {
  const state = STATE[a.state];
  return [PRIORITY_WORD[a.priority], timeOfDay(a.since_utc), a.first ? 'first' : '', state && a.who && a.state === 'acknowledged' ? `${state} by ${a.who}` : state].filter(Boolean).join(' · ');
}

const waiting = (a: Alarm) => a.state !== 'acknowledged';

/** What somebody must answer: the unanswered and most urgent first. */
export function Alarms() {
  const s = useStore(), c = useCommands();
  const list = [...s.alarms].sort((a, b) => Number(waiting(b)) - Number(waiting(a)) || priorityRank(a.priority) - priorityRank(b.priority) || b.id - a.id);
  const open = list.filter(waiting).length;
  return (
    <section class="panel alarms" id="alarms" aria-labelledby="alarms-h" tabIndex={-1}>
      <h2 id="alarms-h">Alarms<span class="tally">{list.length === 0 ? 'none' : `${open} to acknowledge, ${list.length} in all`}</span></h2>
      <div class="visually-hidden" aria-live="assertive">{list.filter(a => a.state === 'unacknowledged').slice(0, 1).map(a => `${PRIORITY_WORD[a.priority]} alarm: ${a.message}`)}</div>
      {list.length === 0 && <p class="empty">No alarm. That is no proof that nothing is wrong.</p>}
      <ul tabIndex={list.length > 1 ? 0 : undefined} aria-labelledby="alarms-h">
        {list.map(a => (
          <li key={a.id} class={`alarm ${a.priority} ${a.state}`}>
            <Priority p={a.priority} />
            <div class="what">
              <b>{a.message}</b>
              {a.text && <p>{a.text}</p>}
              <div class="foot">
                <p class="meta num">{meta(a)}</p>
                {waiting(a) && (
                  <button type="button" class="act" aria-label={`Acknowledge: ${a.message}`} onClick={() => void c.send(`alarms/${a.id}/acknowledge`, 'Acknowledge')}>Acknowledge</button>
                )}
              </div>
            </div>
          </li>
        ))}
      </ul>
    </section>
  );
}
