import { figure, type Instrument, type Sensor, type State } from '../api';
import { age, bytes, count, DASH, number } from '../format';
import { useBeat, useStore } from '../hooks';
import { sensorRemarks } from '../words';
import { Tick, Warn } from './icons';

/** Whether the readings can be believed: sensors, lines, record. */
export function Health() {
  const s = useStore(), st = s.state;
  useBeat(1000);
  if (!st) return null;
  return (
    <>
      <section class="panel sensors" aria-labelledby="sensors-h">
        <h2 id="sensors-h">Sensors</h2>
        <div class="scroll" tabIndex={0} role="group" aria-label="Table of sensors">
          <table>
            <thead><tr><th scope="col">Channel</th><th scope="col" class="r">Value</th><th scope="col" class="r">± (k = 2)</th><th scope="col" class="r">Noise</th><th scope="col" class="r">Rate</th><th scope="col" class="r">Age</th><th scope="col">Calibration until</th><th scope="col">Remarks</th></tr></thead>
            <tbody>{st.sensors.map(x => <SensorRow key={x.name} x={x} today={st.now_utc.slice(0, 10)} />)}</tbody>
          </table>
        </div>
      </section>
      {!st.replay && <section class="panel lines" aria-labelledby="lines-h">
        <h2 id="lines-h">Instruments and record</h2>
        <div class="scroll" tabIndex={0} role="group" aria-label="Table of instruments">
          <table>
            <thead><tr><th scope="col">Line</th><th scope="col">Port</th><th scope="col" class="r">Rows</th><th scope="col" class="r">Lost</th><th scope="col" class="r">Bad</th><th scope="col" class="r">Refused</th><th scope="col">Clock</th><th scope="col">Checksum</th></tr></thead>
            <tbody>{st.instruments.map(x => <LineRow key={x.name} x={x} />)}</tbody>
          </table>
        </div>
        <Record st={st} />
      </section>}
    </>
  );
}

const REF: Record<string, string> = { gauge: 'gauge', absolute: 'abs' };
const UNIT: Record<string, string> = { C: '°C' };

function SensorRow({ x, today }: { x: Sensor; today: string }) {
  const remarks = sensorRemarks(x, today), unit = UNIT[x.unit] ?? x.unit, d = x.unit === 'bar' || x.unit === 'V' ? 3 : 1;
  const old = x.age_s === undefined || x.age_s > 2;
  return (
    <tr class={remarks.length || old ? 'doubt' : ''}>
      <th scope="row">{x.name}</th>
      <td class="num r">{number(figure(x, 'value'), d)} <span class="soft">{unit}{x.reference && ` ${REF[x.reference] ?? x.reference}`}</span></td>
      <td class="num r">{number(figure(x, 'u') || undefined, d)}</td>
      <td class="num r">{noise(x)}</td>
      <td class="num r">{x.rate_hz === undefined ? DASH : `${count(Math.round(x.rate_hz))} Hz`}</td>
      <td class="num r">{old && <Warn />}{age(x.age_s)}</td>
      <td class="num">{x.cal_due || 'no certificate'}</td>
      <td>{remarks.length ? <><Warn />{remarks.join(', ')}</> : <><Tick />good</>}</td>
    </tr>
  );
}

/** Noise in thousandths of the unit, where there is one. */
function noise(x: Sensor): string {
  const n = figure(x, 'noise');
  if (n === undefined || n === 0) return DASH;
  return x.unit === 'bar' || x.unit === 'V' ? `${number(n * 1000, 1)} m${x.unit}` : number(n, 2);
}

function LineRow({ x }: { x: Instrument }) {
  const c = x.counters;
  return (
    <tr class={x.up && x.checked && x.settled ? '' : 'doubt'}>
      <th scope="row">{x.name}</th>
      <td>{x.up ? <><Tick />open</> : <><Warn />gone{x.reason && `: ${x.reason}`}</>}</td>
      <td class="num r">{count(c.rows)}</td>
      <td class="num r">{count(c.lost_rows)}</td>
      <td class="num r">{count(c.bad)}</td>
      <td class="num r">{count(c.refused)}</td>
      <td>{x.settled ? <><Tick />settled{x.clock_u_s !== undefined && x.clock_u_s > 0 && <span class="num"> ± {number(x.clock_u_s * 1000, 2)} ms</span>}</> : <><Warn />not settled</>}</td>
      <td>{x.checked ? <><Tick />checked</> : <><Warn />none: a damaged byte may pass as a value</>}</td>
    </tr>
  );
}

function Record({ st }: { st: State }) {
  const r = st.record, late = r.lag_s > 5;
  return (
    <ul class="record">
      <li>{r.error ? <><Warn /><b>Recording fails.</b> {r.error}</> : <>{r.recording || late ? null : null}{late ? <Warn /> : <Tick />}{r.recording ? 'Recording the run' : 'Keeping the last minutes'}, on disk up to <span class="num">{age(r.lag_s)}</span> ago</>}</li>
      {r.lost_entries > 0 && <li><Warn /><b>{count(r.lost_entries)} entries could not be stored.</b></li>}
      {st.refused_entries > 0 && <li><Warn /><b>{count(st.refused_entries)} entries refused: the program can’t keep up.</b></li>}
      <li><span class="num">{bytes(r.free_bytes)}</span> free for runs</li>
      {st.forward && <li>{st.forward.up ? <Tick /> : <Warn />}{st.forward.up ? 'Database copy' : <b>Database does not answer: </b>} <span class="num">{age(st.forward.lag_s)}</span> behind{st.forward.error && `: ${st.forward.error}`}</li>}
      <li>Loop <span class="num">{number(st.loop_lag_s * 1000, 1)}</span> ms behind its input</li>
    </ul>
  );
}
