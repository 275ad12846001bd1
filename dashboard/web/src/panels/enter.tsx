import { useEffect, useRef, useState } from 'preact/hooks';
import type { State } from '../api';
import { useCommands, useStore } from '../hooks';
import { AtBench } from './ask';

/** What a person does to the bench between tests and states here, by the guard
 *  that asks for it. A volume is not among them: it is part of every result. */
const ENTRIES: Record<string, { label: string; note: string }> = {
  zero: { label: 'Enter the zero', note: 'The line was open to air, and the reading was its zero.' },
  leak: { label: 'Enter the leak rate', note: 'Shut in at low pressure, watched for 30 to 60 s.' },
  dump: { label: 'Enter the exercise', note: 'The dump valve was opened and shut by hand, and the gauge followed.' },
  proof: { label: 'Enter the proof test', note: 'The trip was tested to its last element, by its written procedure.' },
};
const PA_PER_MBAR = 100;

/** What can be done about a guard from this page; nothing where its cure is at
 *  the bench or in its description. */
export function Remedy({ name, st }: { name: string; st: State }) {
  const c = useCommands(), [open, setOpen] = useState(false), entry = ENTRIES[name];
  const valves = st.outputs.filter(o => o.role === 'dump_valve');
  if (name === 'dump' && valves.length > 0) {
    return <>{valves.map(o => <AtBench key={o.name} label={`Exercise ${o.name}`} onClick={() => void c.send('commands', 'Exercise', { verb: 'exercise', args: { output: o.name } })} />)}</>;
  }
  if (!entry) return null;
  return (
    <>
      {!open && <AtBench label={entry.label} onClick={() => setOpen(true)} />}
      {open && <Entry name={name} st={st} done={() => setOpen(false)} />}
    </>
  );
}

function Entry({ name, st, done }: { name: string; st: State; done(): void }) {
  const c = useCommands(), entry = ENTRIES[name]!, form = useRef<HTMLFormElement>(null), [busy, setBusy] = useState(false);
  const today = st.now_utc.slice(0, 10), [date, setDate] = useState(today), named = c.who.trim() !== '';
  useEffect(() => form.current?.querySelector<HTMLElement>('input, select')?.focus(), []);
  const submit = async (e: Event) => {
    e.preventDefault();
    const args: Record<string, string> = { what: name };
    new FormData(e.target as HTMLFormElement).forEach((v, k) => {
      const text = String(v).trim();
      if (text !== '') args[k] = k === 'value' ? String(Number(text) * PA_PER_MBAR) : text;
    });
    setBusy(true);
    const ok = await c.send('commands', entry.label, { verb: 'enter', args });
    setBusy(false);
    if (ok) done();
  };
  return (
    <form class="ask enter" aria-label={entry.label} ref={form} onSubmit={e => void submit(e)} onKeyDown={e => e.key === 'Escape' && done()}>
      <b>{entry.label}</b>
      <p>{entry.note} It stays in the record of every run, and switches nothing.</p>
      {name === 'zero' && <ZeroOf />}
      {name === 'proof' && <ProofOf st={st} after={date} />}
      {name === 'leak' && <label>Leak rate, mbar/s<input name="value" type="number" step="any" required /></label>}
      <label>Done on (UTC)<input name="date" type="date" required max={today} value={date} onInput={e => setDate((e.target as HTMLInputElement).value)} /></label>
      <label>How<input name="method" maxLength={150} autocomplete="off" /></label>
      {!named && <p>Give your name at the top of the page: what is entered is entered by somebody.</p>}
      <div class="row">
        <button type="submit" class="act small" disabled={busy || !named}>{entry.label}</button>
        <button type="button" class="quiet small" onClick={done}>Cancel</button>
      </div>
    </form>
  );
}

/** Each channel of the specimen's pressure has its own zero. */
function ZeroOf() {
  const list = useStore().channels.filter(c => c.role === 'p' && c.quantity === 'pressure');
  return <label>Channel<select name="subject" required>{list.map(c => <option key={c.id} value={c.name}>{c.name}</option>)}</select></label>;
}

/** Those whose test is overdue come first. */
function ProofOf({ st, after }: { st: State; after: string }) {
  const list = [...st.trips].sort((a, b) => Number(b.overdue ?? false) - Number(a.overdue ?? false));
  return (
    <>
      <label>Trip<select name="subject" required>{list.map(t => <option key={t.rule} value={t.rule}>{t.rule}{t.overdue && ` (was due ${t.proof_due})`}</option>)}</select></label>
      <label>Next test due<input name="until" type="date" required min={after} /></label>
    </>
  );
}
