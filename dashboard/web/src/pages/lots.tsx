import { useEffect, useState } from 'preact/hooks';
import type { Refused } from '../api';
import { DASH, number } from '../format';
import { Report } from '../panels/document';
import { Fault, refused } from '../panels/fault';
import { Tick, Warn } from '../panels/icons';
import { Page } from '../panels/page';
import { ask, claim, limits, type Document, type Lot, type LotLine } from '../papers';
import { useRoute } from '../router';
import { Specimens } from './specimens';

/** Lots and their statistics: the list, the report of one or several, and the
 *  specimens that came in. */
export function LotsPage() {
  const { item, query } = useRoute();
  if (item === 'specimens') return <Page title="Specimens"><Tabs here="specimens" /><Specimens lot={query.get('lot') ?? ''} /></Page>;
  if (item === 'report') return <LotReport query={query} />;
  return <Page title="Lots"><Tabs here="" /><Overview /></Page>;
}

function Tabs({ here }: { here: string }) {
  return (
    <nav class="tabs" aria-label="Lots and specimens">
      {[['', 'Lots', '#/lots'], ['specimens', 'Specimens and shots', '#/lots/specimens']].map(([key, name, to]) =>
        <a key={key} href={to} aria-current={here === key ? 'page' : undefined}>{name}</a>)}
    </nav>
  );
}

const VERDICTS: Record<LotLine['verdict'], string> = { pass: 'Pass', fail: 'Fail', undecided: 'Undecided', none: 'No limits' };

function Verdict({ l }: { l: LotLine }) {
  return <span class={`verdict ${l.verdict}`}>{l.verdict === 'pass' ? <Tick /> : l.verdict === 'fail' ? <Warn /> : null}{VERDICTS[l.verdict]}</span>;
}

function Overview() {
  const [lots, setLots] = useState<Lot[] | undefined>(), [fault, setFault] = useState<Refused | undefined>(), [picked, pick] = useState<string[]>([]);
  const load = () => {
    setFault(undefined);
    ask<{ lots: Lot[] }>('lots').then(r => setLots(r.lots), e => setFault(refused(e)));
  };
  useEffect(load, []);
  if (fault) return <><Fault e={fault} /><button type="button" class="quiet" onClick={load}>Ask again</button></>;
  if (!lots) return <p class="empty" role="status">Describing the lots…</p>;
  if (lots.length === 0) return <p class="empty">No lot is known. Take a list of specimens in under <a href="#/lots/specimens">Specimens and shots</a>.</p>;
  const shot = lots.filter(l => l.lines.length > 0), rest = lots.filter(l => l.lines.length === 0);
  const chosen = picked.filter(p => shot.some(l => l.lot === p));
  const report = (more: Record<string, string>) => {
    const q = new URLSearchParams(more);
    for (const l of chosen) q.append('lot', l);
    return `#/lots/report?${q}`;
  };
  return (
    <>
      <section class="panel">
        <h3>What can be said of each lot, with 95 % confidence of 99 % of it</h3>
        <div class="scroll" tabIndex={0} role="region" aria-label="Lots">
          <table class="lots">
            <thead>
              <tr>
                <th scope="col"><span class="visually-hidden">Choose</span></th><th scope="col">Lot</th><th scope="col">Feature</th><th scope="col">Verdict</th>
                <th scope="col" class="r">Valid</th><th scope="col" class="r wideonly">At least</th><th scope="col" class="r">Excluded</th>
                <th scope="col" class="r">Mean barg</th><th scope="col" class="r">s bar</th><th scope="col" class="r wideonly">Least to greatest</th>
                <th scope="col" class="r">Claim barg</th><th scope="col" class="r">Limits barg</th><th scope="col" class="r wideonly">Cpk</th><th scope="col" class="r">Unused</th>
              </tr>
            </thead>
            {shot.map(l => <LotRows key={l.lot} lot={l} picked={picked.includes(l.lot)} pick={on => pick(on ? [...picked, l.lot] : picked.filter(p => p !== l.lot))} />)}
          </table>
        </div>
        <div class="choices">
          <a class="button" aria-disabled={chosen.length === 0} href={chosen.length ? report({}) : undefined}>Report of {chosen.length === 0 ? 'the lots chosen' : chosen.join(', ')}</a>
          {chosen.length > 1 && <a class="button" href={report({ together: 'true' })}>…as features of one cell (opening order)</a>}
          <span class="soft">Choose several lots to see them side by side, with the trend of the punch. Lots and conditions are never pooled.</span>
        </div>
      </section>
      {rest.length > 0 && (
        <section class="panel">
          <h3>Taken in, not shot yet</h3>
          <ul class="notshot">{rest.map(l => <li key={l.lot}><a href={`#/lots/specimens?lot=${encodeURIComponent(l.lot)}`}>{l.lot}</a> <span class="soft">{l.unused} of {l.specimens} unused</span></li>)}</ul>
        </section>
      )}
    </>
  );
}

function LotRows({ lot, picked, pick }: { lot: Lot; picked: boolean; pick: (on: boolean) => void }) {
  return (
    <tbody>
      {lot.lines.map((l, i) => (
        <>
          <tr key={i} class="figures-row">
            <td>{i === 0 && <input type="checkbox" aria-label={`Choose lot ${lot.lot}`} checked={picked} onChange={e => pick((e.target as HTMLInputElement).checked)} />}</td>
            <th scope="row">{i === 0 ? <a href={`#/lots/report?lot=${encodeURIComponent(lot.lot)}`}>{lot.lot}</a> : <span class="visually-hidden">{lot.lot}</span>}{i === 0 && lot.simulated > 0 && <span class="tag simulated">Simulated</span>}</th>
            <td>{l.feature}{l.conditions && <small class="soft">{Object.entries(l.conditions).map(([k, v]) => `${k}: ${v}`).join(', ')}</small>}</td>
            <td><Verdict l={l} /></td>
            <td class="r num">{l.n}</td><td class="r num wideonly">{l.n_censored || DASH}</td><td class="r num">{l.excluded || DASH}</td>
            <td class="r num">{number(l.mean_barg, 2)}</td><td class="r num">{number(l.s_bar, 3)}</td>
            <td class="r num wideonly">{l.min_barg === undefined ? DASH : `${number(l.min_barg, 2)} to ${number(l.max_barg, 2)}`}</td>
            <td class="r num">{claim(l)}</td><td class="r num">{limits(l)}</td><td class="r num wideonly">{number(l.cpk, 2)}</td>
            <td class="r num">{i === 0 && lot.specimens > 0 ? <a href={`#/lots/specimens?lot=${encodeURIComponent(lot.lot)}`}>{lot.unused} of {lot.specimens}</a> : DASH}</td>
          </tr>
          <tr key={`${i}s`} class="sentence-row"><td /><td colSpan={13}><div>{l.sentence}</div></td></tr>
        </>
      ))}
      {lot.awaiting_outcome > 0 && <tr class="doubt"><td /><td colSpan={13}><div><Warn />{lot.awaiting_outcome} shot without an outcome: <a href={`#/lots/specimens?lot=${encodeURIComponent(lot.lot)}`}>enter what was found on the specimen</a>.</div></td></tr>}
    </tbody>
  );
}

const POOLS = ['medium', 'ramp', 'temperature', 'trigger', 'surrounding', 'die'];

function LotReport({ query }: { query: URLSearchParams }) {
  const lots = query.getAll('lot'), key = query.toString();
  const [doc, setDoc] = useState<Document | undefined>(), [fault, setFault] = useState<Refused | undefined>();
  useEffect(() => {
    let here = true;
    setDoc(undefined);
    setFault(undefined);
    ask<Document>(`lots/report?${key}`).then(d => here && setDoc(d), e => here && setFault(refused(e)));
    return () => { here = false; };
  }, [key]);
  const change = (name: string, values: string[]) => {
    const q = new URLSearchParams(query);
    q.delete(name);
    for (const v of values) if (v !== '') q.append(name, v);
    location.hash = `#/lots/report?${q}`;
  };
  const pooled = query.getAll('pool');
  return (
    <Page title={lots.length > 1 ? `Lots ${lots.join(', ')}` : `Lot ${lots[0] ?? ''}`}>
      <p><a href="#/lots">All lots</a></p>
      <form class="panel asks" onSubmit={e => e.preventDefault()}>
        <label>Confidence<input type="number" min={0.5} max={0.999} step="any" value={query.get('confidence') ?? '0.95'} onChange={e => change('confidence', [(e.target as HTMLInputElement).value])} /></label>
        <label>Coverage<input type="number" min={0.5} max={0.9999} step="any" value={query.get('coverage') ?? '0.99'} onChange={e => change('coverage', [(e.target as HTMLInputElement).value])} /></label>
        {lots.length > 1 && <label class="check"><input type="checkbox" checked={query.get('together') === 'true'} onChange={e => change('together', (e.target as HTMLInputElement).checked ? ['true'] : [])} />Features of one cell: opening order across these lots</label>}
        <fieldset>
          <legend>Pool although they differ (the report says so)</legend>
          {POOLS.map(p => <label class="check" key={p}><input type="checkbox" checked={pooled.includes(p)} onChange={e => change('pool', (e.target as HTMLInputElement).checked ? [...pooled, p] : pooled.filter(x => x !== p))} />{p}</label>)}
        </fieldset>
      </form>
      <Fault e={fault} />
      {!doc && !fault && <p class="empty" role="status">Computing…</p>}
      {doc && <Report d={doc} />}
    </Page>
  );
}
