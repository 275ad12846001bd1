import { useEffect, useState } from 'preact/hooks';
import type { Refused } from '../api';
import { DASH, number } from '../format';
import { useCommands } from '../hooks';
import { Fault, refused } from '../panels/fault';
import { Tick, Warn } from '../panels/icons';
import { ask, send, type Specimen } from '../papers';

const SHOWN = 500;

/** What came in, what became of it, and what persons have to say of it. */
export function Specimens({ lot }: { lot: string }) {
  const [all, setAll] = useState<Specimen[] | undefined>(), [fault, setFault] = useState<Refused | undefined>(), [find, setFind] = useState(''), [status, setStatus] = useState('');
  const load = () => {
    const q = new URLSearchParams({ limit: String(SHOWN), ...(lot ? { lot } : {}), ...(find ? { find } : {}), ...(status === 'unused' ? { unused: 'true' } : {}) });
    ask<{ specimens: Specimen[] }>(`specimens?${q}`).then(r => { setAll(r.specimens); setFault(undefined); }, e => setFault(refused(e)));
  };
  useEffect(load, [lot, find, status]);
  const shown = (all ?? []).filter(s => status === '' || status === 'awaits' ? status === '' || s.awaits_outcome : s.status === status);
  return (
    <>
      <Intake done={load} />
      <section class="panel">
        <h3>Specimens{lot && <> of lot {lot} <a class="clear" href="#/lots/specimens">show all lots</a></>}</h3>
        <div class="asks">
          <label>Find an id<input type="search" value={find} maxLength={80} onInput={e => setFind((e.target as HTMLInputElement).value)} /></label>
          <label>Status<select value={status} onChange={e => setStatus((e.target as HTMLSelectElement).value)}>
            <option value="">all</option><option value="unused">unused</option><option value="shot">shot</option><option value="awaits">without an outcome</option><option value="excluded">excluded</option>
          </select></label>
        </div>
        <Fault e={fault} />
        {all && shown.length === 0 && <p class="empty">None.</p>}
        {shown.length > 0 && (
          <div class="scroll" tabIndex={0} role="region" aria-label="Specimens">
            <table class="specimens">
              <thead><tr><th scope="col">Specimen</th><th scope="col">Lot</th><th scope="col">Feature</th><th scope="col" class="r">Residual µm</th><th scope="col">Die</th><th scope="col" class="r">Strokes</th><th scope="col">Status</th><th scope="col">Found, review, reason</th><th scope="col"><span class="visually-hidden">Entries</span></th></tr></thead>
              <tbody>{shown.map(s => <Piece key={s.id} s={s} done={load} />)}</tbody>
            </table>
          </div>
        )}
        {all?.length === SHOWN && <p class="soft">The first {SHOWN} are shown: choose a lot, or search.</p>}
      </section>
    </>
  );
}

function Piece({ s, done }: { s: Specimen; done: () => void }) {
  const [open, setOpen] = useState('');
  const entered = () => { setOpen(''); done(); };
  const button = (what: string, name: string) => <button type="button" class="quiet small" aria-expanded={open === what} onClick={() => setOpen(open === what ? '' : what)}>{name}</button>;
  return (
    <>
      <tr class={s.awaits_outcome ? 'doubt' : s.status === 'excluded' ? 'soft' : undefined}>
        <th scope="row">{s.id}</th><td>{s.lot}</td><td>{s.feature}</td><td class="r num">{number(s.residual_um, 1)}</td><td>{s.die || DASH}</td><td class="r num">{number(s.strokes, 0)}</td>
        <td>{s.status === 'shot' && s.review ? <Tick /> : s.awaits_outcome ? <Warn /> : null}{s.awaits_outcome ? 'shot, no outcome yet' : s.status}{s.run && <small class="soft">run <a href={`#/runs/${encodeURIComponent(s.run)}`}>{s.run}</a></small>}</td>
        <td>{story(s)}</td>
        <td class="acts">
          {s.run ? <>{button('outcome', s.outcome ? 'Outcome…' : 'Enter outcome…')}{s.outcome && button('review', 'Review…')}</> : button('aside', s.status === 'excluded' ? 'Take back…' : 'Set aside…')}
        </td>
      </tr>
      {open !== '' && <tr class="entry"><td colSpan={9}>{open === 'outcome' ? <OutcomeForm s={s} done={entered} /> : open === 'review' ? <ReviewForm s={s} done={entered} /> : <AsideForm s={s} done={entered} />}</td></tr>}
    </>
  );
}

function story(s: Specimen): string {
  const o = s.outcome, r = s.review;
  const parts = [o && `${o.feature ? `${o.feature} ` : ''}${o.extent}${o.remark ? `, ${o.remark}` : ''} (${o.who})`, r && `${r.ruling === 'remark' ? 'valid with a remark' : r.ruling}${r.reason ? `: ${r.reason}` : ''} (${r.who})`, !s.run && s.reason];
  return parts.filter(Boolean).join('; ') || DASH;
}

/** Sends an entry and shows its "no" where it was made. */
function useEntry(done: () => void) {
  const [fault, setFault] = useState<Refused | undefined>(), [busy, setBusy] = useState(false), c = useCommands();
  const enter = async (path: string, body: Record<string, unknown>) => {
    setBusy(true);
    try {
      await send(path, c.who.trim() ? { ...body, who: c.who.trim() } : body);
      setBusy(false);
      done();
    } catch (e) {
      setBusy(false);
      setFault(refused(e));
    }
  };
  const who = <label>Your name<input value={c.who} maxLength={80} autocomplete="name" onInput={e => c.setWho((e.target as HTMLInputElement).value)} /></label>;
  return { fault, busy, enter, who };
}

const EXTENTS = [['full', 'full, along the whole score'], ['partial', 'partial, along part of it'], ['torn', 'torn outside the score'], ['held', 'nothing opened'], ['untested', 'not tested: no pressure was put on']] as const;
const opened = (extent: string) => ['full', 'partial', 'torn'].includes(extent);

function OutcomeForm({ s, done }: { s: Specimen; done: () => void }) {
  const { fault, busy, enter, who } = useEntry(done), [extent, setExtent] = useState(s.outcome?.extent ?? ''), [feature, setFeature] = useState(s.outcome?.feature ?? '');
  const submit = (e: SubmitEvent) => {
    e.preventDefault();
    const remark = String(new FormData(e.target as HTMLFormElement).get('remark'));
    void enter(`runs/${s.run}/outcome`, { extent, ...(opened(extent) ? { feature } : {}), remark });
  };
  return (
    <form class="asks" onSubmit={e => submit(e as SubmitEvent)}>
      <p class="wideblock">What was found on {s.id}? No drop seen does not mean not opened: look at the specimen.</p>
      <label>How it opened<select required value={extent} onChange={e => setExtent((e.target as HTMLSelectElement).value)}><option value="">choose</option>{EXTENTS.map(([k, v]) => <option key={k} value={k}>{v}</option>)}</select></label>
      {opened(extent) && <label>Feature found open<select required value={feature} onChange={e => setFeature((e.target as HTMLSelectElement).value)}><option value="">choose</option>{['top vent', 'bottom vent', 'housing', 'cell'].map(f => <option key={f} value={f}>{f}</option>)}</select></label>}
      <label>Remark<input name="remark" maxLength={200} defaultValue={s.outcome?.remark ?? ''} /></label>{who}
      <button type="submit" class="act" disabled={busy}>Enter outcome</button>
      <Fault e={fault} />
    </form>
  );
}

function ReviewForm({ s, done }: { s: Specimen; done: () => void }) {
  const { fault, busy, enter, who } = useEntry(done), [ruling, setRuling] = useState(s.review?.ruling ?? '');
  const submit = (e: SubmitEvent) => {
    e.preventDefault();
    void enter(`runs/${s.run}/review`, { ruling, reason: String(new FormData(e.target as HTMLFormElement).get('reason')) });
  };
  return (
    <form class="asks" onSubmit={e => submit(e as SubmitEvent)}>
      <p class="wideblock">Does the shot of {s.id} count? It keeps its number; none is deleted.</p>
      <label>Ruling<select required value={ruling} onChange={e => setRuling((e.target as HTMLSelectElement).value)}><option value="">choose</option><option value="valid">valid</option><option value="remark">valid with a remark</option><option value="invalid">invalid, with a reason</option></select></label>
      <label>Reason or remark<input name="reason" required={ruling === 'remark' || ruling === 'invalid'} maxLength={200} defaultValue={s.review?.reason ?? ''} /></label>{who}
      <button type="submit" class="act" disabled={busy}>Enter review</button>
      <Fault e={fault} />
    </form>
  );
}

function AsideForm({ s, done }: { s: Specimen; done: () => void }) {
  const { fault, busy, enter, who } = useEntry(done), back = s.status === 'excluded';
  const submit = (e: SubmitEvent) => {
    e.preventDefault();
    void enter(`specimens/${encodeURIComponent(s.id)}/set-aside`, { reason: back ? '' : String(new FormData(e.target as HTMLFormElement).get('reason')) });
  };
  return (
    <form class="asks" onSubmit={e => submit(e as SubmitEvent)}>
      {back ? <p class="wideblock">{s.id} was set aside: {s.reason}. Taken back, it can be chosen for a shot again.</p> : <label>Why is it set aside?<input name="reason" required maxLength={200} /></label>}
      {who}<button type="submit" class="act" disabled={busy}>{back ? 'Take back' : 'Set aside'}</button>
      <Fault e={fault} />
    </form>
  );
}

/** A list comes in whole, or every wrong row is named. */
function Intake({ done }: { done: () => void }) {
  const c = useCommands(), [fault, setFault] = useState<Refused | undefined>(), [said, say] = useState(''), [busy, setBusy] = useState(false);
  const take = async (e: SubmitEvent) => {
    e.preventDefault();
    const form = e.target as HTMLFormElement, file = (form.elements.namedItem('list') as HTMLInputElement).files?.[0];
    if (!file) return;
    setBusy(true);
    setFault(undefined);
    say('');
    try {
      const q = new URLSearchParams({ file: file.name.slice(-80), ...(c.who.trim() ? { who: c.who.trim() } : {}) });
      const r = await ask<{ specimens: number; ignored: string[] }>(`specimens/intake?${q}`, { method: 'POST', headers: { 'Content-Type': 'text/csv' }, body: file });
      say(`${r.specimens} specimens taken in.${r.ignored.length ? ` Columns not used: ${r.ignored.join(', ')}.` : ''}`);
      form.reset();
      done();
    } catch (err) {
      setFault(refused(err));
    }
    setBusy(false);
  };
  return (
    <section class="panel">
      <h3>Take a list in</h3>
      <form class="asks" onSubmit={e => void take(e as SubmitEvent)}>
        <label>List (CSV)<input type="file" name="list" accept=".csv,text/csv" required /></label>
        <label>Your name<input value={c.who} maxLength={80} autocomplete="name" onInput={e => c.setWho((e.target as HTMLInputElement).value)} /></label>
        <button type="submit" class="act" disabled={busy}>Take in</button>
        <p class="soft wideblock">Columns: id, lot, feature; and if known residual_um, die, strokes, medium, trigger, surrounding, temperature_C, note. It comes in whole or not at all.</p>
      </form>
      <p role="status">{said && <><Tick />{said}</>}</p>
      <Fault e={fault} />
    </section>
  );
}
