/** How old the values on screen are.
 *
 *  The bench's clock and this device's are not the same. The smallest delay seen
 *  between a frame's bench time and its arrival is taken as the distance of the
 *  two; what comes later than that is late. So values that wait in a slow
 *  network show their age, although frames keep arriving. The distance may drift
 *  by 1e-3, more than any two clocks do.
 */
export class Ages {
  private offset = NaN;
  private at = NaN;
  private arrived = NaN;
  private benchNow = NaN;

  /** A frame made at bench time now (s) arrived at local time t (s). */
  frame(now: number, t: number): void {
    const o = t - now;
    if (Number.isNaN(this.offset)) this.offset = o;
    else this.offset = Math.min(o, this.offset + 1e-3 * Math.max(0, t - this.at));
    this.at = t;
    this.arrived = t;
    this.benchNow = now;
  }

  /** Forgets the distance: the connection is new. */
  reset(): void {
    this.offset = NaN;
    this.arrived = NaN;
    this.benchNow = NaN;
  }

  /** Bench time at local time t, s. */
  bench(t: number): number {
    return t - this.offset;
  }

  /** Age of a value sampled at bench time s, at local time t. */
  age(sampled: number, t: number): number {
    return this.bench(t) - sampled;
  }

  /** How long ago the newest frame was made. */
  silence(t: number): number {
    return Number.isNaN(this.arrived) ? Infinity : Math.max(t - this.arrived, this.bench(t) - this.benchNow);
  }
}
