import type { State } from '../api';
import { age, ceiling, loss, number } from '../format';
import { BAD, Q } from '../frame';
import { useBeat, useStore } from '../hooks';
import type { Store } from '../store';
import { slope } from '../trend';
import { capital, doubts } from '../words';
import { Tick, Warn } from './icons';

/** A reading older than this is marked, whatever else arrives. */
const OLD_S = 1;

interface Now { id: number; name: string; bar: number; q: number; worst: number; age: number }

function specimens(s: Store): Now[] {
  const t = performance.now() / 1000;
  return s.channels.filter(c => c.role === 'p' && c.quantity === 'pressure').map(c => {
    const live = s.live[c.id], last = live?.last;
    return {
      id: c.id, name: c.name, bar: last ? last.last / c.frame_per_unit : NaN, q: last?.lastQ ?? Q.missing,
      worst: live ? live.worstSince(s.benchNow - 2) : 0, age: live ? s.ages.age(live.newest, t) : Infinity,
    };
  });
}

/** The one value that must be read from three metres. */
export function Pressure() {
  const s = useStore();
  useBeat(100);
  const all = specimens(s), p = all[0], st = s.state;
  if (!p) return <section class="panel pressure"><h2>Specimen pressure</h2><p class="empty">{s.channels.length ? 'No channel of this bench measures the specimen’s pressure.' : 'Waiting for the program.'}</p></section>;
  const channel = s.channels[p.id]!, old = p.age > OLD_S, bad = (p.q & BAD & ~Q.spike) !== 0 || Number.isNaN(p.bar);
  const text = bad ? '\u2013\u2009\u2013' : (p.q & Q.saturated ? '≥' : '') + number(p.bar, 2);
  return (
    <section class="panel pressure" aria-labelledby="pressure-h">
      <h2 id="pressure-h">Specimen pressure <span class="chan">{p.name}</span>
        <span class={old ? 'tally warn' : 'tally'}>{old && <Warn />}<span class="num">{age(p.age)}</span> old</span>
      </h2>
      <div class={`hero ${old || bad ? 'doubtful' : ''}`}>
        <span class="value num" data-testid="pressure" style={{ '--chars': Math.max(5, text.length) }}>{text}</span>
      </div>
      <div class="under">
        <div>
          <Quality q={p.q} worst={p.worst} old={old} age={p.age} />
          <Others p={p} others={all.slice(1)} />
        </div>
        <span class="unit">bar <small>{channel.reference ?? 'reference not known'}</small></span>
      </div>
      <Scale bar={p.bar} st={st} />
      <Figures bar={p.bar} st={st} ramp={st?.ramp_bar_s ?? slope(s, p.id, channel.frame_per_unit)} />
    </section>
  );
}

/** Redundant transducers of the same volume, and how far they are apart. */
function Others({ p, others }: { p: Now; others: Now[] }) {
  if (others.length === 0) return null;
  return (
    <p class="others">{others.map(o => (
      <span key={o.id}>{o.name} <b class="num">{o.q & BAD ? '\u2013' : number(o.bar, 2)}</b> <span class="soft num">{number(Math.abs(o.bar - p.bar), 2)} apart</span></span>
    ))}</p>
  );
}

function Quality({ q, worst, old, age: a }: { q: number; worst: number; old: boolean; age: number }) {
  const list = doubts(q | (worst & (Q.spike | Q.gap | Q.saturated)));
  if (old) return <p class="quality bad"><Warn /><b>Old value.</b> No reading for {age(a)}.</p>;
  if (list.length === 0) return <p class="quality"><Tick />good</p>;
  const d = list[0]!;
  return <p class={d.minor ? 'quality minor' : 'quality bad'}><Warn /><b>{capital(d.word)}.</b> {d.meaning}{list.length > 1 && ` Also: ${list.slice(1).map(x => x.word).join(', ')}.`}</p>;
}

/** Where the pressure stands among the features' ranges and the trip limit. */
function Scale({ bar, st }: { bar: number; st: State | undefined }) {
  const gauge = st?.reference !== 'absolute';
  const features = gauge ? st?.features ?? [] : [];
  const end = ceiling(Math.max(st?.trip_bar ?? 0, st?.peak_bar ?? 0, bar || 0, 5, ...features.map(f => f.high_barg ?? (f.low_barg ?? 0) * 1.1)));
  const at = (v: number) => `${Math.min(100, Math.max(0, (v / end) * 100))}%`;
  const over = st?.trip_bar !== undefined && bar >= st.trip_bar;
  return (
    <div class="scale" aria-hidden="true">
      {features.map(f => {
        const lo = f.low_barg ?? 0, hi = f.high_barg ?? end, open = f.high_barg === undefined;
        return (
          <div key={f.name} class={open ? 'range open' : 'range'} style={{ left: at(lo), width: `${((hi - lo) / end) * 100}%` }}>
            <span>{f.name}</span>
          </div>
        );
      })}
      <div class="track"><div class={over ? 'fill over' : 'fill'} style={{ width: at(bar) }} /></div>
      {st?.peak_bar !== undefined && <div class="peak" style={{ left: at(st.peak_bar) }} />}
      {st?.trip_bar !== undefined && <div class="trip" style={{ left: at(st.trip_bar) }}><span class="num">trip {number(st.trip_bar, 1)}</span></div>}
      <span class="end num">0</span><span class="end far num">{number(end, 0)}</span>
    </div>
  );
}

function Figures({ bar, st, ramp }: { bar: number; st: State | undefined; ramp: number | undefined }) {
  const margin = st?.trip_bar === undefined ? undefined : st.trip_bar - bar;
  const near = margin !== undefined && st?.trip_bar !== undefined && margin < 0.1 * st.trip_bar;
  return (
    <dl class="figures">
      <div><dt>Peak, bar</dt><dd class="num" data-testid="peak">{number(st?.peak_bar, 2)}</dd>
        {st?.peak_loss_bar !== undefined && <dd class="note">may miss {loss(st.peak_loss_bar)}</dd>}</div>
      <div class={near ? (margin! <= 0 ? 'danger' : 'near') : ''}><dt>{near && <Warn />}Margin, bar</dt><dd class="num" data-testid="margin">{number(margin, 1)}</dd>
        <dd class="note">{st?.trip_bar === undefined ? 'no limit trips' : `to trip at ${number(st.trip_bar, 1)}`}</dd></div>
      <div><dt>Ramp, bar/s</dt><dd class="num" data-testid="ramp">{number(ramp, 2)}</dd>
        <dd class="note">{st?.ramp_bar_s === undefined && ramp !== undefined ? 'over the last 5 s' : ''}</dd></div>
    </dl>
  );
}
