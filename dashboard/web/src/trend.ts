import type { Store } from './store';

/** Slope of a channel's last seconds by least squares, in its unit a second; what
 *  the page says where the bench gives no rate of its own. */
export function slope(s: Store, channel: number, per: number, span = 5): number | undefined {
  const live = s.live[channel];
  if (!live) return undefined;
  let n = 0, sx = 0, sy = 0, sxx = 0, sxy = 0;
  for (let i = live.bins.length - 1; i >= 0; i--) {
    const b = live.bins[i]!, x = (b.index + 0.5) * live.width - s.benchNow;
    if (x < -span) break;
    const y = (b.min + b.max) / 2 / per;
    if (Number.isNaN(y)) continue;
    n++; sx += x; sy += y; sxx += x * x; sxy += x * y;
  }
  const d = n * sxx - sx * sx;
  return n > 10 && d > 0 ? (n * sxy - sx * sy) / d : undefined;
}
