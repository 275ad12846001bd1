/** Sample frames: the binary messages of the live feed. The layout is drawn in
 *  package stream of the server, and in the description of /api/v1/live. */

export const LIVE = 1;
export const RUN = 2;
const VERSION = 1;
const HEADER = 24;
const BLOCK = 24;
const BIN = 20;

/** Quality bits, as the server numbers them. */
export const Q = {
  missing: 1, saturated: 2, under: 4, open: 8, rail: 16, frozen: 32,
  spike: 64, gap: 128, unsettled: 256, shock: 512, late: 1024, uncalibrated: 2048, reversed: 4096, unreferred: 8192,
} as const;
/** With any of these a value is no measurement. */
export const BAD = Q.missing | Q.open | Q.rail | Q.frozen | Q.spike | Q.reversed;

export interface Bin {
  /** start in bin widths of bench time */
  index: number;
  /** in the frame's unit (Pa, °C, V, A, N); NaN: a gap */
  min: number;
  max: number;
  last: number;
  /** flags of all readings, and of the last one */
  worst: number;
  lastQ: number;
}

export interface Block {
  channel: number;
  /** bench time of the newest reading, s */
  newest: number;
  bins: Bin[];
}

export interface Frame {
  kind: number;
  seq: number;
  /** bench time, s */
  now: number;
  /** bin width, s */
  width: number;
  blocks: Block[];
}

export function decode(buf: ArrayBuffer): Frame {
  const d = new DataView(buf);
  if (buf.byteLength < HEADER) throw new Error(`frame of ${buf.byteLength} bytes: a header has ${HEADER}`);
  const kind = d.getUint8(0);
  if (kind !== LIVE && kind !== RUN) throw new Error(`frame kind ${kind} is not known`);
  const version = d.getUint8(1);
  if (version !== VERSION) throw new Error(`frame version ${version}: this page reads ${VERSION}. Reload the page`);
  const width = d.getFloat64(16, true);
  if (!(width > 0)) throw new Error('frame without a bin width');
  const frame: Frame = { kind, seq: d.getUint32(4, true), now: d.getFloat64(8, true), width, blocks: [] };
  let at = HEADER;
  for (let i = d.getUint16(2, true); i > 0; i--) {
    if (buf.byteLength - at < BLOCK) throw new Error(`frame: block at byte ${at} cut short`);
    const n = d.getUint16(at + 2, true);
    if (buf.byteLength - at - BLOCK < n * BIN) throw new Error(`frame: block at byte ${at} promises ${n} bins and holds fewer`);
    frame.blocks.push(block(d, at, n, width));
    at += BLOCK + n * BIN;
  }
  if (at !== buf.byteLength) throw new Error(`frame: ${buf.byteLength - at} bytes too many`);
  return frame;
}

function block(d: DataView, at: number, n: number, width: number): Block {
  const first = Math.round(d.getFloat64(at + 16, true) / width);
  const out: Block = { channel: d.getUint16(at, true), newest: d.getFloat64(at + 8, true), bins: new Array<Bin>(n) };
  for (let i = 0, p = at + BLOCK; i < n; i++, p += BIN) {
    out.bins[i] = {
      index: first + d.getUint32(p, true),
      min: d.getFloat32(p + 4, true),
      max: d.getFloat32(p + 8, true),
      last: d.getFloat32(p + 12, true),
      worst: d.getUint16(p + 16, true),
      lastQ: d.getUint16(p + 18, true),
    };
  }
  return out;
}
