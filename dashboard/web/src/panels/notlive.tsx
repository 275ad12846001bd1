import { age } from '../format';
import { Replay } from './replay';
import { useBeat, useStore } from '../hooks';

/** Covers the values when they are not the bench as it is now. It leaves the
 *  top of the page free, so that ABORT can still be tried. */
export function NotLive() {
  const s = useStore();
  useBeat(100);
  const t = performance.now() / 1000, why = s.notLive(t), replay = s.state?.replay ?? false;
  const old = Number.isNaN(s.benchNow) ? undefined : s.ages.silence(t);
  return (
    <>
      <div class="notlive-region" role="alert">
        {why && (
          <div class="notlive">
            <strong>Not live</strong>
            <p>{why}. {s.link === 'lost' && 'Trying again.'}</p>
            {old === undefined ? <p>There is nothing to see yet.</p> : <p aria-hidden="true">These values are <b class="num">{age(old)}</b> old. Read the gauges at the bench.</p>}
          </div>
        )}
      </div>
      {replay && !why && <Replay />}
    </>
  );
}
