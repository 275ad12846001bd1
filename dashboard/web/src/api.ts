/** The shapes of /api/v1 that this page reads; openapi.json describes them. */

export interface Channel {
  id: number; name: string; role?: string; quantity: string; unit?: string;
  frame_per_unit: number; reference?: string;
}
export interface RunInfo {
  id: string; specimen: string; lot?: string; shot?: number;
  start_utc: string; start_bench_s: number; end_bench_s?: number;
}
export interface Event {
  event: string; id: number; rev: number; fault?: string; feature?: string; channel?: string; channels?: string[];
  onset_s: number; onset_u_s?: number; start_s?: number; start_u_s?: number; clock_u_s?: number; end_s?: number; decided_s: number; named_s?: number;
  pressure_bar?: number; pressure_u_bar?: number; fit_dof?: number; peak_bar?: number; peak_loss_bar?: number; reference?: string;
  drop_bar?: number; ramp_bar_s?: number; tau_s?: number; area_mm2?: number; area_u_mm2?: number; area_lower_mm2?: number;
  rate_bar_s?: number; step_bar?: number; dip_C?: number; criterion?: string;
  flags: string[]; absent?: Record<string, string>;
}
export interface Alarm {
  id: number; rule: string; priority: 'critical' | 'high' | 'medium' | 'low';
  state: 'normal' | 'unacknowledged' | 'acknowledged' | 'returned-unacknowledged' | 'latched-unacknowledged' | 'latched-acknowledged'
    | 'shelved' | 'suppressed-by-design' | 'out-of-service';
  since_utc: string; since_s: number; changed_utc: string; channel?: string;
  message: string; text: string; first?: boolean; who?: string;
  until_utc?: string; reason?: string; count?: number; chatter?: boolean;
}
export interface Output {
  name: string; role?: string; demanded: 'on' | 'off'; state: 'on' | 'off' | 'unknown'; agrees: boolean; since_utc: string; reason?: string;
}
export interface Trip {
  rule: string; tripped: boolean; stands: boolean; past?: boolean; since_utc?: string; since_s?: number; outputs: string[]; first?: boolean;
  bypassed?: boolean; bypass_until_utc?: string; bypass_who?: string; bypass_reason?: string; proof_due?: string; overdue?: boolean;
}
export interface Check { name: string; ok: boolean; required: boolean; why?: string; cure?: string; left_s?: number }
export interface Held { at_least_bar: number; reference: string; pressurised: boolean }
export interface Load { total: number; recent: number; flood?: boolean; chattering?: string[]; stale?: number }
export interface Note {
  n: number; at_utc: string; kind: 'alarm' | 'trip' | 'phase' | 'command' | 'output'; what: string; subject: string; alarm?: number;
  priority?: string; text?: string; who?: string; reason?: string; until_utc?: string; refused?: boolean;
}
export interface Sensor {
  name: string; role?: string; quantity: string; unit: string; reference?: string; at_utc: string;
  age_s?: number; quality: string; rate_hz?: number; cal_due?: string; zeroed: boolean;
  [figure: string]: unknown;
}
export interface Instrument {
  name: string; up: boolean; reason?: string; counters: Record<string, number>; age_s?: number;
  settled: boolean; clock_u_s?: number; checked: boolean; unchecked?: string;
}
/** how a replay plays; times in run time */
export interface Playing { speed: number; paused: boolean; over: boolean; at_s: number; end_s?: number }
export interface Feature { name: string; low_barg?: number; high_barg?: number }
export interface State {
  bench: string; rig?: 'burst' | 'runaway'; simulated: boolean; replay: boolean; playing?: Playing; now_utc: string; now_bench_s: number;
  phase: string; phase_since_utc?: string; run?: RunInfo;
  outputs: Output[]; watchdog: { present: boolean; beating: boolean; last_utc?: string; why?: string };
  trips: Trip[]; sensors: Sensor[]; instruments: Instrument[];
  record: { recording: boolean; run?: string; lag_s: number; error?: string; lost_entries: number; free_bytes: number };
  forward?: { up: boolean; lag_s: number; points: number; refused: number; error?: string };
  loop_lag_s: number; refused_entries: number; cautions: string[]; features: Feature[];
  reference?: string; peak_bar?: number; peak_loss_bar?: number; ramp_bar_s?: number; trip_bar?: number;
  guards?: Check[]; watch?: Check[]; held?: Held; cut_short?: { run: string; specimen: string }; alarm_load?: Load; names?: string[];
}

export type Message =
  | { type: 'hello'; version: string; channels: Channel[]; bin_s: number }
  | { type: 'snapshot'; run: RunInfo | null; events: Event[]; alarms: Alarm[]; state?: State }
  | { type: 'run'; run: RunInfo }
  | { type: 'event'; event: Event }
  | { type: 'alarm'; alarm: Alarm }
  | { type: 'state'; state: State }
  | { type: 'fault'; detail: string };

/** A figure of a sensor, whatever its unit: figure(s, 'value') is value_bar, value_C, ... */
export function figure(s: Sensor, name: string): number | undefined {
  const v = s[s.unit ? `${name}_${s.unit}` : name];
  return typeof v === 'number' ? v : undefined;
}

/** A no or a failure, with what to do next. */
export class Refused extends Error {
  constructor(message: string, readonly next: string, readonly reached: boolean) { super(message); }
}

/** Posts to the program and gives up after 3 s: an operator must not wait for a
 *  command that may not arrive. */
export async function post(path: string, body: Record<string, unknown>): Promise<void> {
  let r: Response;
  try {
    r = await fetch(`/api/v1/${path}`, {
      method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body), signal: AbortSignal.timeout(3000),
    });
  } catch {
    throw new Refused('No answer from the program within 3 s.', "Use the bench's own controls, then look at the connection.", false);
  }
  if (r.ok) return;
  const p = await r.json().catch(() => ({})) as { detail?: string; next?: string };
  throw new Refused(p.detail ?? `The program answered ${r.status}.`, p.next ?? 'Look at the program’s log.', true);
}

/** Whether this page's commands count as given at the bench; when the program
 *  does not say, the program decides at each command. */
export async function place(): Promise<'bench' | 'remote' | undefined> {
  try {
    const r = await fetch('/api/v1/place', { signal: AbortSignal.timeout(3000) });
    return ((await r.json()) as { at?: 'bench' | 'remote' }).at;
  } catch {
    return undefined;
  }
}

/** The history after note n, oldest first. */
export async function history(after: number): Promise<Note[]> {
  const r = await fetch(`/api/v1/history?after=${after}`, { signal: AbortSignal.timeout(3000) });
  if (!r.ok) throw new Error(`the program answered ${r.status}`);
  return ((await r.json()) as { notes: Note[] }).notes;
}
