import { useEffect, useState } from 'preact/hooks';
import { between, duration, timeOfDay } from '../format';
import { useBeat, useCommands, useStore } from '../hooks';
import { useRoute } from '../router';
import { PHASES } from '../words';
import type { Specimen } from '../papers';
import { Choose } from './choose';
import { Stop } from './icons';

/** Always on top: which bench, which run, how old the values are, and ABORT. */
export function Header() {
  const s = useStore(), c = useCommands();
  useBeat(250);
  const st = s.state, t = performance.now() / 1000, dead = s.notLive(t) !== '';
  return (
    <header class="top">
      <div class="bench">
        <h1>{st?.bench ?? 'Ventward'}</h1>
        {st?.simulated && <span class="tag simulated">Simulated bench</span>}
        {st?.replay && <span class="tag">Replay</span>}
      </div>
      <RunBlock />
      <div class="clock">
        <span class="label">UTC</span>
        <span class="num">{dead ? '\u2013' : timeOfDay(st?.now_utc)}</span>
      </div>
      {st?.replay ? <p class="noabort">No abort here: <b>this is a replay</b></p> : <button type="button" class="abort" aria-keyshortcuts="F8" onClick={() => void c.send('abort', 'Abort')}><Stop />Abort<kbd>F8</kbd></button>}
    </header>
  );
}

/** From pressurising on a run ends through its course: made safe, then watched. */
const LEFT_TO_COURSE = ['under test', 'holding pressure', 'making safe', 'pressure watch'];

function RunBlock() {
  const s = useStore(), c = useCommands(), open = c.arming, setOpen = c.setArming, { page } = useRoute();
  useEffect(() => setOpen(false), [page]); // it would lie over another page, and over what waits there
  const run = s.state?.run;
  if (run) {
    const here = performance.now() / 1000, t = s.notLive(here) ? NaN : s.ages.bench(here) - run.start_bench_s;
    return (
      <div class="run" aria-label={s.state?.replay ? 'Stored run' : 'Run being recorded'}>
        <div class="fact"><span class="label">Specimen</span><b>{run.specimen}</b></div>
        {run.lot && <div class="fact"><span class="label">Lot</span><b>{run.lot}</b></div>}
        {run.shot !== undefined && <div class="fact"><span class="label">Shot</span><b class="num">{run.shot}</b></div>}
        <div class="fact"><span class="label">Run time</span><b class="num">{duration(t)}</b></div>
        <div class="fact long"><span class="label">Run</span><b class="mono">{run.id}</b></div>
        {!s.state?.replay && !LEFT_TO_COURSE.includes(s.state?.phase ?? '') && <button type="button" class="quiet" onClick={() => void c.send('runs/current/end', 'End run')}>End run</button>}
      </div>
    );
  }
  return (
    <div class="run">
      <div class="fact"><span class="label">Run</span><b>none is being recorded</b></div>
      <button type="button" class="quiet" aria-expanded={open} aria-controls="start-run" onClick={() => setOpen(!open)}>Arm a test</button>
      {open && <StartForm done={() => setOpen(false)} />}
    </div>
  );
}

/** Arms: what the program calls the start of a run. Not a modal dialog: alarms and ABORT stay within reach while it is open. */
function StartForm({ done }: { done: () => void }) {
  const c = useCommands(), [busy, setBusy] = useState(false), [chosen, choose] = useState<Specimen | undefined>();
  const submit = async (e: SubmitEvent) => {
    e.preventDefault();
    const f = new FormData(e.target as HTMLFormElement), shot = Number(f.get('shot') || 0);
    setBusy(true);
    const body = chosen ? { specimen: chosen.id, lot: chosen.lot } : { specimen: String(f.get('specimen') ?? '').trim(), lot: String(f.get('lot') ?? '').trim() };
    const ok = await c.send('runs', 'Arm', { ...body, ...(shot > 0 ? { shot } : {}) });
    setBusy(false);
    if (ok) done();
  };
  return (
    <form id="start-run" class="start" onSubmit={e => void submit(e as SubmitEvent)} onKeyDown={e => e.key === 'Escape' && done()}>
      <Choose chosen={chosen} onChoose={choose} />
      <label>Shot<input name="shot" type="number" min={1} max={99999} step={1} inputMode="numeric" /></label>
      <p class="soft">Arms the bench and records from now on. Nothing is pressurised yet.</p>
      <div class="row">
        <button type="submit" class="act" disabled={busy}>Arm</button>
        <button type="button" class="quiet" onClick={done}>Cancel</button>
      </div>
    </form>
  );
}

/** The states a test goes through, with the present one. */
export function Phases() {
  const s = useStore();
  useBeat(1000);
  const phase = s.state?.phase ?? '', since = between(s.state?.phase_since_utc, s.state?.now_utc);
  const known = PHASES.includes(phase) ? PHASES : [...PHASES, phase];
  return (
    <section aria-label="State of the test">
      <ol class="phases">
        {known.map(p => (
          <li key={p} aria-current={p === phase ? 'step' : undefined}>
            {p}{p === phase && Number.isFinite(since) && <span class="num"> {duration(since)}</span>}
          </li>
        ))}
      </ol>
    </section>
  );
}

/** What became of the last command; stays until it is dismissed if it failed. */
export function Said() {
  const c = useCommands();
  useBeat(1000);
  const fresh = c.said && (c.said.bad || Date.now() - c.said.at < 6000);
  return (
    <div class="said" role="status" aria-live="assertive">
      {c.said && fresh && (
        <div class={c.said.bad ? 'bad' : 'good'}>
          <span><b>{c.said.text}</b> {c.said.next}</span>
          <button type="button" class="quiet" onClick={c.dismiss}>Dismiss</button>
        </div>
      )}
    </div>
  );
}
