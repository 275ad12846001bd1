import { beforeEach, describe, expect, it } from 'vitest';
import type { Alarm, Channel, Event, RunInfo } from './api';
import { Ages } from './clock';
import type { Bin, Frame } from './frame';
import { Store } from './store';

const channels: Channel[] = [{ id: 0, name: 'p1', role: 'p', quantity: 'pressure', unit: 'bar', frame_per_unit: 1e5, reference: 'gauge' }];
const bin = (index: number, v: number): Bin => ({ index, min: v, max: v, last: v, worst: 0, lastQ: 0 });
const frame = (now: number, bins: Bin[], kind = 1, width = 0.05): Frame => ({ kind, seq: 1, now, width, blocks: [{ channel: 0, newest: now, bins }] });
const run = (id: string, start: number, end?: number): RunInfo => ({ id, specimen: 'M47-1', start_utc: '', start_bench_s: start, end_bench_s: end });
const event = (id: number, rev: number): Event => ({ event: 'vent-opening', id, rev, onset_s: 1, decided_s: 1, flags: [] });
const alarm = (id: number, state: Alarm['state']): Alarm => ({ id, rule: 'r', priority: 'high', state, since_utc: '', since_s: 0, changed_utc: '', message: 'm', text: '' });

let s: Store;
beforeEach(() => {
  s = new Store();
  s.text({ type: 'hello', version: 'x', channels, bin_s: 0.05 });
  s.link = 'open';
});

describe('Ages', () => {
  it('shows the delay beyond the smallest one seen', () => {
    const a = new Ages();
    expect(a.silence(0)).toBe(Infinity);
    a.frame(100, 5000.02);
    a.frame(101, 5001.01);
    expect(a.age(101, 5001.01)).toBeCloseTo(0);
    a.frame(102, 5004.01); // this one waited two seconds somewhere
    expect(a.silence(5004.01)).toBeCloseTo(2, 1);
    expect(a.silence(5006.01)).toBeCloseTo(4, 1);
  });
  it('follows two clocks that drift apart by 100 ppm', () => {
    const a = new Ages();
    for (let t = 0; t < 3600; t += 0.5) a.frame(t * (1 - 1e-4), t);
    expect(a.silence(3600)).toBeLessThan(0.6);
  });
});

describe('Store', () => {
  it('is not live before the first frame, after silence, and without a link', () => {
    expect(s.notLive(10)).not.toBe('');
    s.frame(frame(1, [bin(20, 1)]), 10);
    expect(s.notLive(10.5)).toBe('');
    expect(s.notLive(11.2)).not.toBe('');
    s.link = 'lost';
    expect(s.notLive(10.1)).toContain('connection');
  });

  it('takes a revision and never an older one', () => {
    s.text({ type: 'event', event: event(1, 2) });
    s.text({ type: 'event', event: event(1, 1) });
    s.text({ type: 'event', event: event(2, 1) });
    expect(s.events.map(e => [e.id, e.rev])).toEqual([[1, 2], [2, 1]]);
    s.text({ type: 'event', event: event(1, 3) });
    expect(s.events[0]!.rev).toBe(3);
    expect(s.marksRev).toBe(4);
  });

  it('drops alarms that are over and knows the last id', () => {
    for (const id of [3, 5]) s.text({ type: 'alarm', alarm: alarm(id, 'unacknowledged') });
    s.text({ type: 'alarm', alarm: alarm(3, 'normal') });
    expect(s.alarms.map(a => a.id)).toEqual([5]);
    expect(s.lastAlarm).toBe(5);
  });

  it('builds the whole run from the server’s bins and its own', () => {
    s.text({ type: 'snapshot', run: run('a', 0), events: [event(1, 1)], alarms: [] });
    s.frame(frame(100, [bin(0, 1), bin(1, 7)], 2, 0.4), 10);
    expect(s.live[0]!.bins).toHaveLength(0);
    s.frame(frame(100, [bin(16, 9)]), 10);
    expect(s.whole!.rows[0]!.map(b => [b.index, b.max])).toEqual([[0, 1], [1, 7], [2, 9]]);
  });

  it('starts a run anew, with what of the last minutes belongs to it', () => {
    s.frame(frame(3, [bin(20, 1), bin(40, 2), bin(60, 3)]), 10);
    s.text({ type: 'event', event: event(1, 1) });
    s.text({ type: 'run', run: run('b', 1.9) });
    expect(s.events).toHaveLength(0);
    expect(s.whole!.rows[0]!.map(b => b.index)).toEqual([40, 60]);
    s.text({ type: 'run', run: run('b', 1.9, 3.2) });
    s.frame(frame(4, [bin(63, 4), bin(70, 5)]), 11);
    expect(s.whole!.rows[0]!.map(b => b.index)).toEqual([40, 60, 63]);
    expect(s.run!.id).toBe('b');
    s.text({ type: 'event', event: event(7, 1) });
    s.text({ type: 'event', event: { ...event(8, 1), event: 'sensor-fault' } });
    s.text({ type: 'run', run: run('c', 4) });
    expect(s.events).toHaveLength(0);
    expect(s.before!.run.id).toBe('b');
    expect(s.before!.events.map(e => e.id)).toEqual([7]);
  });

  it('counts what it can’t read', () => {
    expect(() => s.binary(new ArrayBuffer(3), 1)).toThrow();
    s.complain('x');
    expect(s.faults).toBe(1);
  });
});
