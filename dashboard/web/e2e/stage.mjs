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
let browser, context, complaints, heard;

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
  const act = b.act;
  b.act = async (...what) => seen(await act(...what));
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
  page.setDefaultTimeout(30_000);
  heard = -1;
  page.on('websocket', ws => ws.on('framereceived', ({ payload }) => {
    const m = typeof payload === 'string' ? JSON.parse(payload) : undefined;
    heard = Math.max(heard, m?.state?.now_bench_s ?? -1);
  }));
  page.on('pageerror', e => complaints.push(String(e)));
  page.on('console', m => m.type() === 'error' && !/WebSocket connection|ERR_CONNECTION|status of (409|503)/.test(m.text()) && complaints.push(m.text()));
  await page.goto(b.url);
  await page.waitForFunction(() => /\d/.test(document.querySelector('[data-testid=pressure]')?.textContent ?? '') && document.querySelector('.course'));
}

/** Waits until the page has taken the state of bench time told_s and drawn it.
 *  What happened before is sent before its state, so it is drawn too. */
async function seen(told_s) {
  const end = Date.now() + 30_000;
  while (heard < told_s - 1e-6) {
    if (Date.now() > end) throw new Error(`the page heard of ${heard} s, not of ${told_s} s`);
    await new Promise(f => setTimeout(f, 10));
  }
  await page.evaluate(() => new Promise(f => requestAnimationFrame(() => setTimeout(f))));
}

/** A test that takes the program away forgives the requests that fail then. */
export function forgive() {
  complaints = complaints.filter(c => !c.includes('Failed to load resource'));
}

export const text = selector => page.locator(selector).first().innerText();
export const until = (f, arg) => page.waitForFunction(f, arg, { polling: 50 });
/** A command and an act go different ways to the bench: whoever gave a command
 *  waits for it here before the next act. */
export async function taken(...verbs) {
  const end = Date.now() + 30_000;
  for (;;) {
    const got = (await b.commands()).map(c => c.verb);
    if (got.length >= verbs.length) return assert.deepEqual(got, verbs);
    if (Date.now() > end) throw new Error(`the bench was asked for ${got}, not for ${verbs}`);
    await new Promise(f => setTimeout(f, 50));
  }
}

/** Another size, when the page has taken it. */
export async function resize(name) {
  await page.setViewportSize(SIZES[name]);
  await until(w => innerWidth === w, SIZES[name].width);
}

/** Charts follow the size a moment later; then nothing may stand out. */
export const fits = () => until(() => document.documentElement.scrollWidth <= innerWidth);
export const shows = (selector, what) => page.locator(selector).filter({ hasText: what }).first().waitFor();
export const focused = (what, value) => until(([k, v]) => document.activeElement[k] === v, [what, value]);
export const picture = name => (PICTURES ? page.screenshot({ path: `${PICTURES}/${name}.png` }) : undefined);

/** No violation of WCAG 2.2 AA (and axe's best practices) as the page stands. */
export async function accessible(what) {
  const r = await new AxeBuilder({ page }).withTags(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']).analyze();
  assert.deepEqual(r.violations.map(v => `${v.id}: ${v.nodes.map(n => n.target.join(' ')).slice(0, 3).join(' | ')}`), [], what);
}
