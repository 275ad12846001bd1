import { useEffect, useRef, useState } from 'preact/hooks';
import type { Channel, Event, State } from '../api';
import { columns, extent, type Columns } from '../bins';
import { Chart, LINES, type Band, type Limit, type Mark } from '../chart';
import { ceiling, number } from '../format';
import { useBeat, useStore } from '../hooks';
import type { Store } from '../store';
import { eventMark, opens } from '../words';

const MINUTE = 60;
/** Time between drawings, ms: drawing is what a page costs, so that what moves
 *  slowly is drawn less often. An event is drawn at once. */
const DRAW_MS = { pressure: 100, temperature: 300, whole: 500 };
const MAX_MARKS = 24;

interface Line { channel: Channel; color: string }

/** Specimen pressures first: they get the first colours on every bench. */
function pressures(s: Store): Line[] {
  const order = ['p', 'p_supply', ''];
  const list = s.channels.filter(c => c.quantity === 'pressure' && c.role !== 'p_ambient');
  list.sort((a, b) => order.indexOf(a.role ?? '') - order.indexOf(b.role ?? '') || a.id - b.id);
  return list.slice(0, LINES.length).map((channel, i) => ({ channel, color: LINES[i]! }));
}

function temperatures(s: Store): Line[] {
  return s.channels.filter(c => c.quantity === 'temperature').slice(0, LINES.length).map((channel, i) => ({ channel, color: LINES[i]! }));
}

export function Charts() {
  const s = useStore();
  const [hidden, setHidden] = useState<ReadonlySet<string>>(new Set());
  const toggle = (name: string) => {
    const h = new Set(hidden);
    if (!h.delete(name)) h.add(name);
    setHidden(h);
  };
  const p = pressures(s), t = temperatures(s);
  // The supply would set the scale, so it is drawn only when asked for.
  const off = (l: Line) => hidden.has(l.channel.name) !== (l.channel.role === 'p_supply');
  const shown = p.filter(l => !off(l));
  return (
    <section class="panel charts" aria-labelledby="charts-h">
      <h2 id="charts-h">Pressure<span class="chan">bar {s.state?.reference}</span><Legend lines={p} off={off} toggle={toggle} decimals={2} /></h2>
      <Plot title="last minute" kind="pressure" lines={shown} whole={false} class="tall" />
      <Plot title="whole run" kind="pressure" lines={shown} whole class="mid" />
      {t.length > 0 && <>
        <h2 class="second">Temperature<span class="chan">°C</span><Legend lines={t} off={off} toggle={toggle} decimals={1} /></h2>
        <div class="pair">
          <Plot title="last minute" kind="temperature" lines={t.filter(l => !off(l))} whole={false} class="low" compact />
          <Plot title="whole run" kind="temperature" lines={t.filter(l => !off(l))} whole class="low" compact />
        </div>
      </>}
    </section>
  );
}

function Legend({ lines, off, toggle, decimals }: { lines: Line[]; off: (l: Line) => boolean; toggle: (n: string) => void; decimals: number }) {
  const s = useStore();
  useBeat(200);
  return (
    <span class="legend">{lines.map(l => {
      const last = s.live[l.channel.id]?.last;
      return (
        <button type="button" key={l.channel.name} aria-pressed={!off(l)} onClick={() => toggle(l.channel.name)}>
          <svg viewBox="0 0 16 6" aria-hidden="true"><path d="M0 3h16" stroke={off(l) ? 'transparent' : l.color} stroke-width="3" /></svg>
          {l.channel.name} <span class="num">{number(last ? last.last / l.channel.frame_per_unit : undefined, decimals)}</span>
        </button>
      );
    })}</span>
  );
}

interface PlotProps { title: string; kind: 'pressure' | 'temperature'; lines: Line[]; whole: boolean; class: string; compact?: boolean }

function Plot({ title, kind, lines, whole, class: cls, compact = false }: PlotProps) {
  const s = useStore(), el = useRef<HTMLDivElement>(null);
  const key = lines.map(l => l.channel.name).join(' ');
  // The first line is drawn last, on top of its redundant fellows.
  const order = [...lines].reverse();
  useEffect(() => {
    const chart = new Chart(el.current!, {
      series: order.map(l => ({ label: l.channel.name, color: l.color })), decimals: kind === 'pressure' ? 2 : 1, fromNow: !whole, compact,
    });
    let frame = 0;
    const tick = () => {
      cancelAnimationFrame(frame);
      frame = requestAnimationFrame(() => draw(chart, s, order, whole, kind));
    };
    const timer = setInterval(tick, whole ? DRAW_MS.whole : DRAW_MS[kind]);
    let marks = s.marksRev;
    const off = s.subscribe(() => {
      if (marks === s.marksRev) return;
      marks = s.marksRev;
      tick();
    });
    tick();
    return () => {
      off();
      clearInterval(timer);
      cancelAnimationFrame(frame);
      chart.destroy();
    };
  }, [s, key, whole, kind, compact]);
  const idle = whole && !s.whole;
  return (
    <figure class={`plot ${cls}`}>
      <figcaption>{title}{whole && s.run && !s.state?.run && ' (last run)'}{whole && s.run && <span class="soft"> {s.run.specimen}</span>}</figcaption>
      <div class="canvas" ref={el} role="img" aria-label={`Chart of ${kind}, ${title}: ${key || 'no line'}`} />
      {idle && <p class="idle">Nothing is being recorded.</p>}
    </figure>
  );
}

function draw(chart: Chart, s: Store, lines: Line[], whole: boolean, kind: PlotProps['kind']): void {
  const run = s.whole, start = s.run?.start_bench_s ?? 0;
  const now = Number.isNaN(s.benchNow) ? 0 : s.benchNow;
  let data: Columns, x: [number, number], zero: number;
  if (whole) {
    zero = start;
    const end = run ? Math.min(run.end, now) : now;
    x = [0, Math.max(10, end - start)];
    data = run ? columns(lines.map(l => ({ bins: run.rows[l.channel.id] ?? [], per: l.channel.frame_per_unit })), run.width, start, end, start) : [[], ...lines.map(() => [])];
  } else {
    zero = 0;
    x = [now - MINUTE, now];
    data = columns(lines.map(l => ({ bins: s.live[l.channel.id]?.bins ?? [], per: l.channel.frame_per_unit })), s.binS, x[0], x[1]);
  }
  const y = kind === 'pressure' ? pressureRange(data) : temperatureRange(data);
  const marks = kind === 'pressure' || !whole ? marksIn(s, x, start - zero) : [];
  chart.draw(data, x, y, marks, kind === 'pressure' ? bands(s.state) : [], kind === 'pressure' ? limits(s.state) : []);
}

function pressureRange(data: Columns): [number, number] {
  const e = extent(data);
  if (!e) return [0, 5];
  const hi = ceiling(Math.max(e[1], 1));
  return [e[0] < -0.02 * hi ? -ceiling(-e[0]) : -0.01 * hi, hi];
}

function temperatureRange(data: Columns): [number, number] {
  const e = extent(data);
  if (!e) return [15, 35];
  const lo = Math.floor((e[0] - 1) / 5) * 5, hi = Math.ceil((e[1] + 1) / 5) * 5;
  return hi - lo < 10 ? [lo - 5, hi + 5] : [lo, hi];
}

function marksIn(s: Store, x: [number, number], shift: number): Mark[] {
  const out: Mark[] = [];
  const add = (e: Event, at: number) => {
    if (at >= x[0] && at <= x[1]) out.push({ x: at, label: label(e.pressure_bar, eventMark(e)), strong: opens(e) });
  };
  for (const e of s.events) add(e, e.onset_s + shift);
  // The last minute may reach back into the run before.
  if (shift !== 0) for (const e of s.before?.events ?? []) add(e, e.onset_s + s.before!.run.start_bench_s);
  out.sort((a, b) => a.x - b.x);
  // Openings are never crowded out by faults.
  const few = out.length > MAX_MARKS ? out.filter(m => m.strong) : out;
  return few.slice(-MAX_MARKS);
}

function label(bar: number | undefined, what: string): string {
  return bar === undefined ? what : `${what} ${number(bar, 2)}`;
}

function bands(st: State | undefined): Band[] {
  if (!st || st.reference === 'absolute') return [];
  return st.features.map(f => ({ low: f.low_barg, high: f.high_barg, label: f.name }));
}

function limits(st: State | undefined): Limit[] {
  return st?.trip_bar === undefined ? [] : [{ y: st.trip_bar, label: `trip ${number(st.trip_bar, 1)}` }];
}
