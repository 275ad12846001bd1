import type { Alarm, Channel, Event, Message, RunInfo, State } from './api';
import { Live, Run } from './bins';
import { Ages } from './clock';
import { decode, RUN, type Frame } from './frame';

/** Frames older than this mean that the page does not show the bench as it is. */
export const NOT_LIVE_S = 1;

export type Link = 'connecting' | 'open' | 'lost';

/** All that the page knows, filled by the feed and read by the panels. */
export class Store {
  version = '';
  channels: Channel[] = [];
  binS = 0.05;
  state: State | undefined;
  run: RunInfo | undefined;
  events: Event[] = [];
  /** the run before, so that its result does not vanish when the next begins */
  before: { run: RunInfo; events: Event[] } | undefined;
  alarms: Alarm[] = [];
  live: Live[] = [];
  whole: Run | undefined;
  ages = new Ages();
  benchNow = NaN;
  link: Link = 'connecting';
  lostAt = NaN;
  attempts = 0;
  /** what the page could not read of the feed */
  faults = 0;
  fault = '';
  /** grows with every event, so that charts redraw even without samples */
  marksRev = 0;
  private subscribers = new Set<() => void>();

  subscribe(f: () => void): () => void {
    this.subscribers.add(f);
    return () => this.subscribers.delete(f);
  }

  notify(): void {
    for (const f of this.subscribers) f();
  }

  /** The id of the last alarm known; -1: none. */
  get lastAlarm(): number {
    return this.alarms.reduce((m, a) => Math.max(m, a.id), -1);
  }

  text(m: Message): void {
    switch (m.type) {
      case 'hello':
        this.hello(m.channels, m.bin_s, m.version);
        break;
      case 'snapshot':
        this.setRun(m.run ?? undefined, true);
        this.events = m.events;
        this.alarms = m.alarms.filter(a => a.state !== 'normal');
        if (m.state) this.state = m.state;
        this.marksRev++;
        break;
      case 'run':
        this.setRun(m.run, false);
        break;
      case 'event':
        this.events = replace(this.events, m.event);
        this.marksRev++;
        break;
      case 'alarm':
        this.alarms = replace(this.alarms, m.alarm).filter(a => a.state !== 'normal');
        break;
      case 'state':
        this.state = m.state;
        break;
      case 'fault':
        this.complain(m.detail);
        break;
    }
  }

  private hello(channels: Channel[], binS: number, version: string): void {
    this.channels = channels;
    this.binS = binS;
    this.version = version;
    this.live = channels.map(() => new Live(binS));
    this.whole = undefined;
    this.run = undefined;
  }

  private setRun(r: RunInfo | undefined, joined: boolean): void {
    const last = this.run, same = r && last?.id === r.id && this.whole;
    this.run = r;
    if (!r) {
      this.whole = undefined;
      return;
    }
    if (same && !joined) {
      this.whole!.end = r.end_bench_s ?? Infinity;
      return;
    }
    this.whole = new Run(this.binS, r.start_bench_s, r.end_bench_s);
    this.live.forEach((l, ch) => l.bins.forEach(b => this.whole!.put(ch, b, this.binS)));
    if (!joined) {
      if (last && last.id !== r.id) this.before = { run: last, events: this.events.filter(e => e.event !== 'sensor-fault') };
      // Those that belong to the new run are sent again, in its time.
      this.events = [];
      this.marksRev++;
    }
  }

  binary(buf: ArrayBuffer, t: number): void {
    this.frame(decode(buf), t);
  }

  frame(f: Frame, t: number): void {
    for (const b of f.blocks) {
      const live = this.live[b.channel];
      if (!live) continue;
      if (f.kind !== RUN) live.newest = b.newest;
      for (const bin of b.bins) {
        if (f.kind !== RUN) live.put(bin);
        this.whole?.put(b.channel, bin, f.width);
      }
      live.trim(f.now);
    }
    if (f.kind === RUN) return;
    this.benchNow = f.now;
    if (this.state?.replay) this.ages.reset(); // its time stands, runs slower or faster than ours
    this.ages.frame(f.now, t);
  }

  complain(detail: string): void {
    this.faults++;
    this.fault = detail;
  }

  /** Why the page is not live at local time t (s); empty: it is. */
  notLive(t: number): string {
    if (this.link === 'lost') return 'The connection to the program is lost';
    if (!Number.isFinite(this.ages.silence(t))) return 'No values received yet';
    if (this.ages.silence(t) > NOT_LIVE_S) return 'No new values arrive from the program';
    return '';
  }

  channel(role: string): Channel | undefined {
    return this.channels.find(c => c.role === role);
  }
}

function replace<T extends { id: number; rev?: number }>(list: T[], item: T): T[] {
  const i = list.findIndex(x => x.id === item.id);
  if (i < 0) return [...list, item];
  if (item.rev !== undefined && item.rev < (list[i]!.rev ?? 0)) return list;
  return list.map((x, k) => (k === i ? item : x));
}
