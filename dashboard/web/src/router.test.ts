import { expect, test } from 'vitest';
import { parse } from './router';

test('an address names a page, an item of it and what is asked', () => {
  const r = (h: string) => {
    const { page, item, query } = parse(h);
    return [page, item, query.toString()];
  };
  expect(r('')).toEqual(['', '', '']);
  expect(r('#/')).toEqual(['', '', '']);
  expect(r('#/lots')).toEqual(['lots', '', '']);
  expect(r('#/lots/L%2F7?feature=top+vent')).toEqual(['lots', 'L/7', 'feature=top+vent']);
  expect(r('#/runs/100%')).toEqual(['runs', '100%', '']);
});
