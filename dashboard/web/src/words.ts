import type { Alarm, Event, Sensor, State } from './api';
import { number } from './format';
import { Q } from './frame';

/** The states of a test, in the order a test goes through them. */
export const PHASES = ['at rest', 'preparing', 'armed', 'under test', 'holding pressure', 'making safe', 'pressure watch'];

const KINDS: Record<string, string> = {
  'vent-opening': 'Vent opened', rupture: 'Rupture', reseal: 'Vent resealed', leak: 'Leak', bulge: 'Bulge',
  'first-venting': 'First venting', runaway: 'Runaway', 'continuity-loss': 'CID: continuity lost',
  'supply-step': 'Supply step', dump: 'Dump valve', 'sensor-fault': 'Sensor fault',
};
const FAULTS: Record<string, string> = {
  spike: 'spike', dropout: 'dropout', open: 'open circuit', rail: 'converter at its end', frozen: 'frozen',
  gap: 'readings missing', 'thermal-shock': 'thermal shock', reversed: 'wires reversed',
};

export function capital(s: string): string {
  return s.charAt(0).toUpperCase() + s.slice(1);
}

/** A program's words as a sentence of their own: with a stop at the end. */
export function ended(s: string): string {
  return s === '' || /[.!?]$/.test(s) ? s : `${s}.`;
}

export function eventTitle(e: Event): string {
  if (e.event === 'sensor-fault') return `${capital(FAULTS[e.fault ?? ''] ?? e.fault ?? 'sensor fault')}`;
  if (e.event === 'vent-opening' && e.feature) return `${capital(e.feature)} opened`;
  if (e.event === 'rupture' && e.feature) return `${capital(e.feature)}: rupture`;
  return KINDS[e.event] ?? capital(e.event);
}

/** A label short enough to stand at a line on a chart. */
export function eventMark(e: Event): string {
  if (e.event === 'sensor-fault') return FAULTS[e.fault ?? ''] ?? 'fault';
  if (e.event === 'vent-opening') return e.feature ?? 'opening';
  if (e.event === 'rupture') return e.feature ? `${e.feature}, rupture` : 'rupture';
  return (KINDS[e.event] ?? e.event).toLowerCase();
}

export function opens(e: Event): boolean {
  return e.event === 'vent-opening' || e.event === 'rupture';
}

/** What a flag means for whoever reads the figures. */
export const FLAGS: Record<string, string> = {
  saturated: 'The transducer was at its end: the pressure was at least this much.',
  'lower-bound': 'The figure is a lower bound.',
  gap: 'Readings are missing near the event.',
  'unsettled-clock': 'The instrument’s clock had not settled: the intervals of times hold how far off it may have been.',
  uncalibrated: 'No calibration in force: the interval is statistical only.',
  'unverified-zero': 'The zero was not verified with the line open to air.',
  'out-of-order': 'It opened before a feature that should open first.',
  'outside-range': 'The pressure is outside the range of every feature still closed.',
  'supply-running': 'The supply was still running: the fall is the balance of flow in and out.',
  'kind-uncertain': 'Pressure alone does not tell what kind of event it was, such as a vent from a rupture.',
  'lag-unknown': 'The transducer’s lag is not known: a fast peak may be higher.',
};

const QUALITY: [number, string, string][] = [
  [Q.missing, 'no reading', 'No reading arrives.'],
  [Q.open, 'open circuit', 'The loop is open or below its live zero.'],
  [Q.rail, 'converter at its end', 'The converter is at its end: the value is no measurement.'],
  [Q.reversed, 'reversed wires', 'Far colder than its cold junction: the wires of the thermocouple may be exchanged.'],
  [Q.frozen, 'frozen', 'The code does not move although it should.'],
  [Q.saturated, 'saturated', 'At or above 98 % of full scale: at least this much.'],
  [Q.under, 'under range', 'Below the transducer’s range.'],
  [Q.spike, 'spike', 'Single readings jumped and came back.'],
  [Q.gap, 'readings lost', 'Readings were lost on the way.'],
  [Q.shock, 'thermal shock', 'Hot gas on the transducer: it may read low for a while.'],
  [Q.unreferred, 'reference silent', 'The cold junction, excitation or barometer it is referred to was not read lately.'],
  [Q.late, 'late', 'Readings came after a stall: their times are less certain.'],
  [Q.unsettled, 'clock not settled', 'The instrument’s clock is not yet recovered.'],
  [Q.uncalibrated, 'uncalibrated', 'No calibration in force.'],
];

/** minor: times or intervals are less certain, the value is not. */
export interface Doubt { word: string; meaning: string; minor: boolean }

/** What quality bits say, the worst first. */
export function doubts(bits: number): Doubt[] {
  const minor = Q.late | Q.unsettled | Q.uncalibrated | Q.unreferred;
  return QUALITY.filter(([b]) => bits & b).map(([b, word, meaning]) => ({ word, meaning, minor: (b & minor) !== 0 }));
}

export const PRIORITY_WORD: Record<string, string> = { critical: 'Critical', high: 'High', medium: 'Medium', low: 'Low' };
/** Whether somebody still has to acknowledge. */
export function waiting(a: Alarm): boolean {
  return a.state.endsWith('unacknowledged');
}

/** Silenced by a person or by the bench's design: its trip is not. */
export function silenced(a: Alarm): boolean {
  return a.state === 'shelved' || a.state === 'out-of-service' || a.state === 'suppressed-by-design';
}

/** What must be answered first: unanswered before answered, urgent before less
 *  so, and of the same the first that came. */
export function byUrgency(a: Alarm, b: Alarm): number {
  return Number(waiting(b)) - Number(waiting(a)) || priorityRank(a.priority) - priorityRank(b.priority) || Number(b.first ?? false) - Number(a.first ?? false) || a.id - b.id;
}

/** The guard's names for what arming and the watch ask for, as people say it. */
const CHECKS: Record<string, string> = {
  fresh: 'Readings of every rule that makes safe', trips: 'No trip latched or standing', range: 'Transducer range', calibration: 'Calibration in force',
  zero: 'Zero verified', rate: 'Sample rate for the ramp', plausible: 'Readings plausible at ambient', clock: 'Clocks settled', recording: 'Record can be written',
  space: 'Space for the run', leak: 'Leak rate known', volume: 'Volume determined', dump: 'Dump valve exercised', watchdog: 'Watchdog relay proved',
  awake: 'Computer kept awake', names: 'Two persons named', proof: 'Proof tests in date', bypass: 'No trip bypassed', description: 'Bench description unchanged',
};

export function checkName(name: string): string {
  return CHECKS[name] ?? capital(name);
}

const ORDER = ['critical', 'high', 'medium', 'low'];

export function priorityRank(p: string): number {
  return ORDER.indexOf(p);
}

/** The cautions that hold for what is on the screen: those that the bench says,
 *  or, where it says none, what the page can tell by itself. */
export function cautions(s: State | undefined): string[] {
  if (s && s.cautions.length > 0) return s.cautions;
  const out = ['Monitoring aid, not a safety device. Over-pressure protection, emergency stop and access are hardware: follow the local rules.'];
  out.push('A zero on this screen does not prove zero pressure. Vent, and read the gauge at the bench, before anyone goes near.');
  if (!s) return out;
  if (s.simulated) out.push('Simulated bench: no real pressure stands behind these values.');
  if (s.peak_loss_bar !== undefined && s.peak_loss_bar > 0) {
    out.push(`The true peak may be up to ${number(s.peak_loss_bar, s.peak_loss_bar < 0.1 ? 3 : 2)} bar above the recorded one at this ramp and sample rate.`);
  }
  if (s.run) out.push('No drop seen does not mean not opened: a specimen that did not open is still under pressure.');
  return out;
}

/** The program's names of qualities, parted by spaces, in the words of the big
 *  number; what is no list of names stays as it is. */
function qualityWords(names: string): string[] {
  const known = names.split(' ').map(n => QUALITY.find(([b]) => b === (Q as Record<string, number>)[n])?.[1]);
  return known.every(w => w !== undefined) ? known : [names];
}

/** A sentence of the program: with a capital, but for the name of a channel. */
export function sentence(s: string, channels: string[]): string {
  return channels.some(c => s.startsWith(`${c} `)) ? s : capital(s);
}

/** What is wrong with a sensor beside its momentary quality. */
export function sensorRemarks(s: Sensor, today: string): string[] {
  const out: string[] = [];
  if (s.quality && s.quality !== 'good') out.push(...qualityWords(s.quality));
  if (s.quantity === 'pressure' && !s.zeroed) out.push('zero not verified');
  if (s.cal_due && s.cal_due < today) out.push('out of calibration');
  return out;
}
