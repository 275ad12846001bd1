import { useEffect, useRef, useState } from 'preact/hooks';
import { history, type Note } from '../api';
import { timeOfDay } from '../format';
import { capital, PRIORITY_WORD } from '../words';

const SHOWN = 200;
const AGAIN_MS = 2000;
const KINDS = [['', 'Everything'], ['alarm', 'Alarms'], ['trip', 'Trips'], ['phase', 'Course'], ['command', 'Commands']] as const;

/** What happened, newest first, and who did it. Asked for only while it is open. */
export function History() {
  const [open, setOpen] = useState(false), [notes, setNotes] = useState<Note[]>([]), [fault, setFault] = useState(''), [kind, setKind] = useState('');
  const last = useRef(0);
  useEffect(() => {
    if (!open) return;
    let over = false, timer = 0;
    const ask = async () => {
      try {
        const more = await history(last.current);
        if (over) return;
        if (more.length > 0) {
          last.current = more[more.length - 1]!.n;
          setNotes(have => [...have, ...more].slice(-1000));
        }
        setFault('');
      } catch (e) {
        if (!over) setFault(e instanceof Error ? e.message : String(e));
      }
      if (!over) timer = window.setTimeout(() => void ask(), AGAIN_MS);
    };
    void ask();
    return () => {
      over = true;
      clearTimeout(timer);
    };
  }, [open]);
  const list = notes.filter(n => kind === '' || n.kind === kind).reverse();
  return (
    <section class="panel history" aria-labelledby="history-h">
      <h2 id="history-h">History<span class="chan">since the program started</span>
        <button type="button" class="quiet small more" aria-expanded={open} aria-controls="history-list" onClick={() => setOpen(!open)}>{open ? 'Hide' : 'Show'}</button></h2>
      <div id="history-list" hidden={!open}>
        <div class="kinds" role="group" aria-label="Show only">{KINDS.map(([k, name]) => <button type="button" key={k} class="quiet small" aria-pressed={k === kind} onClick={() => setKind(k)}>{name}</button>)}</div>
        {fault && <p class="quality bad">The history could not be read: {fault}.</p>}
        {list.length === 0 && !fault && <p class="empty">Nothing so far.</p>}
        {list.length > 0 && (
          <div class="scroll tall" tabIndex={0} role="group" aria-label="Table of what happened">
            <table>
              <thead><tr><th scope="col">UTC</th><th scope="col">What</th><th scope="col">Of</th><th scope="col">Who</th><th scope="col">Remark</th></tr></thead>
              <tbody>{list.slice(0, SHOWN).map(n => <Line key={n.n} n={n} />)}</tbody>
            </table>
          </div>
        )}
        {list.length > SHOWN && <p class="empty">{list.length - SHOWN} earlier ones are not shown.</p>}
      </div>
    </section>
  );
}

function Line({ n }: { n: Note }) {
  return (
    <tr class={n.refused ? 'doubt' : ''} data-note={n.n}>
      <td class="num">{timeOfDay(n.at_utc)}</td>
      <NoteCells n={n} />
    </tr>
  );
}

/** What a note says, after the cell of its time. */
export function NoteCells({ n }: { n: Note }) {
  const until = n.until_utc ? `until ${timeOfDay(n.until_utc)}` : '';
  const what = n.kind === 'phase' ? 'Course' : n.kind === 'command' ? `${n.subject}: ${n.what}` : n.kind === 'output' ? `Demanded ${n.what}` : n.what;
  return (
    <>
      <th scope="row">{capital(what)}</th>
      <td>{n.kind === 'command' ? n.text : n.subject}{n.priority && <span class="soft"> {PRIORITY_WORD[n.priority]?.toLowerCase()}</span>}</td>
      <td>{n.who || (n.kind === 'command' ? 'unattributed' : '')}</td>
      <td>{[n.kind === 'command' ? '' : n.text, n.reason, until].filter(Boolean).join(' · ')}</td>
    </>
  );
}
