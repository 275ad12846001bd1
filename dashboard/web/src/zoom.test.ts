import { describe, expect, it } from 'vitest';
import { drawn, moved, scaled, SHORTEST_S, within, type Curve, type Curves } from './zoom';

describe('a stretch of a run', () => {
  it('shrinks about a time, which stays where it is on the chart', () => {
    const [from, to] = scaled([0, 10], 0.5, [-5, 40], 2);
    expect(to - from).toBeCloseTo(5);
    expect((2 - from) / (to - from)).toBeCloseTo(0.2);
  });
  it('never leaves what was recorded, nor becomes too short to draw', () => {
    expect(scaled([0, 10], 100, [-5, 40])).toEqual([-5, 40]);
    const [from, to] = scaled([3, 3 + SHORTEST_S], 0.5, [-5, 40]);
    expect(to - from).toBeCloseTo(SHORTEST_S);
    expect(moved([30, 40], 0.5, [-5, 40])).toEqual([30, 40]);
    expect(within([-20, -10], [-5, 40])).toEqual([-5, 5]);
  });
});

describe('curves', () => {
  const curves = (min: (number | null)[]): [Curves, Curve] => {
    const k: Curve = { name: 'p1', quantity: 'pressure', min, max: min.map(v => (v === null ? null : v + 1)) };
    return [{ run: 'r', first_s: 0, last_s: 9, from_s: 2, to_s: 6, width_s: 4 / min.length, channels: [k] }, k];
  };
  it('draws the least and the greatest of each stretch', () => {
    const [c, k] = curves([1, 2, 3, 4]);
    expect(drawn(c, [k])).toEqual([[2.25, 2.75, 3.25, 3.75, 4.25, 4.75, 5.25, 5.75], [1, 2, 2, 3, 3, 4, 4, 5]]);
  });
  it('bridges what a slow channel leaves empty', () => {
    const [c, k] = curves([1, null, 2, null, 3, null, 4, null]);
    expect(drawn(c, [k])[1]).not.toContain(null);
  });
  it('breaks the line where nothing was read', () => {
    const [c, k] = curves([1, 2, 3, 4, 5, null, null, null, null, 6]);
    expect(drawn(c, [k])[1]!.indexOf(null)).toBe(10);
  });
});
