import { Alarms } from '../panels/alarms';
import { Cautions } from '../panels/cautions';
import { Charts } from '../panels/charts';
import { Events } from '../panels/events';
import { Phases } from '../panels/header';
import { Interlock } from '../panels/interlock';
import { NotLive } from '../panels/notlive';
import { Pressure } from '../panels/pressure';
import { Health } from '../panels/sensors';

/** The bench as it is now. */
export function BenchPage() {
  return (
    <>
      <Phases />
      <NotLive />
      <main class="live">
        <div class="col a"><Pressure /><Interlock /></div>
        <div class="col b"><Charts /></div>
        <div class="col c"><Alarms /><Events /></div>
        <div class="wide"><Health /><Cautions /></div>
      </main>
    </>
  );
}
