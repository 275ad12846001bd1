/** What the pages of lots, specimens and estimates ask the program; openapi.json
 *  describes the shapes. */
import { Refused } from './api';

export interface Outcome { feature?: string; extent: string; remark?: string; who: string; at_utc: string }
export interface Review { ruling: string; reason?: string; who: string; at_utc: string }
export interface Specimen {
  id: string; lot: string; feature: string; residual_um?: number; die?: string; strokes?: number; note?: string;
  status: 'unused' | 'shot' | 'excluded'; reason?: string; run?: string; awaits_outcome: boolean; outcome?: Outcome; review?: Review;
}
export interface LotLine {
  lot: string; feature: string; conditions?: Record<string, string>; n: number; n_censored: number; excluded: number;
  mean_barg?: number; s_bar?: number; min_barg?: number; max_barg?: number; tolerance_barg?: [number, number];
  one_sided_lower_barg?: number; one_sided_upper_barg?: number; low_barg?: number; high_barg?: number; outside_limits: number;
  cpk?: number; verdict: 'pass' | 'fail' | 'none' | 'undecided'; sentence: string;
}
export interface Lot {
  lot: string; runs: number; simulated: number; specimens: number; unused: number; excluded: number; awaiting_outcome: number;
  first_utc?: string; last_utc?: string; lines: LotLine[];
}
export interface Run {
  id: string; specimen: string; lot?: string; shot?: number; start_utc: string; duration_s: number; open: boolean; interrupted: boolean;
}
export interface Table { columns: { title: string; right?: boolean }[]; rows: { cells: string[]; dim?: boolean; bold?: boolean }[]; note?: string }
export interface Figure { svg: string; caption: string; alt: string; width: number; height: number }
export interface Document {
  title: string; subtitle?: string; banner?: string; facts: { name: string; value: string }[];
  answers: { tone: 'good' | 'bad' | 'neutral'; word: string; sentence: string }[];
  sections: { title: string; blocks: { text?: string; table?: Table; figure?: Figure }[] }[]; cautions: string[];
}
export interface Job { id: string; state: 'waiting' | 'running' | 'done' | 'cancelled' | 'failed'; part: number; held: boolean; why?: string; document?: Document }

export interface Row { file: string; line: number; column?: string; value?: string; next: string }
export interface Field { field: string; value?: string; next: string }

/** A "no" that names rows of a list or fields of a form. */
export class Wrong extends Refused {
  constructor(message: string, next: string, readonly rows: Row[], readonly fields: Field[]) { super(message, next, true); }
}

/** Asks the program; statistics of many runs may take a while. */
export async function ask<T>(path: string, init: RequestInit = {}): Promise<T> {
  let r: Response;
  try {
    r = await fetch(`/api/v1/${path}`, { signal: AbortSignal.timeout(120_000), ...init });
  } catch {
    throw new Refused('No answer from the program.', 'Look at the connection, then ask again.', false);
  }
  if (r.ok) return await r.json() as T;
  const p = await r.json().catch(() => ({})) as { detail?: string; next?: string; rows?: Row[]; fields?: Field[] };
  throw new Wrong(p.detail ?? `The program answered ${r.status}.`, p.next ?? 'Look at the program’s log.', p.rows ?? [], p.fields ?? []);
}

export function send<T>(path: string, body: unknown): Promise<T> {
  return ask<T>(path, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body) });
}

/** The interval or bound that a verdict rests on, rounded outwards as in the
 *  sentence: no more is claimed than was shown. */
export function claim(l: LotLine): string {
  const down = (v: number) => (Math.floor(v * 100 + 1e-9) / 100).toFixed(2), up = (v: number) => (Math.ceil(v * 100 - 1e-9) / 100).toFixed(2);
  if (l.low_barg !== undefined && l.high_barg === undefined) return l.one_sided_lower_barg === undefined ? '\u2013' : `≥ ${down(l.one_sided_lower_barg)}`;
  if (l.high_barg !== undefined && l.low_barg === undefined) return l.one_sided_upper_barg === undefined ? '\u2013' : `≤ ${up(l.one_sided_upper_barg)}`;
  return l.tolerance_barg ? `${down(l.tolerance_barg[0])} to ${up(l.tolerance_barg[1])}` : '\u2013';
}

export function limits(l: LotLine): string {
  if (l.low_barg !== undefined && l.high_barg !== undefined) return `${l.low_barg.toFixed(1)} to ${l.high_barg.toFixed(1)}`;
  if (l.low_barg !== undefined) return `≥ ${l.low_barg.toFixed(1)}`;
  if (l.high_barg !== undefined) return `≤ ${l.high_barg.toFixed(1)}`;
  return '\u2013';
}

/** What stands after an id that is looked for: it is chosen only if it is one of
 *  the list, letter for letter. */
export function match(list: Specimen[], typed: string): { chosen?: Specimen; why: string } {
  const id = typed.trim(), s = list.find(x => x.id === id);
  if (id === '') return { why: '' };
  if (!s) {
    const near = list.find(x => x.id.toLowerCase() === id.toLowerCase());
    return { why: near ? `There is ${near.id}, written otherwise.` : list.length > 0 ? '' : `${id} is not in the list.` };
  }
  if (s.status === 'excluded' && !s.run) return { why: `${s.id} was set aside: ${s.reason ?? 'no reason given'}.` };
  if (s.run) return { why: `${s.id} was used in run ${s.run}.` };
  return { chosen: s, why: '' };
}

/** What a text is that is no whole id of the list that holds it. */
export function partly(list: Specimen[], typed: string): string {
  if (typed.trim() === '') return 'No specimen is named';
  return list.length === 1 ? `This is a part of ${list[0]!.id} only` : 'More than one holds this';
}

/** A case of a venting estimate from the form's fields: TOML, and which line
 *  each field stands in. */
export function caseOf(sections: { name: string; fields: { key: string; value: string }[] }[]): { text: string; lines: Map<number, string> } {
  const out: string[] = [], lines = new Map<number, string>();
  for (const s of sections) {
    const filled = s.fields.filter(f => f.value.trim() !== '');
    if (filled.length === 0) continue;
    if (s.name !== '') out.push('', `[${s.name}]`);
    for (const f of filled) {
      const v = f.value.trim();
      out.push(`${f.key} = ${/^[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?$/.test(v) || /^\[[\d\s.,]*\]$/.test(v) ? plain(v) : JSON.stringify(v)}`);
      lines.set(out.length, `${s.name}.${f.key}`);
    }
  }
  return { text: out.join('\n') + '\n', lines };
}

/** A number as TOML writes it: digits on both sides of the point. */
function plain(v: string): string {
  return v.startsWith('[') ? v : v.replace(/^([-+]?)\./, '$10.').replace(/\.(?=$|[eE])/, '.0').replace(/^([-+]?)0+(?=\d)/, '$1');
}
