import { useEffect, useRef, useState } from 'preact/hooks';
import type { Event, Refused } from '../api';
import { extent } from '../bins';
import { Chart, LINES, type Mark } from '../chart';
import { ceiling, number } from '../format';
import { ask } from '../papers';
import { eventMark, opens } from '../words';
import { drawn, moved, scaled, within, type Curve, type Curves, type Stretch } from '../zoom';
import { Fault, refused } from './fault';

/** Time after the last change of the stretch before it is asked for, ms. */
const SETTLE_MS = 150;
/** What is shown round an event, s before and after. */
const ROUND: Stretch = [-0.05, 0.1];

/** What a stored run's channels read, and a look into any stretch of it: drag
 *  over the chart, turn the wheel, or use the buttons. */
export function CurvePanel({ id, events }: { id: string; events: Event[] }) {
  const [curves, setCurves] = useState<Curves | undefined>(), [want, setWant] = useState<Stretch | undefined>(), [fault, setFault] = useState<Refused | undefined>();
  useEffect(() => {
    let here = true;
    const timer = setTimeout(() => {
      ask<Curves>(`runs/${encodeURIComponent(id)}/curves${want ? `?from_s=${want[0]}&to_s=${want[1]}` : ''}`).then(
        c => here && (setCurves(c), setFault(undefined)), e => here && setFault(refused(e)));
    }, want ? SETTLE_MS : 0);
    return () => { here = false; clearTimeout(timer); };
  }, [id, want]);
  if (!curves) return <section class="panel"><Fault e={fault} />{!fault && <p class="empty" role="status">Reading the curves…</p>}</section>;
  const all: Stretch = [curves.first_s, curves.last_s], now = want ?? all, whole = now[1] - now[0] >= all[1] - all[0];
  const set = (w: Stretch) => setWant(within(w, all));
  const pressures = curves.channels.filter(c => c.quantity === 'pressure' && c.role !== 'p_supply').slice(0, LINES.length);
  const temperatures = curves.channels.filter(c => c.quantity === 'temperature').slice(0, LINES.length);
  const current = curves.from_s === now[0] && curves.to_s === now[1];
  return (
    <section class="panel curves" aria-labelledby="curves-h" aria-busy={!current}>
      <h2 id="curves-h">Pressure<span class="chan">bar {pressures[0]?.reference}</span><Names lines={pressures} /></h2>
      <div class="zoom" role="group" aria-label="Stretch of time shown">
        <button type="button" class="quiet small" onClick={() => set(scaled(now, 0.4, all))}>Closer</button>
        <button type="button" class="quiet small" disabled={whole} onClick={() => set(scaled(now, 2.5, all))}>Wider</button>
        <button type="button" class="quiet small" disabled={now[0] <= all[0]} onClick={() => set(moved(now, -0.5, all))}>Earlier</button>
        <button type="button" class="quiet small" disabled={now[1] >= all[1]} onClick={() => set(moved(now, 0.5, all))}>Later</button>
        <button type="button" class="quiet small" disabled={whole} onClick={() => setWant(undefined)}>Whole run</button>
        {events.filter(opens).map(e => (
          <button type="button" class="quiet small" key={e.id} onClick={() => set([e.onset_s + ROUND[0], e.onset_s + ROUND[1]])}>Round {eventMark(e)}</button>
        ))}
        <span class="soft num" data-testid="stretch" data-current={current}>{number(now[0], places(now))} to {number(now[1], places(now))} s</span>
      </div>
      <Fault e={fault} />
      <Picture curves={curves} lines={pressures} events={events} now={now} set={set} all={all} class="tall" />
      {temperatures.length > 0 && <>
        <h2 class="second">Temperature<span class="chan">°C</span><Names lines={temperatures} /></h2>
        <Picture curves={curves} lines={temperatures} events={events} now={now} set={set} all={all} class="low" />
      </>}
      <p class="soft note">Least and greatest good sample of each stretch, so that no peak is lost by looking at the whole. Time counts from the run’s zero. Drag over the chart to look closer.</p>
    </section>
  );
}

function places(w: Stretch): number {
  return Math.max(1, Math.min(5, Math.ceil(2 - Math.log10(w[1] - w[0]))));
}

function Names({ lines }: { lines: Curve[] }) {
  return <span class="legend">{lines.map((l, i) => <span key={l.name}><svg viewBox="0 0 16 6" aria-hidden="true"><path d="M0 3h16" stroke={LINES[i]} stroke-width="3" /></svg> {l.name}</span>)}</span>;
}

interface PictureProps { curves: Curves; lines: Curve[]; events: Event[]; now: Stretch; all: Stretch; set: (w: Stretch) => void; class: string }

function Picture({ curves, lines, events, now, all, set, class: cls }: PictureProps) {
  const el = useRef<HTMLDivElement>(null), chart = useRef<Chart | null>(null), [dragged, setDragged] = useState<[number, number] | undefined>();
  const names = lines.map(l => l.name).join(' '), pressure = lines[0]?.quantity === 'pressure';
  useEffect(() => {
    // The first line is drawn last, on top of its redundant fellows.
    chart.current = new Chart(el.current!, { series: lines.map((l, i) => ({ label: l.name, color: LINES[i]! })).reverse(), decimals: 2, fromNow: false, fine: true });
    return () => chart.current?.destroy();
  }, [names]);
  useEffect(() => {
    const data = drawn(curves, [...lines].reverse()), e = extent(data) ?? [0, 1];
    const marks: Mark[] = events.filter(x => x.onset_s >= now[0] && x.onset_s <= now[1]).map(x => ({ x: x.onset_s, label: pressure ? eventMark(x) : '', strong: opens(x) }));
    chart.current?.draw(data, now, pressure ? [Math.min(-0.01 * ceiling(Math.max(e[1], 1)), 1.1 * e[0]), ceiling(Math.max(1.05 * e[1], 1))] : [Math.floor(e[0] - 2), Math.ceil(e[1] + 2)], marks, [], []);
  }, [curves, names, now[0], now[1], events]);
  // A wheel that must keep the page from scrolling can't be listened to passively.
  useEffect(() => {
    const turn = (w: WheelEvent) => {
      if (!w.ctrlKey) return; // the page scrolls
      w.preventDefault();
      set(scaled(now, w.deltaY > 0 ? 1.4 : 0.7, all, chart.current!.at(w.clientX)));
    };
    const box = el.current!;
    box.addEventListener('wheel', turn, { passive: false });
    return () => box.removeEventListener('wheel', turn);
  }, [now[0], now[1], all[0], all[1]]);
  const left = () => el.current!.getBoundingClientRect().left;
  const drop = () => {
    if (dragged && Math.abs(dragged[1] - dragged[0]) > 6) {
      const t = dragged.map(x => chart.current!.at(x)).sort((a, b) => a - b) as Stretch;
      set(scaled(t, 1, all));
    }
    setDragged(undefined);
  };
  return (
    <figure class={`plot ${cls}`}>
      <div class="canvas" ref={el} role="img" aria-label={`Chart of ${pressure ? 'pressure' : 'temperature'}: ${names || 'no line'}`}
        onPointerDown={e => { if (e.button === 0 && e.pointerType === 'mouse') { e.currentTarget.setPointerCapture(e.pointerId); setDragged([e.clientX, e.clientX]); } }}
        onPointerMove={e => dragged && setDragged([dragged[0], e.clientX])} onPointerUp={drop} onPointerCancel={() => setDragged(undefined)} />
      {dragged && <div class="chosen" style={{ left: `${Math.min(...dragged) - left()}px`, width: `${Math.abs(dragged[1] - dragged[0])}px` }} />}
    </figure>
  );
}
