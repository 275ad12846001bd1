import type { Channel } from '../api';
import { age, number } from '../format';
import { BAD } from '../frame';
import { useBeat, useStore } from '../hooks';
import type { Store } from '../store';
import { slope } from '../trend';
import { capital, doubts } from '../words';
import { Warn } from './icons';

/** A reading older than this is marked, whatever else arrives. */
const OLD_S = 2;
const MOST = 6;
const NAMES: Record<string, string> = { t_skin: 'Skin', t_gas: 'Gas', t_ambient: 'Ambient', u_cell: 'Cell voltage' };

/** Temperatures and voltage of a runaway rig, as large as they matter there. */
export function Thermal() {
  const s = useStore();
  useBeat(250);
  const order = ['t_skin', 't_gas'];
  const rank = (c: Channel) => (order.indexOf(c.role ?? '') + order.length + 1) % (order.length + 1);
  const heat = s.channels.filter(c => c.quantity === 'temperature' && c.role !== 't_ambient').sort((a, b) => rank(a) - rank(b) || a.id - b.id);
  const list = [...heat.slice(0, MOST), ...s.channels.filter(c => c.role === 'u_cell')];
  if (list.length === 0) return null;
  return (
    <section class="panel thermal" aria-labelledby="thermal-h">
      <h2 id="thermal-h">Temperatures and voltage</h2>
      <dl>{list.map(c => <Reading key={c.id} c={c} s={s} />)}</dl>
    </section>
  );
}

function Reading({ c, s }: { c: Channel; s: Store }) {
  const live = s.live[c.id], last = live?.last, volt = c.quantity === 'voltage';
  const old = live ? s.ages.age(live.newest, performance.now() / 1000) : Infinity, stale = !(old <= OLD_S);
  const q = last?.lastQ ?? 0, bad = (q & BAD) !== 0 || !last;
  const rate = volt || bad ? undefined : slope(s, c.id, c.frame_per_unit);
  const doubt = doubts(q)[0], label = NAMES[c.role ?? ''] ?? capital(c.name);
  return (
    <div class={stale || bad ? 'doubtful' : ''} data-channel={c.name}>
      <dt>{label}{label.toLowerCase() !== c.name.toLowerCase() && <> <span class="chan">{c.name}</span></>}</dt>
      <dd class="num value">{bad ? '\u2013' : number(last!.last / c.frame_per_unit, volt ? 3 : 1)}<small>{volt ? 'V' : '°C'}</small></dd>
      <dd class="note">{stale ? <><Warn />old: {age(old)}</> : doubt && !doubt.minor ? <><Warn />{doubt.word}</> : rate === undefined ? '' : <span class="num">{number(rate, 1)} °C/s</span>}</dd>
    </div>
  );
}
