import { useEffect, useState } from 'preact/hooks';
import type { Event } from '../api';
import { duration, number } from '../format';
import { useCommands, useStore } from '../hooks';
import { ask } from '../papers';
import { eventTitle, opens } from '../words';

const SPEEDS = [0.05, 0.2, 1, 5, 20, 100];
/** How long before an event the replay goes on, s. */
const BEFORE_S = 1;

/** Says that this is no bench, and how the stored run plays. */
export function Replay() {
  const p = useStore().state?.playing;
  return (
    <section class="replay" aria-label="Replay">
      <strong>Replay, not live</strong>
      <span>A stored run is shown. What the bench does now is not on this page.</span>
      {p && <Player />}
    </section>
  );
}

function Player() {
  const st = useStore().state!, p = st.playing!, c = useCommands(), [drag, setDrag] = useState<number | undefined>();
  const send = (verb: string, args: Record<string, string> = {}) => void c.send('commands', 'Replay', { verb, args });
  const go = (s: number) => send('go', { to_s: s.toFixed(3) });
  const at = drag ?? p.at_s;
  return (
    <div class="player">
      <button type="button" onClick={() => send(p.paused || p.over ? 'play' : 'pause')}>{p.over ? 'Play again' : p.paused ? 'Play' : 'Pause'}</button>
      <label>Speed<select value={String(p.speed)} onChange={e => send('play', { speed: (e.target as HTMLSelectElement).value })}>
        {!SPEEDS.includes(p.speed) && <option value={String(p.speed)}>{p.speed === 0 ? 'as fast as it can' : `${p.speed} x`}</option>}
        {SPEEDS.map(x => <option key={x} value={String(x)}>{x} x</option>)}
      </select></label>
      {p.end_s !== undefined && <label class="where">Run time<input type="range" min={0} max={p.end_s} step="any" value={at} aria-valuetext={`${number(at, 1)} s`}
        onInput={e => setDrag(Number((e.target as HTMLInputElement).value))}
        onChange={e => { setDrag(undefined); go(Number((e.target as HTMLInputElement).value)); }} /></label>}
      <span class="num">{duration(at)}{p.end_s !== undefined && ` of ${duration(p.end_s)}`}{p.over && ', its end'}</span>
      {st.run && <Marks key={st.run.id} id={st.run.id} go={go} />}
    </div>
  );
}

/** The ways to what the run is about. */
function Marks({ id, go }: { id: string; go(s: number): void }) {
  const [events, setEvents] = useState<Event[]>([]);
  useEffect(() => {
    let here = true;
    ask<{ events: Event[] }>(`runs/${encodeURIComponent(id)}`).then(r => here && setEvents(r.events.filter(opens)), () => undefined);
    return () => { here = false; };
  }, [id]);
  return <>{events.slice(0, 8).map(e => <button key={e.id} type="button" onClick={() => go(e.onset_s - BEFORE_S)}>To {eventTitle(e).toLowerCase()} at <span class="num">{number(e.onset_s, 2)}</span> s</button>)}</>;
}
