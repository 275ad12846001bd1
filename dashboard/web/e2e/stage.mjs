/** What every file of browser tests begins with: a bench and a page for each
 *  test, and no complaint of the browser after it. */
import assert from 'node:assert/strict';
import { mkdirSync } from 'node:fs';
import { after, afterEach, before, beforeEach } from 'node:test';
import { AxeBuilder } from '@axe-core/playwright';
import { bench, build, clean, launch } from './bench.mjs';

const PICTURES = process.env.VENTWARD_PICTURES; // a folder: keep screenshots there
export const SIZES = {
  laptop: { width: 1280, height: 800 }, screen: { width: 1920, height: 1080 }, usual: { width: 1440, height: 900 },
  tablet: { width: 1024, height: 768 }, phone: { width: 390, height: 844 },
};

/** The running bench and the page that shows it; importers see the newest. */
export let b, page;
let browser, context, complaints;

before(async () => {
  build();
  browser = await launch();
  if (PICTURES) mkdirSync(PICTURES, { recursive: true });
});
after(async () => {
  await browser?.close();
  clean();
});
beforeEach(async () => {
  b = await bench();
  await open();
});
afterEach(async () => {
  await context.close();
  await b.stop();
  assert.deepEqual(complaints, [], 'the browser complained');
});

export async function open(options = {}) {
  await context?.close();
  complaints = [];
  context = await browser.newContext({ viewport: SIZES.laptop, ...options });
  page = await context.newPage();
  page.setDefaultTimeout(10_000);
  page.on('pageerror', e => complaints.push(String(e)));
  page.on('console', m => m.type() === 'error' && !/WebSocket connection|ERR_CONNECTION|status of (409|503)/.test(m.text()) && complaints.push(m.text()));
  await page.goto(b.url);
  await page.waitForFunction(() => /\d/.test(document.querySelector('[data-testid=pressure]')?.textContent ?? ''));
}

/** A test that takes the program away forgives the requests that fail then. */
export function forgive() {
  complaints = complaints.filter(c => !c.includes('Failed to load resource'));
}

export const text = selector => page.locator(selector).first().innerText();
export const until = (f, arg) => page.waitForFunction(f, arg, { polling: 50 });
export const picture = name => (PICTURES ? page.screenshot({ path: `${PICTURES}/${name}.png` }) : undefined);

/** No violation of WCAG 2.2 AA (and axe's best practices) as the page stands. */
export async function accessible(what) {
  const r = await new AxeBuilder({ page }).withTags(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']).analyze();
  assert.deepEqual(r.violations.map(v => `${v.id}: ${v.nodes.map(n => n.target.join(' ')).slice(0, 3).join(' | ')}`), [], what);
}
