import type { Bin } from './frame';

/** What is kept of the live bins, s. */
export const LIVE_S = 125;
/** More bins than this of a whole run become half as many of twice the width. */
export const RUN_BINS = 2048;

/** Widens a by b, a bin of the same stretch that was filled later. */
export function merge(a: Bin, b: Bin): void {
  a.worst |= b.worst;
  a.lastQ = b.lastQ;
  if (!Number.isNaN(b.min) && !(a.min <= b.min)) a.min = b.min;
  if (!Number.isNaN(b.max) && !(a.max >= b.max)) a.max = b.max;
  if (!Number.isNaN(b.last)) a.last = b.last;
}

/** Puts b into bins, which are sorted by index. Merging twice changes nothing. */
export function put(bins: Bin[], b: Bin): void {
  const last = bins[bins.length - 1];
  if (!last || last.index < b.index) {
    bins.push({ ...b });
    return;
  }
  if (last.index === b.index) {
    merge(last, b);
    return;
  }
  let lo = 0, hi = bins.length;
  while (lo < hi) {
    const mid = (lo + hi) >> 1;
    if (bins[mid]!.index < b.index) lo = mid + 1; else hi = mid;
  }
  const at = bins[lo]!;
  if (at.index === b.index) merge(at, b); else bins.splice(lo, 0, { ...b });
}

/** One channel's bins of the last two minutes. */
export class Live {
  bins: Bin[] = [];
  newest = NaN;
  constructor(readonly width: number) {}

  put(b: Bin): void {
    put(this.bins, b);
  }

  /** Lets go of what is too old; in bulk, so that a bin costs little. */
  trim(now: number): void {
    const first = Math.floor((now - LIVE_S) / this.width);
    const old = this.bins.findIndex(b => b.index >= first);
    if (old > 200) this.bins.splice(0, old);
    else if (old < 0 && this.bins.length > 0) this.bins = [];
  }

  get last(): Bin | undefined {
    return this.bins[this.bins.length - 1];
  }

  /** Flags of all readings since time t (bench, s). */
  worstSince(t: number): number {
    let q = 0;
    for (let i = this.bins.length - 1; i >= 0 && (this.bins[i]!.index + 1) * this.width > t; i--) q |= this.bins[i]!.worst;
    return q;
  }
}

/** A whole run of several channels in a bounded number of bins. */
export class Run {
  width: number;
  rows: Bin[][] = [];
  constructor(readonly liveWidth: number, public start: number, public end = Infinity) {
    this.width = liveWidth;
  }

  private row(channel: number): Bin[] {
    return (this.rows[channel] ??= []);
  }

  /** Adds a bin of the given width; one outside the run is left out. */
  put(channel: number, b: Bin, width: number): void {
    if ((b.index + 1) * width <= this.start || b.index * width >= this.end) return;
    while (this.width < width * 0.999) this.double();
    const index = Math.floor(b.index * width / this.width + 1e-6);
    const row = this.row(channel);
    put(row, { ...b, index });
    if (row.length > RUN_BINS) this.double();
  }

  private double(): void {
    this.width *= 2;
    this.rows = this.rows.map(row => {
      const wide: Bin[] = [];
      for (const b of row) put(wide, { ...b, index: Math.floor(b.index / 2) });
      return wide;
    });
  }
}

/** What a chart draws of bins: x in s, for each channel the smallest and the
 *  largest value of each bin one after the other. null breaks the line,
 *  undefined doesn't. */
export type Columns = [number[], ...(number | null | undefined)[][]];

/** The smallest and largest value in columns; undefined: there is none. */
export function extent(data: Columns): [number, number] | undefined {
  let lo = Infinity, hi = -Infinity;
  for (let c = 1; c < data.length; c++) {
    for (const v of data[c]!) {
      if (v === null || v === undefined) continue;
      if (v < lo) lo = v;
      if (v > hi) hi = v;
    }
  }
  return lo <= hi ? [lo, hi] : undefined;
}

export interface Wanted {
  bins: Bin[];
  /** divides the frame's values */
  per: number;
}

/** Bins of bench time from..to; x counts from zero. */
export function columns(wanted: Wanted[], width: number, from: number, to: number, zero = 0): Columns {
  const first = Math.floor(from / width), n = Math.max(0, Math.floor(to / width) - first + 1);
  const x = new Array<number>(2 * n);
  for (let i = 0; i < n; i++) {
    x[2 * i] = (first + i) * width - zero;
    x[2 * i + 1] = (first + i + 0.5) * width - zero;
  }
  const ys = wanted.map(({ bins, per }) => {
    const y = new Array<number | null | undefined>(2 * n).fill(undefined);
    for (let k = bins.length - 1; k >= 0; k--) {
      const b = bins[k]!, i = b.index - first;
      if (i < 0) break;
      if (i >= n) continue;
      const gap = Number.isNaN(b.min);
      y[2 * i] = gap ? null : b.min / per;
      y[2 * i + 1] = gap ? null : b.max / per;
    }
    return y;
  });
  return [x, ...ys];
}
