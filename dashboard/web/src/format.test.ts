import { describe, expect, it } from 'vitest';
import { age, between, bytes, ceiling, count, decimalsFor, duration, loss, number, plusMinus, timeOfDay, twoDigits } from './format';

describe('number', () => {
  it.each([
    [12.345, 2, '12.35'], [-0.02, 2, '\u22120.02'], [-0.001, 2, '0.00'], [0, 1, '0.0'],
    [undefined, 2, '\u2013'], [null, 2, '\u2013'], [NaN, 2, '\u2013'], [Infinity, 2, '\u2013'],
  ])('%s with %i decimals is %s', (v, d, s) => expect(number(v, d)).toBe(s));
});

describe('uncertainty', () => {
  it.each([[0.05, 2], [0.02, 3], [0.012, 3], [0.2, 2], [0.5, 1], [3, 0], [12, 0], [0.00021, 4], [undefined, 7], [0, 7]])('%s is worth %i decimals', (u, d) => expect(decimalsFor(u, 7)).toBe(d));
  it.each([[0.012, '0.012'], [0.0005, '0.00050'], [0.0000065, '< 0.0001'], [0, '< 0.0001']])('a peak that may miss %s bar says %s', (v, s) => expect(loss(v)).toBe(s));
  it('rounds value and uncertainty alike', () => {
    expect(plusMinus(18.4213, 0.0512, 2)).toBe('18.42 ± 0.05');
    expect(plusMinus(18.4213, undefined, 2)).toBe('18.42');
    expect(plusMinus(4.9, 0.2, 1)).toBe('4.90 ± 0.20');
  });
});

describe('times', () => {
  it.each([[0.034, '0.03 s'], [-1, '0.00 s'], [3.44, '3.4 s'], [75.9, '75 s'], [600, '10 min'], [9000, '2 h'], [undefined, 'never'], [Infinity, 'never']])('%s s old is %s', (s, t) => expect(age(s)).toBe(t));
  it.each([[7.9, '0:07'], [723, '12:03'], [3723, '1:02:03'], [-1, '0:00'], [NaN, '\u2013']])('%s s is %s', (s, t) => expect(duration(s)).toBe(t));
  it('reads stamps with nanoseconds', () => {
    expect(timeOfDay('2026-03-01T10:15:00.123456789Z')).toBe('10:15:00');
    expect(timeOfDay(undefined)).toBe('\u2013');
    expect(between('2026-03-01T10:15:00.000000000Z', '2026-03-01T10:15:01.500000000Z')).toBeCloseTo(1.5);
    expect(between(undefined, '2026-03-01T10:15:01Z')).toBeNaN();
  });
});

describe('sizes', () => {
  it('groups digits and names bytes', () => {
    expect(count(1234567)).toBe('1\u202f234\u202f567');
    expect(count(undefined)).toBe('\u2013');
    expect(bytes(53e9)).toBe('53 GB');
    expect(bytes(1500)).toBe('1.5 kB');
    expect(bytes(12)).toBe('12 B');
  });
  it('ends a scale above what it shows', () => {
    for (let v = 0.013; v < 2000; v *= 1.37) {
      expect(ceiling(v)).toBeGreaterThan(v);
      expect(ceiling(v)).toBeLessThanOrEqual(v * 1.9);
    }
    expect(ceiling(48)).toBe(60);
    expect(ceiling(18)).toBe(20);
  });
});

describe('two digits of an uncertainty', () => {
  it('never shows a known one as zero', () => {
    for (const [u, d] of [[0.00021, 5], [0.00002, 6], [0.000096, 6], [0.0015, 4], [0.1, 2], [0.35, 2], [1.2, 1], [35, 0], [1e-12, 8]] as const) expect(twoDigits(u, 3), String(u)).toBe(d);
    expect(twoDigits(undefined, 3)).toBe(3);
    expect(twoDigits(0, 3)).toBe(3);
    expect(number(0.00002, twoDigits(0.00002, 3))).toBe('0.000020');
  });
});
