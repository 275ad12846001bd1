import { describe, expect, it } from 'vitest';
import { columns, extent, Live, merge, put, Run, RUN_BINS } from './bins';
import type { Bin } from './frame';

const bin = (index: number, min: number, max = min, q = 0): Bin => ({ index, min, max, last: max, worst: q, lastQ: q });
const gap = (index: number): Bin => bin(index, NaN);

/** A small generator, so that a failure can be repeated from its seed. */
function random(seed: number): () => number {
  let s = seed;
  return () => (s = (s * 1664525 + 1013904223) % 4294967296) / 4294967296;
}

describe('merge', () => {
  it('widens and keeps the newer last', () => {
    const a = bin(1, 2, 5);
    merge(a, { ...bin(1, 3, 9, 64), last: 4 });
    expect(a).toEqual({ index: 1, min: 2, max: 9, last: 4, worst: 64, lastQ: 64 });
  });
  it('lets a gap take nothing away, and fills one', () => {
    const a = bin(1, 2, 5);
    merge(a, gap(1));
    expect([a.min, a.max, a.last]).toEqual([2, 5, 5]);
    const g = gap(1);
    merge(g, bin(1, 7));
    expect([g.min, g.max, g.last]).toEqual([7, 7, 7]);
  });
  it('gives the same whatever the parts and however often they come', () => {
    const seed = 20260301, r = random(seed);
    for (let trial = 0; trial < 100; trial++) {
      const parts = Array.from({ length: 40 }, () => (r() < 0.1 ? gap(Math.floor(r() * 10)) : bin(Math.floor(r() * 10), r(), 1 + r())));
      const once: Bin[] = [], twice: Bin[] = [];
      for (const p of parts) { put(once, p); put(twice, p); put(twice, p); }
      expect(twice, `seed ${seed} trial ${trial}`).toEqual(once);
      expect(once.map(b => b.index)).toEqual([...new Set(parts.map(p => p.index))].sort((a, b) => a - b));
    }
  });
});

describe('Live', () => {
  it('keeps two minutes and tells the worst of late', () => {
    const l = new Live(0.05);
    for (let i = 0; i < 20 * 300; i++) {
      l.put(bin(i, i, i, i === 5950 ? 64 : 0));
      l.trim(i * 0.05);
    }
    expect(l.bins.length).toBeLessThan(20 * 125 + 210);
    expect(l.last!.max).toBe(5999);
    expect(l.worstSince(297)).toBe(64);
    expect(l.worstSince(299)).toBe(0);
    l.trim(1e6);
    expect(l.bins).toHaveLength(0);
  });
});

describe('Run', () => {
  it('stays bounded and loses no spike', () => {
    const r = new Run(0.05, 0);
    for (let i = 0; i < 5 * RUN_BINS; i++) r.put(0, bin(i, 1, i === 4000 ? 77 : 1), 0.05);
    expect(r.rows[0]!.length).toBeLessThanOrEqual(RUN_BINS);
    expect(r.width).toBeCloseTo(0.4);
    expect(r.rows[0]![500]).toMatchObject({ index: 500, max: 77 });
  });
  it('takes wide bins of the server and live ones beside them', () => {
    const r = new Run(0.05, 0);
    r.put(0, bin(2, 5), 0.4);
    r.put(0, bin(17, 9), 0.05);
    expect(r.width).toBeCloseTo(0.4);
    expect(r.rows[0]).toEqual([{ ...bin(2, 5, 9), last: 9 }]);
  });
  it('leaves out what is before the start or after the end', () => {
    const r = new Run(0.05, 1, 2);
    for (const i of [10, 19, 20, 30, 39, 40, 50]) r.put(0, bin(i, i), 0.05);
    expect(r.rows[0]!.map(b => b.index)).toEqual([20, 30, 39]);
  });
});

describe('columns', () => {
  it('interleaves min and max, breaks at gaps, joins what a slow channel leaves out', () => {
    const [x, y, slow] = columns([{ bins: [bin(10, 1e5, 3e5), gap(11), bin(12, 2e5)], per: 1e5 }, { bins: [bin(10, 20), bin(12, 21)], per: 1 }], 0.5, 5, 6.2);
    expect(x).toEqual([5, 5.25, 5.5, 5.75, 6, 6.25]);
    expect(y).toEqual([1, 3, null, null, 2, 2]);
    expect(slow).toEqual([20, 20, undefined, undefined, 21, 21]);
  });
  it('counts from a zero and leaves out what is outside', () => {
    const [x, y] = columns([{ bins: [bin(1, 9), bin(4, 1), bin(9, 9)], per: 1 }], 1, 3, 5, 3);
    expect(x).toEqual([0, 0.5, 1, 1.5, 2, 2.5]);
    expect(y).toEqual([undefined, undefined, 1, 1, undefined, undefined]);
  });
  it('has an extent unless it is empty', () => {
    expect(extent([[0, 1], [3, null], [undefined, -2]])).toEqual([-2, 3]);
    expect(extent([[0], [null]])).toBeUndefined();
  });
});
