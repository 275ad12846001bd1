import { Alarms } from '../panels/alarms';
import { Cautions } from '../panels/cautions';
import { Charts } from '../panels/charts';
import { Course } from '../panels/course';
import { Events } from '../panels/events';
import { Phases } from '../panels/header';
import { History } from '../panels/history';
import { Interlock } from '../panels/interlock';
import { Keys } from '../panels/keys';
import { NotLive } from '../panels/notlive';
import { Pressure } from '../panels/pressure';
import { Health } from '../panels/sensors';
import { Thermal } from '../panels/thermal';
import { useStore } from '../hooks';

/** The bench as it is now. */
export function BenchPage() {
  const runaway = useStore().state?.rig === 'runaway';
  return (
    <>
      <Phases />
      <NotLive />
      <main class={runaway ? 'live runaway' : 'live'}>
        <div class="col a"><Pressure />{runaway && <Thermal />}<Interlock /></div>
        <div class="col b"><Course /><Charts /></div>
        <div class="col c"><Alarms /><Events /></div>
        <div class="wide"><Cautions /><History /><Health /><Keys /></div>
      </main>
    </>
  );
}
