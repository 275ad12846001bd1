import { useEffect, useState } from 'preact/hooks';
import type { Refused } from '../api';
import { Report } from '../panels/document';
import { Fault, refused } from '../panels/fault';
import { Warn } from '../panels/icons';
import { ask, caseOf, send, Wrong, type Job } from '../papers';

interface Ask { key: string; label: string; unit: string; value: string }
interface Part { name: string; title: string; fields: Ask[] }

const f = (key: string, label: string, unit: string, value = ''): Ask => ({ key, label, unit, value });
const vent = (name: string, title: string, v: string[]): Part => ({ name, title, fields: [
  f('opening_barg', 'Opens at, mean', 'bar gauge', v[0]), f('opening_s_bar', 's of the lot', 'bar', v[1]), f('pieces', 'Pieces behind them', '', v[2]),
  f('area_mm2', 'Area, fully open', 'mm²', v[3]), f('discharge', 'C_d', '', v[4]), f('open_fraction', 'Open fraction, 0 to 1', '', v[5])] });

/** The figures of the demo's own can, all invented. An empty field is left out. */
const PARTS: Part[] = [
  { name: '', title: 'Case', fields: [f('name', 'Name', '', 'M47, thermal runaway from the bottom')] },
  { name: 'cell', title: 'Cell', fields: [f('free_volume_ml', 'Free volume', 'mL', '5.0'), f('ambient_bara', 'Surroundings', 'bar absolute', '1.01325')] },
  { name: 'gas', title: 'Gas', fields: [f('cathode', 'Composition of: NMC, LCO/NMC or LFP', '', 'NMC')] },
  { name: 'runaway', title: 'Runaway', fields: [f('amount_mmol', 'Gas in all', 'mmol', '180'), f('duration_s', 'Within', 's', '0.6'), f('temperature_C', 'Gas temperature', '°C', '750')] },
  vent('top_vent', 'Top vent', ['19.5', '0.4', '30', '14.0', '0.8', '0.5']),
  vent('bottom_vent', 'Bottom vent (leave empty: none)', ['28.5', '0.47', '30', '110', '0.7', '']),
  { name: 'housing', title: 'Housing', fields: [f('strength_barg', 'Strength cold, mean', 'bar gauge', '44.0'), f('strength_s_bar', 's of the lot', 'bar', '1.0'), f('pieces', 'Pieces behind them', '', '10'), f('hot_factor', 'Hot strength over cold', '', '0.80')] },
  { name: 'uncertainty', title: 'Uncertainty (k = 1)', fields: [f('amount_percent', 'Gas in all', '%', '10'), f('duration_percent', 'Duration', '%', '15'), f('temperature_K', 'Gas temperature', 'K', '60'), f('free_volume_percent', 'Free volume', '%', '10'),
    f('top_area_percent', 'Top vent, C_d·A', '%', '5'), f('bottom_area_percent', 'Bottom vent, C_d·A', '%', '10'), f('hot_factor', 'Hot strength over cold', '', '0.03'), f('open_fraction', 'Open fraction of the top vent, from and to', '', '[0.2, 0.8]')] },
];

const WAIT_MS = 400;

/** Pressure in a cell during a runaway. It is computed behind the bench's work. */
export function Venting() {
  const [values, setValues] = useState<Record<string, string>>(() => Object.fromEntries(PARTS.flatMap(p => p.fields.map(x => [`${p.name}.${x.key}`, x.value]))));
  const [text, setText] = useState<string | undefined>(), [compare, setCompare] = useState(true), [trials, setTrials] = useState('200');
  const [fault, setFault] = useState<Refused | undefined>(), [lines, setLines] = useState(new Map<number, string>()), [job, setJob] = useState<Job | undefined>();
  const toml = () => caseOf(PARTS.map(p => ({ name: p.name, fields: p.fields.map(x => ({ key: x.key, value: values[`${p.name}.${x.key}`] ?? '' })) })));
  const waiting = job?.state === 'waiting' || job?.state === 'running';
  useEffect(() => {
    if (!job || !waiting) return;
    let here = true;
    const t = setTimeout(() => ask<Job>(`estimates/venting/jobs/${job.id}`).then(j => here && setJob(j), e => { if (here) { setJob(undefined); setFault(refused(e)); } }), WAIT_MS);
    return () => { here = false; clearTimeout(t); };
  }, [job]);
  const start = async (e: SubmitEvent) => {
    e.preventDefault();
    const made = text === undefined ? toml() : { text, lines: new Map<number, string>() };
    setLines(made.lines);
    setFault(undefined);
    try {
      setJob(await send<Job>('estimates/venting', { case: made.text, compare, trials: Math.round(Number(trials)) || 0 }));
    } catch (err) {
      setJob(undefined);
      setFault(refused(err));
    }
  };
  const at = placed(fault, lines);
  return (
    <>
      <form class="panel calc venting" noValidate onSubmit={e => void start(e as SubmitEvent)}>
        {text === undefined ? PARTS.map(p => (
          <fieldset key={p.name}>
            <legend>{p.title}</legend>
            {p.fields.map(x => {
              const id = `${p.name}.${x.key}`, w = at.fields.get(id);
              return (
                <label key={id}>
                  <span>{x.label}</span>
                  <span class="withunit">
                    <input name={id} value={values[id]} autocomplete="off" aria-invalid={w ? true : undefined} aria-describedby={w ? `v-${id}` : undefined} onInput={e => setValues({ ...values, [id]: (e.target as HTMLInputElement).value })} />
                    <span class="unit">{x.unit}</span>
                  </span>
                  {w && <span class="wrong" id={`v-${id}`} role="alert"><Warn />{w}</span>}
                </label>
              );
            })}
          </fieldset>
        )) : <label class="whole"><span>The case as text (TOML), as <code>ventward estimate venting</code> reads it</span><textarea value={text} rows={28} spellcheck={false} onInput={e => setText((e.target as HTMLTextAreaElement).value)} /></label>}
        <div class="choices">
          <label class="check"><input type="checkbox" checked={compare} onChange={e => setCompare((e.target as HTMLInputElement).checked)} />Designer’s options side by side</label>
          <label>Simulated cells a design <input inputMode="numeric" class="short" value={trials} onInput={e => setTrials((e.target as HTMLInputElement).value)} /></label>
          <button type="submit" class="act" disabled={waiting}>Estimate</button>
          <button type="button" class="quiet" onClick={() => setText(text === undefined ? toml().text : undefined)}>{text === undefined ? 'Edit as text' : 'Back to the form'}</button>
          <button type="button" class="quiet" onClick={() => void ask<{ case: string }>('estimates/venting/example').then(r => setText(r.case), e => setFault(refused(e)))}>Commented example, with the core</button>
        </div>
        {fault && at.rest && <Fault e={fault} />}
      </form>
      {job && job.state !== 'done' && <Progress job={job} cancel={() => void send<Job>(`estimates/venting/jobs/${job.id}/cancel`, {}).then(setJob, e => setFault(refused(e)))} />}
      {job?.document && <Report d={job.document} />}
    </>
  );
}

function Progress({ job, cancel }: { job: Job; cancel: () => void }) {
  const said = { waiting: 'Waiting for its turn', running: job.held ? 'The bench goes first: waiting' : 'Simulating', cancelled: 'Cancelled', failed: `Failed: ${job.why ?? ''}`, done: '' }[job.state];
  return (
    <section class="panel progress">
      <p role="status">{said}</p>
      {(job.state === 'waiting' || job.state === 'running') && <><progress max={1} value={job.part} aria-label="Part that is done" /><span class="num">{Math.round(100 * job.part)} %</span><button type="button" class="quiet" onClick={cancel}>Cancel</button></>}
    </section>
  );
}

/** Puts each problem at its field, by the line of the case that it names; rest:
 *  some have none. */
function placed(fault: Refused | undefined, lines: Map<number, string>): { fields: Map<string, string>; rest: boolean } {
  const out = new Map<string, string>();
  if (!(fault instanceof Wrong) || fault.fields.length === 0) return { fields: out, rest: true };
  let rest = false;
  for (const p of fault.fields) {
    const line = /^line (\d+): /.exec(p.field), missing = /^([a-z_]+): (\w+)$/.exec(p.field);
    const id = line ? lines.get(Number(line[1])) : missing ? `${missing[1]}.${missing[2]}` : undefined;
    if (id && PARTS.some(s => s.fields.some(x => `${s.name}.${x.key}` === id))) out.set(id, p.next);
    else rest = true;
  }
  return { fields: out, rest };
}
