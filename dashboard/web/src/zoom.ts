/** A stretch of a stored run's time and what its channels read in it. */
import type { Columns } from './bins';

/** One channel: the least and the greatest good sample of each of equal
 *  stretches, null where there is none. */
export interface Curve { name: string; quantity: string; role?: string; unit?: string; reference?: string; min: (number | null)[]; max: (number | null)[] }
export interface Curves { run: string; first_s: number; last_s: number; from_s: number; to_s: number; width_s: number; channels: Curve[] }
export type Stretch = [number, number];

/** The shortest time that is shown, s. */
export const SHORTEST_S = 0.002;

/** The stretch of the middle of w, as long as w times by, within all. */
export function scaled(w: Stretch, by: number, all: Stretch, middle = (w[0] + w[1]) / 2): Stretch {
  const part = (middle - w[0]) / (w[1] - w[0]), span = Math.min(all[1] - all[0], Math.max(SHORTEST_S, (w[1] - w[0]) * by));
  return within([middle - part * span, middle + (1 - part) * span], all);
}

/** w moved by a part of its length, within all. */
export function moved(w: Stretch, part: number, all: Stretch): Stretch {
  const d = part * (w[1] - w[0]);
  return within([w[0] + d, w[1] + d], all);
}

/** w of the same length, moved into all. */
export function within(w: Stretch, all: Stretch): Stretch {
  const span = Math.min(w[1] - w[0], all[1] - all[0]), from = Math.min(Math.max(w[0], all[0]), all[1] - span);
  return [from, from + span];
}

/** What a chart draws of curves. Empty stretches between two filled ones are
 *  bridged while they are few, as a slow channel leaves them; many break the
 *  line. */
export function drawn(c: Curves, channels: Curve[]): Columns {
  const x: number[] = [];
  for (let i = 0; i < Math.max(0, ...channels.map(k => k.min.length)); i++) x.push(c.from_s + (i + 0.25) * c.width_s, c.from_s + (i + 0.75) * c.width_s);
  return [x, ...channels.map(k => line(k))];
}

function line(k: Curve): (number | null | undefined)[] {
  const n = k.min.length, filled = k.min.reduce<number>((sum, v) => sum + (v === null ? 0 : 1), 0);
  const y = new Array<number | null | undefined>(2 * n).fill(undefined), usual = Math.max(1, Math.floor(n / Math.max(1, filled)));
  let last = -1;
  for (let i = 0; i < n; i++) {
    if (k.min[i] === null) continue;
    if (last >= 0 && i - last > 3 * usual) y[2 * last + 2] = null;
    last = i;
    y[2 * i] = k.min[i];
    y[2 * i + 1] = k.max[i];
  }
  return y;
}
