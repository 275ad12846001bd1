/** The pages of lots, specimens and calculators, served by the program itself
 *  from the stored shots of its demo. */
import assert from 'node:assert/strict';
import { execFileSync, spawn } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { after, before, test } from 'node:test';
import { fileURLToPath } from 'node:url';
import { AxeBuilder } from '@axe-core/playwright';
import { launch } from './bench.mjs';

const PROGRAM = join(dirname(fileURLToPath(import.meta.url)), '..', '..', '..', 'bin', 'ventward');
const SEED = '105', SHOTS = '3';

let dir, demo, url, over, browser, page, complaints = [], heardOf = '';

/** Resolves with what the running demo's words hold, in whole lines. */
function says(pattern) {
  return new Promise((ok, no) => {
    let words = '';
    demo.once('exit', code => no(new Error(`the program ended with ${code} before it said ${pattern}`)));
    demo.stdout.on('data', d => {
      words += d;
      const m = pattern.exec(words);
      if (m) ok(m[1]);
    });
  });
}

before(async () => {
  if (!existsSync(PROGRAM)) throw new Error(`no program at ${PROGRAM}: run make build`);
  dir = mkdtempSync(join(tmpdir(), 'ventward-lots-'));
  console.log(`seed ${SEED}`);
  execFileSync(PROGRAM, ['--data', join(dir, 'data'), 'demo', '--headless', '--shots', SHOTS, '--seed', SEED], { stdio: 'ignore' });
  // Another demo on the same data: it takes a second delivery in and goes on.
  demo = spawn(PROGRAM, ['--data', join(dir, 'data'), '--log', 'error', 'demo', '--listen', '127.0.0.1:0', '--shots', '1', '--seed', SEED], { stdio: ['ignore', 'pipe', 'pipe'] });
  demo.stderr.on('data', d => { heardOf = (heardOf + d).slice(-4000); });
  demo.once('exit', code => { if (code) console.error(`the program ended with ${code}: ${heardOf}`); });
  over = says(/(All shots are done).*\n/);
  over.catch(() => {}); // whoever waits for it is told
  url = await says(/Page: (\S+).*\n/);
  browser = await launch();
  page = await (await browser.newContext({ viewport: { width: 1440, height: 900 } })).newPage();
  page.setDefaultTimeout(30_000);
  page.on('pageerror', e => complaints.push(String(e)));
  page.on('console', m => m.type() === 'error' && !/status of (409|422)/.test(m.text()) && complaints.push(m.text()));
});
after(async () => {
  const heard = [...complaints];
  if (heard.length) console.error(`the program said: ${heardOf}`);
  await browser?.close();
  if (demo && demo.exitCode === null) await new Promise(done => { demo.once('exit', done); demo.kill('SIGINT'); });
  if (dir) rmSync(dir, { recursive: true, force: true });
  assert.deepEqual(heard, [], 'the browser complained');
});

const open = async (hash, selector) => { await page.goto(url + hash); await page.locator(selector).first().waitFor(); };
const accessible = async what => {
  const { violations } = await new AxeBuilder({ page }).analyze();
  assert.deepEqual(violations.map(v => [v.id, v.nodes.map(n => n.target)]), [], what);
};
const fits = () => page.waitForFunction(() => document.documentElement.scrollWidth <= innerWidth);

test('lots stand with their verdict, and their report has the pictures of the printed one', async () => {
  await open('#/lots', 'table.lots');
  const row = page.locator('table.lots tbody').filter({ has: page.locator('a[href*="lot=B-0410"]') }).first();
  assert.match(await row.innerText(), /bottom vent[\s\S]*Undecided[\s\S]*25\.0 to 32\.0[\s\S]*29 of 30[\s\S]*Nothing can be said/);
  await accessible('lots');
  const usual = page.viewportSize();
  await page.setViewportSize({ width: 390, height: 844 });
  const inside = await page.locator('.verdict').evaluateAll(all => all.map(v => [v.getBoundingClientRect().right, v.closest('.scroll').getBoundingClientRect().right]));
  assert.ok(inside.length > 0 && inside.every(([v, edge]) => v <= edge), `verdicts end at, their box at: ${JSON.stringify(inside)}`);
  await page.setViewportSize(usual);
  await page.getByLabel('Choose lot B-0410', { exact: true }).check();
  await page.getByLabel('Choose lot T-031', { exact: true }).check();
  await page.getByRole('link', { name: /opening order/ }).click();
  await page.locator('.report').waitFor();
  const said = await page.locator('.report').innerText();
  for (const part of [/SIMULATED BENCH/, /95 % confidence/, /Every shot/, /Clogging is not measured by a burst test/]) assert.match(said, part);
  const drawn = await page.locator('.drawing img').evaluateAll(all => all.map(i => [i.complete, i.naturalWidth, i.alt.length]));
  assert.ok(drawn.length >= 2 && drawn.every(([done, w, alt]) => done && w > 0 && alt > 10), JSON.stringify(drawn));
  await accessible('report');
  await fits();
});

test('stored runs are listed, newest first', async () => {
  await open('#/runs', 'table.runs');
  const rows = await page.locator('table.runs tbody tr').allInnerTexts();
  assert.ok(rows.length >= Number(SHOTS), `${rows.length} runs`);
  const shots = rows.filter(r => /closed$/.test(r.trim()));
  assert.ok(shots.length >= Number(SHOTS), rows.join('\n'));
  for (const r of rows.filter(x => /being recorded$/.test(x.trim()))) assert.doesNotMatch(r, /\b0:00\b/, 'a run that goes on did not last no time');
  const ids = rows.map(r => r.trim().split(/\s/)[0]);
  assert.deepEqual(ids, [...ids].sort().reverse());
  await accessible('runs');
  await fits();
  // The longest one: a demo on a busy machine may also hold runs that tripped early.
  const { runs } = await (await fetch(`${url.replace(/\/$/, '')}/api/v1/runs`)).json();
  const { id } = runs.filter(r => !r.open).reduce((a, b) => (b.duration_s > a.duration_s ? b : a));
  await page.locator('table.runs').getByRole('link', { name: id }).click();
  await page.locator('.report').waitFor();
  await page.locator('[data-note]').first().waitFor();
  assert.match(await page.locator('.history table').innerText(), /Course\s+armed[\s\S]*Course\s+under test/);
  const stretch = page.getByTestId('stretch'), whole = await stretch.innerText();
  await page.getByRole('button', { name: /^Round / }).first().click();
  await page.locator('[data-testid=stretch][data-current=true]').filter({ hasNotText: whole }).waitFor();
  const [from, to] = (await stretch.innerText()).split(' to ').map(parseFloat);
  assert.ok(Math.abs(to - from - 0.15) < 0.002, `${from} to ${to} s`);
  const onset = parseFloat(await page.locator('.events .card .head .num').first().innerText());
  assert.ok(from < onset && onset < to, `the opening at ${onset} s lies from ${from} to ${to} s`);
  await page.getByRole('button', { name: 'Whole run' }).click();
  await page.locator('[data-testid=stretch][data-current=true]').filter({ hasText: whole }).waitFor();
  const said = await page.locator('.report').innerText();
  for (const part of [/SIMULATED BENCH/, /Equipment and calibration/, /Hash of the run file/, /Monitoring aid, not a safety device/]) assert.match(said, part);
  assert.ok(await page.locator('.drawing img').count() >= 1);
  const href = await page.getByRole('link', { name: 'Its report as PDF' }).getAttribute('href');
  const pdf = await (await fetch(url.replace(/\/$/, '') + href)).text();
  assert.match(pdf.slice(0, 8), /^%PDF-1/);
  await accessible('run');
  await fits();
});

test('a list comes in by upload whole, or every wrong row is named', async () => {
  const bad = join(dir, 'bad.csv'), good = join(dir, 'good.csv');
  writeFileSync(bad, 'id,lot,feature,residual_um\nX-1,X,lid,1\nB-0410-02,X,top vent,\nX-3,,top vent,92 um\n');
  writeFileSync(good, 'id,lot,feature,residual_um\nX-1,X,top vent,91.5\nX-2,X,top vent,\n');
  await open('#/lots/specimens?lot=X', 'input[type=file]');
  await page.setInputFiles('input[type=file]', bad);
  await page.getByRole('button', { name: 'Take in' }).click();
  await page.locator('.fault tbody tr').nth(2).waitFor();
  assert.deepEqual(await page.locator('.fault tbody tr td:nth-child(1)').allInnerTexts(), ['2', '4', '4']);
  await page.setInputFiles('input[type=file]', good);
  await page.getByRole('button', { name: 'Take in' }).click();
  await page.getByText('2 specimens taken in.').waitFor();
  assert.match(await page.locator('table.specimens').innerText(), /X-1[\s\S]*91\.5[\s\S]*unused/);
  await accessible('specimens');
  const usual = page.viewportSize();
  await page.setViewportSize({ width: 390, height: 844 });
  await page.waitForFunction(() => innerWidth === 390);
  await fits();
  await page.setViewportSize(usual);
});

test('a shot is reviewed, and its lot says why it no longer counts', async () => {
  await open('#/lots/specimens?lot=B-0410', 'table.specimens');
  const row = page.locator('table.specimens tr').filter({ hasText: 'B-0410-01' }).first();
  assert.match(await row.getByRole('link').getAttribute('href'), /^#\/runs\/\d{8}-/, 'from a shot to its run');
  await row.getByRole('button', { name: 'Review…' }).click();
  await page.getByLabel('Ruling').selectOption('invalid');
  await page.getByLabel('Reason or remark').fill('clamp slipped');
  await page.getByRole('button', { name: 'Enter review' }).click();
  await page.getByText('invalid: clamp slipped').waitFor();
  await open('#/lots/report?lot=B-0410', '.report');
  assert.match(await page.locator('.report').innerText(), /invalid by review: clamp slipped/);
});

test('a specimen is chosen by scanner or list, never typed', async () => {
  await over; // the demo's own shot, which nothing may end here
  await page.getByRole('button', { name: 'Arm a test' }).click();
  const field = page.getByLabel(/Specimen: scan/);
  await field.fill('b-0410-07');
  await page.keyboard.press('Enter');
  await page.getByText('There is B-0410-07, written otherwise.').waitFor();
  await field.fill('0410-07');
  await page.keyboard.press('Enter');
  await page.getByText(/(This is a part of B-0410-07 only|More than one holds this): scan the label, or choose below\./).waitFor();
  await field.fill('B-0410-01');
  await page.keyboard.press('Enter');
  await page.getByText(/B-0410-01 was used in run \d/).waitFor();
  await field.fill('B-0410-07');
  await page.keyboard.press('Enter');
  await page.getByText('Chosen: B-0410-07, lot B-0410, bottom vent.').waitFor();
  await page.keyboard.press('Escape');
});

test('calculators answer, and a wrong field says so itself', async () => {
  await open('#/calculators/energy', 'form.calc');
  await page.getByRole('button', { name: 'Estimate' }).click();
  await page.locator('.result').waitFor();
  // The pneumatic-test formula by hand: 1/(k-1) p V (1 - (pa/p)^((k-1)/k)), k 1.4, 40 bar gauge, 50 mL, pa 101 kPa.
  const p = 40e5 + 101e3, want = 1 / 0.4 * p * 50e-6 * (1 - (101e3 / p) ** (0.4 / 1.4));
  const said = await page.locator('.result').innerText();
  assert.ok(Math.abs(parseFloat(said) / want - 1) < 0.01, `${said.slice(0, 20)} for ${want} J`);
  assert.match(said, /SI constant[\s\S]*US constant[\s\S]*editions differ/);
  assert.match(await page.locator('.estimate').innerText(), /Estimate only/);
  await page.locator('input[name=pressure_barg]').fill('12,5');
  await page.getByRole('button', { name: 'Estimate' }).click();
  await page.locator('.wrong').waitFor();
  assert.equal(await page.locator('input[name=pressure_barg]').getAttribute('aria-invalid'), 'true');
  assert.match(await page.locator('.wrong').innerText(), /comma/);
  await accessible('energy');
  await open('#/calculators/area', 'input[name=rate_mol_s]');
  await page.getByRole('button', { name: 'Estimate' }).click();
  assert.match(await page.locator('.result').innerText(), /mm²[\s\S]*choked[\s\S]*Clogging is not measured/);
  await open('#/calculators/mechanics', 'input[name=wall_mm]');
  await page.getByRole('button', { name: 'Estimate' }).click();
  // The membrane by hand: p d/(2t) at the mean diameter of 20.75 mm, 4 MPa, 0.25 mm.
  assert.match(await page.locator('.result').innerText(), new RegExp(`thin wall[\\s\\S]*${4 * 20.75 / 0.5} MPa[\\s\\S]*Clogging is not measured`));
  await page.locator('input[name=yield_mpa]').fill('500'); // says nothing without the tensile strength
  await page.getByRole('button', { name: 'Estimate' }).click();
  await page.locator('.wrong').waitFor();
  assert.equal(await page.locator('input[name=tensile_mpa]').getAttribute('aria-invalid'), 'true');
  await accessible('mechanics');
});

test('venting is simulated behind the bench, can be cancelled, and draws its pictures', async () => {
  await open('#/calculators/venting', 'form.venting');
  await page.locator('[name="housing.hot_factor"]').fill('1.4');
  await page.getByRole('button', { name: 'Estimate' }).click();
  await page.locator('.wrong').waitFor();
  assert.equal(await page.locator('[name="housing.hot_factor"]').getAttribute('aria-invalid'), 'true');
  await page.locator('[name="housing.hot_factor"]').fill('0.8');
  await page.getByLabel('Simulated cells a design').fill('20000');
  await page.getByRole('button', { name: 'Estimate' }).click();
  await page.getByRole('button', { name: 'Cancel' }).click();
  await page.getByText('Cancelled').waitFor();
  await page.getByLabel('Simulated cells a design').fill('10');
  await page.getByRole('button', { name: 'Estimate' }).click();
  await page.locator('.report').waitFor({ timeout: 180_000 }); // the bench goes first, also before an estimate
  assert.match(await page.locator('.report').innerText(), /no bottom vent[\s\S]*suffices down to[\s\S]*Estimate only/);
  assert.ok(await page.locator('.drawing img').count() >= 3);
  await accessible('venting');
  for (const size of [{ width: 1024, height: 768 }, { width: 390, height: 844 }]) {
    await page.setViewportSize(size);
    await page.waitForFunction(w => innerWidth === w, size.width);
    await fits();
  }
});
