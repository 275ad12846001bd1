import uPlot from 'uplot';
import 'uplot/dist/uPlot.min.css';
import type { Columns } from './bins';
import { number } from './format';

/** Lines that people with any common colour blindness can tell apart, each at
 *  least 3:1 on the chart's white. Not one means an abnormal state. */
export const LINES = ['#0072B2', '#D55E00', '#009E73', '#A8537F'];

export interface Mark { x: number; label: string; strong: boolean }
export interface Band { low?: number; high?: number; label: string }
export interface Limit { y: number; label: string }

export interface ChartOptions {
  series: { label: string; color: string }[];
  decimals: number;
  /** seconds shown as they count from now, or from the run's time zero */
  fromNow: boolean;
  compact?: boolean;
  /** stretches of less than a second may be shown */
  fine?: boolean;
}

const FINE = [-4, -3, -2, -1].flatMap(e => [1, 2, 5].map(m => m * 10 ** e));
const INK = '#20272c', QUIET = '#59636b', GRID = '#e3e6e8', BAND = 'rgba(60, 76, 88, .09)', BAND_EDGE = '#8b959d';
const FAMILY = '"Atkinson Hyperlegible Next Variable", "Segoe UI", Arial, sans-serif';
const FONT = `12px ${FAMILY}`;

/** Fewer values than this are drawn as points too: a line of one would not show. */
const FEW = 60;
function lone(u: uPlot, series: number): boolean {
  let n = 0;
  for (const v of u.data[series] ?? []) if (v !== null && v !== undefined) n++;
  return n < FEW;
}

/** A chart that is told what to draw and draws it once for each animation
 *  frame at most. Lines are one pixel wide: width is what costs time. */
export class Chart {
  private u: uPlot;
  private marks: Mark[] = [];
  private bands: Band[] = [];
  private limits: Limit[] = [];
  private resize: ResizeObserver;
  private y: [number, number] = [0, 1];

  constructor(private el: HTMLElement, private o: ChartOptions) {
    this.u = new uPlot(this.options(), [[], ...o.series.map(() => [])], el);
    this.resize = new ResizeObserver(() => this.fit());
    this.resize.observe(el);
  }

  destroy(): void {
    this.resize.disconnect();
    this.u.destroy();
  }

  /** Draws columns from x0 to x1; y0 and y1 bound the values shown. */
  draw(data: Columns, x: [number, number], y: [number, number], marks: Mark[], bands: Band[], limits: Limit[]): void {
    this.marks = marks;
    this.bands = bands;
    this.limits = limits;
    this.y = y;
    this.u.batch(() => {
      this.u.setData(data as uPlot.AlignedData, false);
      this.u.setScale('x', { min: x[0], max: x[1] });
      this.u.setScale('y', { min: y[0], max: y[1] });
    });
  }

  /** The time at a place of the window, x in px. */
  at(x: number): number {
    return this.u.posToVal(x - this.u.over.getBoundingClientRect().left, 'x');
  }

  private fit(): void {
    const { width, height } = this.el.getBoundingClientRect();
    if (width > 0 && height > 0) this.u.setSize({ width: Math.floor(width), height: Math.floor(height) });
  }

  private options(): uPlot.Options {
    const o = this.o;
    const axis = { stroke: QUIET, font: FONT, grid: { stroke: GRID, width: 1 }, ticks: { show: false } };
    return {
      width: Math.max(100, this.el.clientWidth), height: Math.max(60, this.el.clientHeight),
      padding: [o.compact ? 8 : 18, 10, 0, 0],
      legend: { show: false },
      cursor: { show: false },
      scales: { x: { time: false, auto: false }, y: { auto: false, range: () => this.y } },
      series: [{}, ...o.series.map(s => ({ label: s.label, stroke: s.color, width: 1, points: { show: o.fine ? lone : false, size: 4, fill: s.color, width: 0 }, spanGaps: false }))],
      axes: [
        { ...axis, size: 26, gap: 4, space: o.compact ? 60 : 80, values: (u, ticks) => ticks.map(v => this.xLabel(u, v)), splits: u => this.xSplits(u) },
        { ...axis, size: 44, gap: 6, space: o.compact ? 26 : 34 },
      ],
      hooks: { drawClear: [u => this.under(u)], draw: [u => this.over(u)] },
    };
  }

  /** The last minute keeps its grid still while the line moves through it. */
  private xSplits(u: uPlot): number[] {
    const { min = 0, max = 1 } = u.scales.x!;
    const span = max - min, room = Math.max(2, Math.floor(u.bbox.width / uPlot.pxRatio / (this.o.compact ? 60 : 80)));
    const step = [...(this.o.fine ? FINE : []), 1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400].find(s => span / s <= room) ?? 86400;
    const out: number[] = [];
    if (this.o.fromNow) for (let v = max; v >= min - 1e-6; v -= step) out.unshift(v);
    else for (let v = Math.ceil(min / step) * step; v <= max + 1e-6; v += step) out.push(v);
    return out;
  }

  private xLabel(u: uPlot, v: number): string {
    if (this.o.fromNow) {
      const ago = Math.round(v - (u.scales.x!.max ?? 0));
      return ago === 0 ? 'now' : `${number(ago, 0)} s`;
    }
    if (this.o.fine) return this.fineLabel(u, v);
    const s = Math.round(v);
    if ((u.scales.x!.max ?? 0) < 300) return `${s} s`;
    return s % 60 ? `${Math.floor(s / 60)}:${String(s % 60).padStart(2, '0')}` : `${s / 60} min`;
  }

  /** As many digits as tell neighbours on the axis apart. */
  private fineLabel(u: uPlot, v: number): string {
    const span = (u.scales.x!.max ?? 1) - (u.scales.x!.min ?? 0), digits = Math.max(0, Math.min(6, Math.ceil(0.9 - Math.log10(span))));
    return `${number(v, span < 8 ? digits : 0)} s`;
  }

  /** Ranges of the features, below the lines. */
  private under(u: uPlot): void {
    const c = u.ctx, r = uPlot.pxRatio, { left, top, width, height } = u.bbox;
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    c.font = this.font(11);
    c.textAlign = 'left';
    c.textBaseline = 'bottom';
    c.setLineDash([]);
    c.lineWidth = r;
    for (const b of this.bands) {
      const lo = b.low ?? this.y[0], hi = b.high ?? this.y[1];
      const y1 = u.valToPos(Math.min(hi, this.y[1]), 'y', true), y0 = u.valToPos(Math.max(lo, this.y[0]), 'y', true);
      if (y0 - y1 < 1) continue;
      c.fillStyle = BAND;
      c.fillRect(left, y1, width, y0 - y1);
      c.strokeStyle = BAND_EDGE;
      for (const v of [b.low, b.high]) if (v !== undefined) this.rule(c, left, left + width, u.valToPos(v, 'y', true), [2 * r, 3 * r]);
      c.fillStyle = QUIET;
      if (y0 - y1 > 13 * r) c.fillText(b.label, left + 6 * r, y0 - 2 * r);
    }
    c.restore();
  }

  private rule(c: CanvasRenderingContext2D, x0: number, x1: number, y: number, dash: number[]): void {
    c.setLineDash(dash);
    c.beginPath();
    c.moveTo(x0, Math.round(y) + 0.5);
    c.lineTo(x1, Math.round(y) + 0.5);
    c.stroke();
    c.setLineDash([]);
  }

  /** Limits and events, above the lines. */
  private over(u: uPlot): void {
    const c = u.ctx, r = uPlot.pxRatio, { left, top, width, height } = u.bbox;
    c.save();
    c.font = this.font(11, 600);
    c.lineWidth = r;
    for (const l of this.limits) {
      if (l.y > this.y[1] || l.y < this.y[0]) continue;
      const y = u.valToPos(l.y, 'y', true);
      c.strokeStyle = INK;
      this.rule(c, left, left + width, y, [8 * r, 4 * r]);
      this.tag(c, l.label, left + width - 4 * r, y - 2 * r, 'right', 'bottom', INK);
    }
    // Openings are drawn last, over what else happened at the same time.
    for (const m of [...this.marks].sort((a, b) => Number(a.strong) - Number(b.strong))) {
      const x = Math.round(u.valToPos(m.x, 'x', true)) + 0.5;
      if (x < left || x > left + width) continue;
      c.strokeStyle = m.strong ? INK : BAND_EDGE;
      c.setLineDash(m.strong ? [] : [3 * r, 3 * r]);
      c.beginPath();
      c.moveTo(x, top);
      c.lineTo(x, top + height);
      c.stroke();
      c.setLineDash([]);
    }
    if (!this.o.compact) this.labels(u, c);
    c.restore();
  }

  /** Labels of the marks, each in the first of four rows that has room. */
  private labels(u: uPlot, c: CanvasRenderingContext2D): void {
    const r = uPlot.pxRatio, { left, top, width } = u.bbox, taken: [number, number][][] = [[], [], [], []];
    for (const m of [...this.marks].sort((a, b) => Number(b.strong) - Number(a.strong) || b.x - a.x)) {
      const x = u.valToPos(m.x, 'x', true), w = c.measureText(m.label).width + 8 * r;
      if (x < left || x > left + width) continue;
      const toLeft = x + w > left + width, span: [number, number] = toLeft ? [x - w, x] : [x, x + w];
      const row = taken.findIndex(t => t.every(([a, b]) => span[1] <= a || span[0] >= b));
      if (row < 0) continue;
      taken[row]!.push(span);
      this.tag(c, m.label, toLeft ? x - 4 * r : x + 4 * r, top + (2 + row * 14) * r, toLeft ? 'right' : 'left', 'top', m.strong ? INK : QUIET);
    }
  }

  /** Text with the paper's colour behind it, so that a noisy line doesn't hide it. */
  private tag(c: CanvasRenderingContext2D, text: string, x: number, y: number, align: 'left' | 'right', base: 'top' | 'bottom', color: string): void {
    c.textAlign = align;
    c.textBaseline = base;
    c.lineWidth = 4 * uPlot.pxRatio;
    c.lineJoin = 'round';
    c.strokeStyle = '#fff';
    c.strokeText(text, x, y);
    c.fillStyle = color;
    c.fillText(text, x, y);
    c.lineWidth = uPlot.pxRatio;
  }

  private font(px: number, weight = 500): string {
    return `${weight} ${px * uPlot.pxRatio}px ${FAMILY}`;
  }
}
