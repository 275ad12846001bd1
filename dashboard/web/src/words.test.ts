import detectSource from '../../../detect/event.go?raw';
import readingSource from '../../../daq/reading.go?raw';
import alarmSource from '../../../guard/alarm.go?raw';
import armingSource from '../../../guard/arming.go?raw';
import { describe, expect, it } from 'vitest';
import type { Alarm, Event, Sensor, State } from './api';
import { Q } from './frame';
import { byUrgency, cautions, checkName, doubts, ended, eventTitle, FLAGS, sensorRemarks, sentence, silenced, waiting } from './words';

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

  it('sorts alarms by what must be answered first', () => {
    const a = (id: number, priority: Alarm['priority'], state: Alarm['state'], first = false) => ({ id, priority, state, first }) as Alarm;
    const list = [a(1, 'low', 'unacknowledged'), a(2, 'critical', 'acknowledged'), a(3, 'high', 'latched-unacknowledged'), a(4, 'high', 'unacknowledged', true), a(5, 'high', 'returned-unacknowledged')];
    expect(list.sort(byUrgency).map(x => x.id)).toEqual([4, 3, 5, 1, 2]);
  });

  it('knows every state of an alarm that the program has', () => {
    const states = [...alarmSource.matchAll(/AlarmState\s+= "([a-z-]+)"/g)].map(m => m[1] as Alarm['state']);
    expect(states).toHaveLength(9);
    expect(states.filter(state => waiting({ state } as Alarm))).toEqual(['unacknowledged', 'returned-unacknowledged', 'latched-unacknowledged']);
    expect(states.filter(state => silenced({ state } as Alarm))).toEqual(['shelved', 'suppressed-by-design', 'out-of-service']);
  });

  it('names every condition of arming that the program has', () => {
    const names = [...armingSource.matchAll(/^\tGuard\w+\s+= "([a-z]+)"/gm)].map(m => m[1]!);
    expect(names.length).toBeGreaterThan(15);
    for (const n of names) expect(checkName(n), n).toMatch(/ /);
  });

  it('says what is wrong with a sensor in the words of the big number, one by one', () => {
    const s = (quality: string): Sensor => ({ name: 'clamp', quantity: 'force', quality } as unknown as Sensor);
    expect(sensorRemarks(s('unsettled uncalibrated'), '2026-01-01')).toEqual(['clock not settled', 'uncalibrated']);
    expect(sensorRemarks(s('no reading yet'), '2026-01-01')).toEqual(['no reading yet']);
    expect(sensorRemarks(s('good'), '2026-01-01')).toEqual([]);
    const names = [...readingSource.match(/qualityNames = \[\.\.\.\]string\{([^}]*)\}/)![1]!.matchAll(/"(\w+)"/g)].map(m => m[1]!);
    expect(names.length).toBeGreaterThan(10);
    for (const n of names) expect(sensorRemarks(s(`${n} ${n}`), '2026-01-01'), n).toHaveLength(2);
  });

  it('puts a stop between a refusal and its cure', () => {
    expect([ended('run 7 has no outcome yet'), ended('Look at it.'), ended('')]).toEqual(['run 7 has no outcome yet.', 'Look at it.', '']);
  });

  it('leaves the name of a channel as it is', () => {
    expect(sentence('p1 shows 5.91 bar', ['p1'])).toBe('p1 shows 5.91 bar');
    expect(sentence('two persons are not named', ['p1'])).toBe('Two persons are not named');
  });

  it('always says that it is no safety device, and what the bench says', () => {
    expect(cautions(undefined)[0]).toContain('not a safety device');
    expect(cautions({ cautions: ['a', 'b'] } as unknown as State)).toEqual(['a', 'b']);
    expect(cautions({ cautions: [], peak_loss_bar: 0.012 } as unknown as State).join()).toContain('0.012 bar');
  });
});
