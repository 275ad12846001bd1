import { useEffect, useState } from 'preact/hooks';
import type { Note, Refused } from '../api';
import { number } from '../format';
import { ask } from '../papers';
import { Fault, refused } from './fault';
import { NoteCells } from './history';

interface RunNote extends Note { at_s: number }
interface Page { notes: RunNote[]; total: number; next?: number; algorithm: number; recorded_algorithm: number }

/** What happened in a stored run, oldest first, and who did it. */
export function JournalPanel({ id }: { id: string }) {
  const [notes, setNotes] = useState<RunNote[]>([]), [page, setPage] = useState<Page | undefined>(), [fault, setFault] = useState<Refused | undefined>();
  const load = (after: number) => ask<Page>(`runs/${encodeURIComponent(id)}/journal?after=${after}`).then(
    p => { setPage(p); setNotes(have => [...have.filter(n => n.n <= after), ...p.notes]); setFault(undefined); }, e => setFault(refused(e)));
  useEffect(() => void load(0), [id]);
  return (
    <section class="panel history" aria-labelledby="journal-h">
      <h2 id="journal-h">Journal<span class="chan">{page ? `${page.total} notes` : ''}</span></h2>
      <Fault e={fault} />
      {!page && !fault && <p class="empty" role="status">Reading the journal…</p>}
      {page && page.algorithm !== page.recorded_algorithm && <p class="soft">Computed with algorithm {page.algorithm}; {page.recorded_algorithm} ran then, so what the bench did may differ.</p>}
      {page?.total === 0 && <p class="empty">Nothing but readings and events.</p>}
      {notes.length > 0 && (
        <div class="scroll tall" tabIndex={0} role="region" aria-label="What happened in the run">
          <table>
            <thead><tr><th scope="col" class="r">s</th><th scope="col">What</th><th scope="col">Of</th><th scope="col">Who</th><th scope="col">Remark</th></tr></thead>
            <tbody>{notes.map(n => <tr key={n.n} class={n.refused ? 'doubt' : ''} data-note={n.n}><td class="num r">{number(n.at_s, 3)}</td><NoteCells n={n} /></tr>)}</tbody>
          </table>
        </div>
      )}
      {page?.next !== undefined && <button type="button" class="quiet small" onClick={() => void load(page.next!)}>Show more</button>}
    </section>
  );
}
