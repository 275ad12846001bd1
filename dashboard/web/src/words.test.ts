import detectSource from '../../../detect/event.go?raw';
import readingSource from '../../../daq/reading.go?raw';
import { describe, expect, it } from 'vitest';
import type { Event, State } from './api';
import { Q } from './frame';
import { cautions, doubts, eventTitle, FLAGS } from './words';

const e = (over: Partial<Event>): Event => ({ event: 'vent-opening', id: 1, rev: 1, onset_s: 0, decided_s: 0, flags: [], ...over });

describe('words', () => {
  it('names events by their feature', () => {
    expect(eventTitle(e({ feature: 'top vent' }))).toBe('Top vent opened');
    expect(eventTitle(e({}))).toBe('Vent opened');
    expect(eventTitle(e({ event: 'rupture', feature: 'housing' }))).toBe('Housing: rupture');
    expect(eventTitle(e({ event: 'sensor-fault', fault: 'spike' }))).toBe('Spike');
    expect(eventTitle(e({ event: 'something new' }))).toBe('Something new');
  });

  it('explains every flag that the program has', () => {
    const flags = [...detectSource.matchAll(/^\s+Flag\w+\s+Flag = "([a-z-]+)"/gm)].map(m => m[1]!);
    expect(flags.length).toBeGreaterThan(8);
    for (const f of flags) expect(FLAGS[f], f).toBeTruthy();
  });

  it('names every quality bit that the program has, by the same number', () => {
    const names = readingSource.match(/qualityNames = \[\.\.\.\]string\{(.*)\}/)![1]!.split(',').map(n => n.trim().replace(/"/g, ''));
    expect(Object.keys(Q)).toEqual(names);
    Object.values(Q).forEach((bit, i) => expect(bit).toBe(1 << i));
    for (const bit of Object.values(Q)) expect(doubts(bit)).toHaveLength(1);
  });

  it('puts the worst doubt first', () => {
    expect(doubts(Q.unsettled | Q.open).map(d => d.word)).toEqual(['open circuit', 'clock not settled']);
    expect(doubts(0)).toEqual([]);
  });

  it('always says that it is no safety device, and what the bench says', () => {
    expect(cautions(undefined)[0]).toContain('not a safety device');
    expect(cautions({ cautions: ['a', 'b'] } as unknown as State)).toEqual(['a', 'b']);
    expect(cautions({ cautions: [], peak_loss_bar: 0.012 } as unknown as State).join()).toContain('0.012 bar');
  });
});
