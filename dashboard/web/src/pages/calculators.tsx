import { useState } from 'preact/hooks';
import type { Refused } from '../api';
import { Fault, refused } from '../panels/fault';
import { Warn } from '../panels/icons';
import { Page } from '../panels/page';
import { send, Wrong } from '../papers';
import { useRoute } from '../router';
import { Venting } from './venting';

const CALCULATORS = [['energy', 'Stored energy and stand-off'], ['area', 'Vent area'], ['venting', 'Venting adequacy'], ['mechanics', 'Can and score']] as const;

/** Estimates that need no run, through the code of `ventward estimate`. */
export function CalculatorsPage() {
  const { item } = useRoute(), here = item || 'energy';
  return (
    <Page title="Calculators">
      <nav class="tabs" aria-label="Calculators">{CALCULATORS.map(([key, name]) => <a key={key} href={`#/calculators/${key}`} aria-current={here === key ? 'page' : undefined}>{name}</a>)}</nav>
      <p class="estimate"><Warn /><b>Estimate only.</b> Have a qualified person check it, and follow the local rules.</p>
      {here === 'area' ? <Area /> : here === 'venting' ? <Venting /> : here === 'mechanics' ? <Mechanics /> : <Energy />}
    </Page>
  );
}

interface Ask { name: string; label: string; unit: string; value?: string; optional?: boolean; choices?: string[] }

/** A form whose fields say themselves what is wrong with them. */
function Asks({ fields, path, done }: { fields: Ask[]; path: string; done: (answer: unknown) => void }) {
  const [fault, setFault] = useState<Refused | undefined>(), [busy, setBusy] = useState(false);
  const wrong = fault instanceof Wrong ? fault.fields : [], here = new Set(fields.map(f => f.name));
  const submit = async (e: SubmitEvent) => {
    e.preventDefault();
    const f = new FormData(e.target as HTMLFormElement), body: Record<string, string> = {};
    for (const { name } of fields) if (String(f.get(name) ?? '').trim() !== '') body[name] = String(f.get(name)).trim();
    setBusy(true);
    try {
      done(await send(path, body));
      setFault(undefined);
    } catch (err) {
      setFault(refused(err));
      done(undefined);
    }
    setBusy(false);
  };
  return (
    <form class="panel calc" noValidate onSubmit={e => void submit(e as SubmitEvent)}>
      {fields.map(f => {
        const w = wrong.find(x => x.field === f.name);
        return (
          <label key={f.name}>
            <span>{f.label}{f.optional && <span class="soft"> (optional)</span>}</span>
            <span class="withunit">
              {f.choices ? <select name={f.name} defaultValue={f.value}>{f.choices.map(x => <option key={x}>{x}</option>)}</select>
                : <input name={f.name} inputMode="decimal" autocomplete="off" defaultValue={f.value ?? ''} aria-invalid={w ? true : undefined} aria-describedby={w ? `${path}-${f.name}` : undefined} />}
              <span class="unit">{f.unit}</span>
            </span>
            {w && <span class="wrong" id={`${path}-${f.name}`} role="alert"><Warn />{w.next}</span>}
          </label>
        );
      })}
      <button type="submit" class="act" disabled={busy}>Estimate</button>
      {fault && !(fault instanceof Wrong && wrong.length > 0 && wrong.every(w => here.has(w.field))) && <Fault e={fault} />}
    </form>
  );
}

const GASES = ['N2', 'air', 'Ar', 'CO2'];

interface EnergyAnswer {
  energy_J: number; energy_u_J?: number; tnt_kg: number; tnt_us_kg: number; method: string; other_J?: Record<string, number>;
  readings: { edition: string; note: string; stand_off_m: Record<string, number>; least_distance_m: number }[]; cautions: string[];
}

const sig = (v: number, n = 4) => Number(v.toPrecision(n)).toLocaleString('en', { maximumSignificantDigits: n, useGrouping: false });
const mass = (kg: number) => (kg < 0.1 ? `${sig(kg * 1000)} g` : `${sig(kg)} kg`);
const SCALED: [string, string][] = [['scaled_20_windows', 'scaled 20 m/kg^⅓: windows'], ['scaled_12_eardrums', 'scaled 12: eardrums'], ['scaled_6_lungs', 'scaled 6: lungs'], ['scaled_2_fatal', 'scaled 2: fatal']];

function Energy() {
  const [a, set] = useState<EnergyAnswer | undefined>();
  return (
    <div class="calculator">
      <Asks path="estimates/energy" done={x => set(x as EnergyAnswer | undefined)} fields={[
        { name: 'pressure_barg', label: 'Pressure', unit: 'bar gauge', value: '40' }, { name: 'volume_ml', label: 'Volume', unit: 'mL', value: '50' },
        { name: 'gas', label: 'Gas', unit: '', choices: GASES }, { name: 'bulk_modulus_gpa', label: 'A liquid instead: bulk modulus (water about 2.2)', unit: 'GPa', optional: true },
        { name: 'pressure_u_bar', label: 'Uncertainty of the pressure, k = 2', unit: 'bar', optional: true }, { name: 'volume_u_ml', label: 'Uncertainty of the volume, k = 2', unit: 'mL', optional: true }]} />
      {a && (
        <section class="panel result" aria-live="polite">
          <p class="big num">{sig(a.energy_J)} J{a.energy_u_J !== undefined && <small> ± {sig(a.energy_u_J, 2)} J (k = 2)</small>}</p>
          <p class="soft">{a.method}</p>
          {a.other_J && <table><caption>By other formulas</caption><tbody>{Object.entries(a.other_J).map(([k, v]) => <tr key={k}><th scope="row">{k === 'brode' ? 'Brode' : k}</th><td class="r num">{sig(v)} J</td></tr>)}</tbody></table>}
          <table>
            <caption>TNT equivalent</caption>
            <tbody><tr><th scope="row">at 4266920 J/kg (SI constant)</th><td class="r num">{mass(a.tnt_kg)}</td></tr><tr><th scope="row">at 1488617 ft·lb/lb (US constant)</th><td class="r num">{mass(a.tnt_us_kg)}</td></tr></tbody>
          </table>
          <div class="scroll" tabIndex={0} role="region" aria-label="Stand-off by edition">
            <table>
              <caption>Stand-off: the editions differ, so each reading is shown</caption>
              <thead><tr><th scope="col">Distance</th>{a.readings.map(r => <th key={r.edition} scope="col" class="r">{r.edition}</th>)}</tr></thead>
              <tbody>
                {SCALED.map(([k, name]) => <tr key={k}><th scope="row">{name}</th>{a.readings.map(r => <td key={r.edition} class="r num">{sig(r.stand_off_m[k] ?? NaN, 3)} m</td>)}</tr>)}
                <tr><th scope="row">least distance there (pressure tests of plant)</th>{a.readings.map(r => <td key={r.edition} class="r num">{sig(r.least_distance_m, 3)} m</td>)}</tr>
                <tr><th scope="row">why</th>{a.readings.map(r => <td key={r.edition}>{r.note}</td>)}</tr>
              </tbody>
            </table>
          </div>
          <Cautions list={a.cautions} />
        </section>
      )}
    </div>
  );
}

interface AreaAnswer { area_mm2: number; choked: boolean; discharge_coefficient: number; cautions: string[] }

function Area() {
  const [a, set] = useState<AreaAnswer | undefined>();
  return (
    <div class="calculator">
      <Asks path="estimates/area" done={x => set(x as AreaAnswer | undefined)} fields={[
        { name: 'rate_mol_s', label: 'Gas generation', unit: 'mol/s', value: '0.3' }, { name: 'pressure_barg', label: 'Pressure inside', unit: 'bar gauge', value: '20' },
        { name: 'temperature_K', label: 'Gas temperature', unit: 'K', value: '1000' }, { name: 'molar_mass_g', label: 'Molar mass', unit: 'g/mol', value: '26' },
        { name: 'gamma', label: 'Ratio of specific heats', unit: '', value: '1.25' }, { name: 'back_pressure_bara', label: 'Back-pressure', unit: 'bar absolute', value: '1.01325' },
        { name: 'cd', label: 'Discharge coefficient', unit: '', value: '0.8' }]} />
      {a && (
        <section class="panel result" aria-live="polite">
          <p class="big num">{sig(a.area_mm2)} mm²<small> open area</small></p>
          <p>Lets this generation leave at this pressure: {a.choked ? 'choked' : 'subcritical'} flow, steady, C_d {sig(a.discharge_coefficient, 3)}.</p>
          <Cautions list={a.cautions} />
        </section>
      )}
    </div>
  );
}

interface MechanicsAnswer { hot_factor: number; figures: { name: string; value: number; low?: number; high?: number; unit: string; method: string }[]; cautions: string[] }

function Mechanics() {
  const [a, set] = useState<MechanicsAnswer | undefined>();
  return (
    <div class="calculator">
      <Asks path="estimates/mechanics" done={x => set(x as MechanicsAnswer | undefined)} fields={[
        { name: 'pressure_barg', label: 'Pressure inside', unit: 'bar gauge', value: '40' }, { name: 'diameter_mm', label: 'Outer diameter of the can', unit: 'mm', value: '21' },
        { name: 'wall_mm', label: 'Its wall', unit: 'mm', value: '0.25' }, { name: 'yield_mpa', label: 'Yield strength of the wall', unit: 'MPa', optional: true },
        { name: 'tensile_mpa', label: 'Tensile strength: adds the burst pressure', unit: 'MPa', optional: true }, { name: 'hardening', label: 'Strain-hardening exponent', unit: '', optional: true },
        { name: 'hot_factor', label: 'Hot strength over cold', unit: '', optional: true }, { name: 'header_mm', label: 'Sealing diameter of the header: adds the crimp', unit: 'mm', optional: true },
        { name: 'crimp_n_per_mm', label: 'What the crimp bears, from a test', unit: 'N/mm', optional: true }, { name: 'base_radius_mm', label: 'Radius of the flat base', unit: 'mm', optional: true },
        { name: 'base_mm', label: 'Its thickness', unit: 'mm', optional: true }, { name: 'score_radius_mm', label: 'Radius of a round score', unit: 'mm', optional: true },
        { name: 'residual_um', label: 'Residual thickness of the score', unit: 'µm', optional: true }]} />
      {a && (
        <section class="panel result" aria-live="polite">
          <div class="scroll" tabIndex={0} role="region" aria-label="Figures of the can">
            <table>
              <thead><tr><th scope="col">Figure</th><th scope="col" class="r">Value</th><th scope="col">By</th></tr></thead>
              <tbody>{a.figures.map(f => <tr key={f.name + f.method}><th scope="row">{f.name}</th><td class="r num">{sig(f.value)} {f.unit}{f.low !== undefined && f.high !== undefined && <small> ({sig(f.low, 3)} to {sig(f.high, 3)})</small>}</td><td>{f.method}</td></tr>)}</tbody>
            </table>
          </div>
          <Cautions list={a.cautions} />
        </section>
      )}
    </div>
  );
}

function Cautions({ list }: { list: string[] }) {
  return <div class="cautions"><h3>Cautions</h3><ul>{list.map(c => <li key={c}>{c}</li>)}</ul></div>;
}
