import { useEffect, useState } from 'preact/hooks';
import type { Event, Refused } from '../api';
import { DASH, duration } from '../format';
import { CurvePanel } from '../panels/curve';
import { Report } from '../panels/document';
import { EventCard } from '../panels/events';
import { Fault, refused } from '../panels/fault';
import { Warn } from '../panels/icons';
import { JournalPanel } from '../panels/journal';
import { Page } from '../panels/page';
import { ask, type Document, type Run } from '../papers';
import { useRoute } from '../router';

const SHOWN = 200;

export function RunsPage() {
  const { item } = useRoute();
  return item === '' ? <Stored /> : <One key={item} id={item} />;
}

/** What one run came to: the same words, tables and pictures as its report. */
function One({ id }: { id: string }) {
  const [doc, setDoc] = useState<Document | undefined>(), [fault, setFault] = useState<Refused | undefined>(), path = `runs/${encodeURIComponent(id)}/report`;
  useEffect(() => {
    let here = true;
    ask<Document>(path).then(d => here && setDoc(d), e => here && setFault(refused(e)));
    return () => { here = false; };
  }, [path]);
  const [events, setEvents] = useState<Event[] | undefined>();
  useEffect(() => {
    let here = true;
    ask<{ events: Event[] }>(`runs/${encodeURIComponent(id)}`).then(r => here && setEvents(r.events), e => here && setFault(refused(e)));
    return () => { here = false; };
  }, [id]);
  return (
    <Page title={`Run ${id}`}>
      <p><a href="#/runs">All runs</a>{doc && <> · <a href={`/api/v1/${path}?form=pdf`} download={`${id}.pdf`}>Its report as PDF</a></>}</p>
      <p class="banner stored"><Warn />A stored run, not live: this is not the bench as it is now.</p>
      <p class="soft"><code>ventward replay {id} --page</code> plays it again, on a page like the bench’s.</p>
      <Fault e={fault} />
      {events && <>
        <CurvePanel id={id} events={events} />
        <section class="panel events" aria-labelledby="run-events-h">
          <h2 id="run-events-h">Events<span class="chan">s from the run’s zero; ± with k = 2</span></h2>
          {events.length === 0 && <p class="empty">Nothing detected. No drop seen does not mean not opened.</p>}
          <ul class="list">{events.map(e => <EventCard key={e.id} e={e} />)}</ul>
        </section>
        <JournalPanel id={id} />
      </>}
      {!doc && !fault && <p class="empty" role="status">Reading the run…</p>}
      {doc && <Report d={doc} />}
    </Page>
  );
}

/** What is stored, newest first. */
function Stored() {
  const [runs, setRuns] = useState<Run[] | undefined>(), [fault, setFault] = useState<Refused | undefined>();
  const load = () => {
    setFault(undefined);
    ask<{ runs: Run[] }>(`runs?limit=${SHOWN}`).then(r => setRuns(r.runs), e => setFault(refused(e)));
  };
  useEffect(load, []);
  return (
    <Page title="Runs">
      {fault && <><Fault e={fault} /><button type="button" class="quiet" onClick={load}>Ask again</button></>}
      {!runs && !fault && <p class="empty" role="status">Listing the runs…</p>}
      {runs?.length === 0 && <p class="empty">No run is stored yet.</p>}
      {runs && runs.length > 0 && (
        <section class="panel">
          <p class="soft">On the command line <code>ventward replay RUN</code> plays a run, and <code>ventward verify RUN</code> computes it again.</p>
          <div class="scroll" tabIndex={0} role="region" aria-label="Runs">
            <table class="runs">
              <thead><tr><th scope="col">Run</th><th scope="col">Begun (UTC)</th><th scope="col">Specimen</th><th scope="col">Lot</th><th scope="col" class="r">Shot</th><th scope="col" class="r">Lasted</th><th scope="col">State</th></tr></thead>
              <tbody>{runs.map(r => (
                <tr key={r.id} class={r.interrupted ? 'doubt' : undefined}>
                  <th scope="row">{r.open ? r.id : <a href={`#/runs/${encodeURIComponent(r.id)}`}>{r.id}</a>}</th><td class="num">{r.start_utc.slice(0, 19).replace('T', ' ')}</td><td>{r.specimen || DASH}</td><td>{r.lot || DASH}</td>
                  <td class="r num">{r.shot || DASH}</td><td class="r num">{r.open ? DASH : duration(r.duration_s)}</td>
                  <td>{r.open ? 'being recorded' : r.interrupted ? <><Warn />interrupted: it ended with the program</> : 'closed'}</td>
                </tr>))}
              </tbody>
            </table>
          </div>
          {runs.length === SHOWN && <p class="soft">The newest {SHOWN} are shown; <code>ventward runs</code> lists them all.</p>}
        </section>
      )}
    </Page>
  );
}
