import type { ComponentChildren } from 'preact';
import { useRef, useState } from 'preact/hooks';
import type { Check, State } from '../api';
import { duration } from '../format';
import { useCommands, useStore } from '../hooks';
import { capital, checkName, sentence } from '../words';
import { Ask, AtBench } from './ask';
import { Remedy } from './enter';
import { Tick, Warn } from './icons';

/** The course of the test: what the next step asks for, and the step itself. */
export function Course() {
  const st = useStore().state;
  if (!st) return null;
  const idle = st.phase === 'at rest' || st.phase === 'preparing';
  return (
    <section class={idle || st.phase === 'pressure watch' ? 'panel course' : 'panel course brief'} id="course" aria-labelledby="course-h" tabIndex={-1}>
      <h2 id="course-h">{idle ? 'Before arming' : capital(st.phase)}<Tally st={st} idle={idle} /></h2>
      {idle && <Guards list={st.guards ?? []} st={st} />}
      {idle && !st.replay && <Persons names={st.names ?? []} />}
      {st.phase === 'pressure watch' && <Watch list={st.watch ?? []} />}
      {!idle && (st.names?.length ?? 0) > 0 && <p class="soft">Armed by {st.names!.join(', ')}</p>}
      {!st.replay && <Steps key={st.phase} st={st} />}
    </section>
  );
}

function Tally({ st, idle }: { st: State; idle: boolean }) {
  const list = idle ? st.guards : st.phase === 'pressure watch' ? st.watch : undefined;
  if (!list) return null;
  const missing = list.filter(k => k.required && !k.ok).length;
  return <span class={missing ? 'tally warn' : 'tally'}>{missing ? <><Warn />{missing} of {list.length} not met</> : `${list.filter(k => k.ok).length} of ${list.length} met`}</span>;
}

/** What is missing first, with its cure; what is met is a fold away. */
function Guards({ list, st }: { list: Check[]; st: State }) {
  if (list.length === 0) return <p class="empty">Waiting for the program to say what arming asks for.</p>;
  const missing = list.filter(k => !k.ok).sort((a, b) => Number(b.required) - Number(a.required)), met = list.filter(k => k.ok);
  return (
    <div class="guards" tabIndex={0} role="group" aria-label="What arming asks for">
      <ul>{missing.map(k => <Row key={k.name} k={k}>{!st.replay && <Remedy name={k.name} st={st} />}</Row>)}</ul>
      {missing.some(k => k.required) || <p class="all"><Tick />Nothing that this bench requires is missing.</p>}
      <details><summary>{met.length} met</summary><ul>{met.map(k => <Row key={k.name} k={k} />)}</ul></details>
    </div>
  );
}

function Row({ k, children }: { k: Check; children?: ComponentChildren }) {
  const names = useStore().channels.map(c => c.name);
  return (
    <li class={k.ok ? 'met' : k.required ? 'unmet' : 'unmet waived'} data-check={k.name}>
      {k.ok ? <Tick /> : <Warn />}
      <span><b>{checkName(k.name)}</b> <span class="soft">{k.ok ? 'met' : k.required ? 'not met' : 'not met, not required on this bench'}</span>
        {k.why && <span class="why">{sentence(k.why, names)}.</span>}{k.cure && <span class="cure">{k.name === 'names' ? 'Name two persons below' : capital(k.cure)}.</span>}</span>
      {k.left_s ? <span class="num left">{duration(Math.ceil(k.left_s))} left</span> : null}
      {children}
    </li>
  );
}

/** Conditions, never a grant. */
function Watch({ list }: { list: Check[] }) {
  return (
    <>
      <ul class="watch">{list.map(k => <Row key={k.name} k={k} />)}</ul>
      {list.length === 0 && <p class="empty">This bench states no condition for the end of the watch.</p>}
      <p class="decides"><Warn /><b>A person decides on approach,</b> with the local gauge. No list on this page grants it.</p>
    </>
  );
}

/** The two persons named for arming. */
function Persons({ names }: { names: string[] }) {
  const c = useCommands(), form = useRef<HTMLFormElement>(null);
  const submit = async (e: Event) => {
    e.preventDefault();
    const f = new FormData(e.target as HTMLFormElement), get = (k: string) => String(f.get(k)).trim();
    const today = new Date().toISOString().slice(0, 10);
    if (await c.send('commands', 'Prepare', { verb: 'prepare', args: { who1: get('who1'), who2: get('who2'), date: today } })) form.current?.reset();
  };
  return (
    <form class="persons" ref={form} onSubmit={e => void submit(e)}>
      <p>{names.length === 0 ? 'No person named for arming.' : <>Named for arming: <b>{names.join(' and ')}</b></>}</p>
      <label>First person<input name="who1" required maxLength={80} autocomplete="off" spellcheck={false} /></label>
      <label>Second person<input name="who2" required maxLength={80} autocomplete="off" spellcheck={false} /></label>
      <button type="submit" class="quiet" disabled={c.at === 'remote'}>Prepare{c.at === 'remote' && <span class="only">at the bench only</span>}</button>
    </form>
  );
}

/** The steps that can follow from here, made anew in each phase, so that a
 *  question of the one before never stands in the next. ABORT is always at the top. */
function Steps({ st }: { st: State }) {
  const c = useCommands(), [sure, setSure] = useState(false), [why, setWhy] = useState(false);
  const send = (label: string, verb: string) => void c.send('commands', label, { verb });
  const unmet = (st.watch?.some(k => k.required && !k.ok) ?? false) || (st.held?.pressurised ?? false);
  const supplied = st.rig !== 'runaway' || st.outputs.some(o => o.role === 'supply_valve'); // a burst bench's may be shut by hand
  const safe = <button type="button" class="quiet" onClick={() => send('Make safe', 'make-safe')}>Make safe</button>;
  switch (st.phase) {
    case 'at rest':
    case 'preparing':
      return <div class="steps"><AtBench label="Arm: choose the specimen" cls="act" onClick={() => c.setArming(true)} disabled={st.run !== undefined} /></div>;
    case 'armed':
    case 'holding pressure':
      if (sure) {
        return (
          <div class="steps sure" role="group" aria-label="Pressurise?">
            <b>Shield closed, nobody near?</b>
            <AtBench label="Pressurise now" cls="act" onClick={() => send('Pressurise', 'pressurise')} />
            <button type="button" class="quiet" onClick={() => setSure(false)}>Not yet</button>
          </div>
        );
      }
      return <div class="steps"><AtBench label="Pressurise" cls="act" onClick={() => setSure(true)} />{safe}</div>;
    case 'under test':
      return <div class="steps">{supplied && <button type="button" class="quiet" onClick={() => send('Hold', 'hold')}>Hold pressure</button>}{safe}</div>;
    case 'making safe':
      return (
        <>
          <p class="empty">Waiting until every output that was demanded off is read back off.</p>
          <div class="steps">{why ? <Override done={() => setWhy(false)} /> : <AtBench label="End the test all the same" cls="quiet" onClick={() => setWhy(true)} />}</div>
        </>
      );
    case 'pressure watch':
      return (
        <div class="steps">
          {!unmet && <button type="button" class="quiet" onClick={() => send('End of the watch', 'end')}>End the watch</button>}
          {unmet && !why && <AtBench label="End the watch all the same" cls="quiet" onClick={() => setWhy(true)} />}
          {unmet && why && <Override done={() => setWhy(false)} />}
        </div>
      );
  }
  return null;
}

function Override({ done }: { done(): void }) {
  return <Ask title="End the test" note="Not all is as it should be before the end. Say why the test ends all the same; it stays in the record. Nothing is said of the specimen’s pressure at rest." verb="end" args={{}} reasonKey="override" done={done} />;
}
