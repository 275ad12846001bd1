/** Numbers and times as an operator reads them. A value that isn't there is
 *  a dash, never a zero. */

export const DASH = '\u2013';
const MINUS = '\u2212';

export function number(v: number | null | undefined, decimals: number): string {
  if (v === null || v === undefined || !Number.isFinite(v)) return DASH;
  const s = Math.abs(v).toFixed(decimals);
  return v < 0 && Number(s) !== 0 ? MINUS + s : s;
}

/** Decimals that an uncertainty is worth: one significant digit, or two where
 *  the first is 1 or 2 (common practice, no source). */
export function decimalsFor(u: number | undefined, fallback: number, most = 4): number {
  if (u === undefined || !(u > 0)) return fallback;
  const decade = Math.floor(Math.log10(u)), first = u / 10 ** decade;
  return Math.min(most, Math.max(0, (first < 2.95 ? 1 : 0) - decade));
}

/** Decimals that show two significant digits of an uncertainty, so that no small
 *  one reads as zero; at most to 10 ns. */
export function twoDigits(u: number | undefined, fallback: number): number {
  if (u === undefined || !(u > 0)) return fallback;
  return Math.min(8, Math.max(0, 1 - Math.floor(Math.log10(u) + 1e-9)));
}

/** What a peak may miss, bar: below 0.1 mbar the ramp is the noise's, and a
 *  figure would say more than is known. */
export function loss(bar: number): string {
  return bar < 1e-4 ? '< 0.0001' : number(bar, twoDigits(bar, 3));
}

export function plusMinus(v: number | undefined, u: number | undefined, fallback: number): string {
  const d = decimalsFor(u, fallback);
  return u === undefined ? number(v, d) : `${number(v, d)} ± ${number(u, d)}`;
}

/** How old something is. */
export function age(s: number | undefined): string {
  if (s === undefined || !Number.isFinite(s)) return 'never';
  if (s < 0) s = 0;
  if (s < 10) return `${s.toFixed(s < 1 ? 2 : 1)} s`;
  if (s < 120) return `${Math.floor(s)} s`;
  if (s < 7200) return `${Math.floor(s / 60)} min`;
  return `${Math.floor(s / 3600)} h`;
}

/** A duration as a clock shows it: 0:07, 12:03, 1:02:03. */
export function duration(s: number): string {
  if (!Number.isFinite(s)) return DASH;
  const t = Math.max(0, Math.floor(s)), two = (n: number) => String(n).padStart(2, '0');
  const h = Math.floor(t / 3600), m = Math.floor(t / 60) % 60;
  return h > 0 ? `${h}:${two(m)}:${two(t % 60)}` : `${m}:${two(t % 60)}`;
}

/** The time of day, UTC, of an RFC 3339 stamp. */
export function timeOfDay(utc: string | undefined): string {
  const m = utc?.match(/T(\d\d:\d\d:\d\d)/);
  return m ? m[1]! : DASH;
}

/** Seconds between two RFC 3339 stamps, to the ms that Date keeps. */
export function between(from: string | undefined, to: string | undefined): number {
  return from && to ? (Date.parse(to) - Date.parse(from)) / 1000 : NaN;
}

export function count(n: number | undefined): string {
  return n === undefined ? DASH : n.toLocaleString('en-GB').replace(/,/g, '\u202f');
}

export function bytes(n: number): string {
  const units = ['B', 'kB', 'MB', 'GB', 'TB'];
  let i = 0;
  while (n >= 1000 && i < units.length - 1) { n /= 1000; i++; }
  return `${n.toFixed(n < 10 && i > 0 ? 1 : 0)} ${units[i]}`;
}

/** The end of a scale that starts at 0 and shows v with room above it. */
export function ceiling(v: number): number {
  const want = Math.max(v, 1e-6) * 1.08, decade = 10 ** Math.floor(Math.log10(want));
  for (const step of [1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8]) if (step * decade >= want) return step * decade;
  return 10 * decade;
}
