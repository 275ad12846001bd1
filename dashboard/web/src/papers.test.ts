import { expect, test } from 'vitest';
import { caseOf, claim, limits, match, partly, type LotLine, type Specimen } from './papers';

const line = (x: Partial<LotLine>): LotLine => ({ lot: 'B', feature: 'bottom vent', n: 30, n_censored: 0, excluded: 0, outside_limits: 0, verdict: 'none', sentence: '', ...x });

test('the claim goes with the limits', () => {
  const both = { tolerance_barg: [25.918, 28.931] as [number, number], one_sided_lower_barg: 26.1, one_sided_upper_barg: 28.7 };
  expect(claim(line({ ...both, low_barg: 25, high_barg: 32 }))).toBe('25.91 to 28.94');
  expect(claim(line({ ...both, low_barg: 40 }))).toBe('≥ 26.10');
  expect(claim(line({ ...both, high_barg: 22 }))).toBe('≤ 28.70');
  expect(claim(line({}))).toBe('–');
  expect(limits(line({ low_barg: 25, high_barg: 32 }))).toBe('25.0 to 32.0');
  expect(limits(line({ low_barg: 40 }))).toBe('≥ 40.0');
  expect(limits(line({ high_barg: 22 }))).toBe('≤ 22.0');
  expect(limits(line({}))).toBe('–');
});

test('a specimen is chosen only letter for letter, and only unused', () => {
  const s = (id: string, x: Partial<Specimen> = {}): Specimen => ({ id, lot: 'B', feature: 'bottom vent', status: 'unused', awaits_outcome: false, ...x });
  const list = [s('B-1'), s('B-2', { status: 'shot', run: 'r7' }), s('B-3', { status: 'excluded', reason: 'dropped' })];
  expect(match(list, ' B-1 ').chosen?.id).toBe('B-1');
  expect(match(list, 'b-1')).toEqual({ why: 'There is B-1, written otherwise.' });
  expect(match(list, 'B-')).toEqual({ why: '' });
  expect(match(list, 'B-2').why).toContain('r7');
  expect(match(list, 'B-3').why).toContain('dropped');
  expect(match([], 'Z')).toEqual({ why: 'Z is not in the list.' });
  expect(match(list, '')).toEqual({ why: '' });
  expect(partly(list, 'B-')).toBe('More than one holds this');
  expect(partly(list.slice(0, 1), '-1')).toBe('This is a part of B-1 only');
  expect(partly(list, ' ')).toBe('No specimen is named');
});

test('the form becomes TOML, and each field knows its line', () => {
  const { text, lines } = caseOf([
    { name: '', fields: [{ key: 'name', value: 'M47 "hot"\n' }] },
    { name: 'cell', fields: [{ key: 'free_volume_ml', value: '5' }, { key: 'start_C', value: '' }] },
    { name: 'bottom_vent', fields: [{ key: 'area_mm2', value: '' }] },
    { name: 'uncertainty', fields: [{ key: 'open_fraction', value: '[0.2, 0.8]' }, { key: 'hot_factor', value: '.03' }, { key: 'amount_percent', value: '10 %' }] },
  ]);
  expect(text).toBe('name = "M47 \\"hot\\""\n\n[cell]\nfree_volume_ml = 5\n\n[uncertainty]\nopen_fraction = [0.2, 0.8]\nhot_factor = 0.03\namount_percent = "10 %"\n');
  expect(text.split('\n')[3]).toBe('free_volume_ml = 5');
  expect(lines.get(4)).toBe('cell.free_volume_ml');
  expect(lines.get(9)).toBe('uncertainty.amount_percent');
});
