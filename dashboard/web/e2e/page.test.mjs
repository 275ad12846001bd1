/** The page in a real browser, fed by a real server over real websockets. */
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { accessible, b, fits, forgive, open, page, picture, resize, shows, taken, text, until } from './stage.mjs';

test('the pressure is shown, large enough for three metres, and follows', async () => {
  await b.act('ramp', { v: 0 });
  await b.act('pressure', { v: 12 });
  await until(() => Math.abs(Number(document.querySelector('[data-testid=pressure]').textContent) - 12) < 0.2);
  await b.act('pressure', { v: 21.5 });
  await until(() => Math.abs(Number(document.querySelector('[data-testid=pressure]').textContent) - 21.5) < 0.2);
  assert.match(await text('.under'), /bar\s+gauge/);
  await shows('[data-testid=margin]', /^26\.\d$/);
  // 20 minutes of arc at 3 m are 17.5 mm, 66 px of 1/96 inch (arithmetic; the
  // 20 minutes are common practice, no source). Digits are about 0.68 em high.
  const px = await page.locator('[data-testid=pressure]').evaluate(e => parseFloat(getComputedStyle(e).fontSize));
  assert.ok(px * 0.68 > 66, `digits are ${px * 0.68} px high`);
  const box = await page.locator('.hero').evaluate(e => e.scrollWidth - e.clientWidth);
  assert.ok(box <= 1, 'the digits do not fit');
});

/** The tallest run of the first line's blue in one pixel column of a chart. */
const tallest = sel => page.evaluate(s => {
  const c = document.querySelector(s), d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
  let most = 0;
  for (let x = 0; x < c.width; x++) {
    let run = 0;
    for (let y = 0; y < c.height; y++) {
      const i = 4 * (y * c.width + x), blue = d[i] < 110 && d[i + 2] > d[i] + 60 && d[i + 3] > 100;
      run = blue ? run + 1 : 0;
      if (run > most) most = run;
    }
  }
  return most / c.height;
}, sel);

/** Waits until the tallest run is as wished. */
async function height(chart, wished) {
  const end = Date.now() + 30_000;
  for (;;) {
    const t = await tallest(chart);
    if (wished(t)) return;
    if (Date.now() > end) assert.fail(`${chart}: the line covers ${t} of the height`);
    await page.waitForTimeout(100);
  }
}

test('a spike of one sample is visible on both charts', async () => {
  await b.act('ramp', { v: 0 }); // it stays where it is: no step that could be taken for the spike
  await page.waitForTimeout(300);
  await b.act('run', { v: 0 });
  const both = ['.plot.tall canvas', '.plot.mid canvas'];
  for (const chart of both) await height(chart, t => t > 0 && t < 0.2);
  await page.waitForTimeout(1000); // they draw again, and stay quiet
  for (const chart of both) await height(chart, t => t > 0 && t < 0.2);
  await b.act('spike');
  for (const chart of both) await height(chart, t => t > 0.3);
  await picture('spike');
});

test('an event card stands at the trigger and is revised by the fit', async () => {
  await b.act('run', { v: 5 });
  await b.act('opening', { v: 1, feature: 'top vent' });
  const card = page.locator('[data-event="1"]');
  await card.waitFor();
  assert.equal(await card.getAttribute('data-rev'), '1');
  assert.match(await card.innerText(), /Top vent opened[\s\S]*Provisional/);
  await b.act('fit', { v: 1, feature: 'top vent' });
  await until(() => document.querySelector('[data-event="1"]').dataset.rev === '2');
  const said = await card.innerText();
  for (const part of [/18\.42 ± 0\.05/, /bar gauge/, /4\.90 ± 0\.20 mm²/, /3\.10 bar/, /supply was still running/]) assert.match(said, part);
  assert.doesNotMatch(said, /Provisional/);
  await b.act('fault', { v: 2 });
  await page.locator('[data-event="2"]').waitFor();
  assert.match(await page.locator('.events h2').innerText(), /1 opening, 2 in all/);
});

test('an alarm is acknowledged by keyboard alone, and only then stops flashing', async () => {
  await b.act('alarm', { v: 1, priority: 'high', text: 'Supply demanded shut' });
  await b.act('alarm', { v: 2, priority: 'low', text: 'Barometer out of calibration' });
  await page.locator('.alarm').nth(1).waitFor();
  const flash = () => page.locator('.alarm.high .priority').evaluate(e => {
    const s = getComputedStyle(e);
    return s.animationName === 'none' ? 0 : 1 / parseFloat(s.animationDuration);
  });
  assert.ok((await flash()) > 0 && (await flash()) <= 3, 'flashes up to 3 times a second');
  await page.keyboard.press('Tab');
  assert.equal(await page.evaluate(() => document.activeElement.textContent), 'Skip to alarms');
  await page.keyboard.press('Enter');
  for (let i = 0; i < 3; i++) {
    await page.keyboard.press('Tab');
    if (await page.evaluate(() => document.activeElement.tagName === 'BUTTON')) break;
  }
  assert.match(await page.evaluate(() => document.activeElement.getAttribute('aria-label')), /Supply demanded shut/);
  await page.keyboard.press('Enter');
  await page.locator('.alarm.high.acknowledged').waitFor();
  assert.equal(await flash(), 0);
  const [c] = await b.commands();
  assert.deepEqual([c.verb, c.args.id], ['acknowledge', '1']);
  assert.equal(await page.locator('.alarm').first().getAttribute('class'), 'alarm low unacknowledged', 'what waits comes first');
});

test('NOT LIVE when the program stalls, and live again after', async () => {
  await b.act('stall', { v: 600 });
  await page.locator('.notlive').waitFor();
  assert.match(await text('.notlive'), /not live[\s\S]*\d s[\s\S]*old/i);
  assert.equal(await page.locator('.notlive-region').getAttribute('role'), 'alert');
  const covered = await page.evaluate(() => {
    const r = document.querySelector('.abort').getBoundingClientRect();
    return !document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2).closest('.abort');
  });
  assert.equal(covered, false, 'ABORT is covered');
  await picture('notlive');
  await b.act('stall', { v: 0 });
  await page.locator('.notlive').waitFor({ state: 'detached' });
});

test('NOT LIVE when the program is gone, and ABORT says that it did not arrive', async () => {
  await b.stop();
  await shows('.notlive', /connection to the program is lost/);
  await page.locator('.abort').click();
  await until(() => document.querySelector('.said')?.textContent.includes('DID NOT REACH'));
  assert.match(await text('.said'), /bench’s own controls|bench's own controls/);
  forgive();
});

test('ABORT posts at once, without asking', async () => {
  await page.locator('.abort').click();
  await until(() => document.querySelector('.said')?.textContent.includes('Abort: taken'));
  assert.deepEqual((await b.commands()).map(c => [c.verb, c.who]), [['abort', 'unattributed']]);
  await until(() => document.querySelector('[aria-current=step]').textContent.includes('making safe'));
  await shows('.trips .tripped', /opening[\s\S]*tripped/);
  await shows('.outputs', /off, shut/);
});

test('the form that arms does not lie over another page', async () => {
  await page.getByRole('button', { name: 'Arm a test' }).click();
  await page.locator('#start-run').waitFor();
  await page.getByRole('navigation').getByRole('link', { name: 'Lots' }).click();
  await page.locator('#start-run').waitFor({ state: 'detached' });
});

test('a run is started and ended from the page', async () => {
  await page.getByRole('button', { name: 'Arm a test' }).click();
  assert.match(await text('#start-run'), /Arms the bench and records from now on[\s\S]*Arm[\s\S]*Cancel/);
  await page.getByLabel('Specimen', { exact: true }).fill('M47-0312');
  await page.getByLabel('Lot', { exact: true }).fill('L8');
  await page.waitForTimeout(800); // the page draws again; the cursor has to stay
  assert.equal(await page.evaluate(() => document.activeElement.name), 'lot');
  await page.getByLabel('Your name').fill('R. Amsel');
  await page.getByLabel('Shot').fill('4');
  await page.keyboard.press('Enter');
  await until(() => document.querySelector('.run')?.textContent.includes('M47-0312'));
  assert.match(await text('.run'), /M47-0312[\s\S]*L8[\s\S]*4/);
  assert.equal(await page.getByRole('button', { name: 'End run' }).count(), 0, 'a run under test ends through its course');
  await b.act('phase', { name: 'armed' });
  await page.getByRole('button', { name: 'End run' }).click();
  await page.getByRole('button', { name: 'Arm a test' }).waitFor();
  const got = await b.commands();
  assert.deepEqual(got.map(c => [c.verb, c.who]), [['start', 'R. Amsel'], ['end', 'R. Amsel']]);
  assert.deepEqual(got[0].args, { at: 'bench', specimen: 'M47-0312', lot: 'L8', shot: '4' });
});

test('doubtful values say so: saturated, open, silent', async () => {
  await b.act('quality', { v: 2 });
  await until(() => document.querySelector('[data-testid=pressure]').textContent.startsWith('≥'));
  await shows('.quality', /saturated[\s\S]*at least/i);
  await b.act('quality', { v: 8 });
  await until(() => !/\d/.test(document.querySelector('[data-testid=pressure]').textContent));
  await shows('.quality', /open circuit/i);
  await b.act('quality', { v: 0 });
  await b.act('silence', { v: 1 });
  await until(() => document.querySelector('.hero').classList.contains('doubtful') && document.querySelector('.quality').textContent.includes('Old value'));
  await page.locator('.notlive').waitFor({ state: 'detached' }); // one silent channel is not a dead page
});

test('a replay can’t be taken for the bench', async () => {
  await b.act('replay', { v: 1 });
  await page.locator('.replay').waitFor();
  assert.match(await text('.replay'), /replay, not live/i);
  assert.equal(await page.getByRole('button', { name: 'Abort' }).count(), 0, 'a button that aborts nothing');
  assert.match(await text('.top'), /no abort here/i);
  await b.act('alarm', { v: 1, priority: 'high', text: 'Gas detector' });
  await page.locator('[data-alarm="1"]').waitFor();
  assert.deepEqual((await page.locator('main button:enabled').allInnerTexts()).filter(t => /acknowledge|shelve|reset|bypass|arm\b|prepare|hold|make safe/i.test(t)), []);
  await page.getByRole('button', { name: 'Pause' }).click();
  await page.getByRole('button', { name: 'Play', exact: true }).waitFor();
  await page.locator('.player select').selectOption({ label: '5 x' });
  await page.getByRole('button', { name: 'Pause' }).waitFor();
  await page.locator('.player input[type=range]').fill('7.5');
  await taken('pause', 'play', 'go');
  assert.deepEqual((await b.commands()).map(c => [c.args.speed, c.args.to_s]), [[undefined, undefined], ['5', undefined], [undefined, '7.500']]);
  await accessible('replay');
  await picture('replay');
});

test('the page says what must be said', async () => {
  assert.match(await text('.top'), /Kiln 2[\s\S]*Simulated bench/i);
  const cautions = await text('.cautions');
  for (const part of [/not a safety device/, /does not prove zero pressure/, /0\.012 bar/]) assert.match(cautions, part);
  assert.match(await text('.lines'), /none: a damaged byte may pass as a value/);
  assert.match(await text('.sensors'), /out of calibration/);
});

test('a viewer who comes late sees the run from its beginning', async () => {
  await b.act('run', { v: 0 });
  await b.act('opening', { v: 1, feature: 'top vent' });
  await b.act('fit', { v: 1, feature: 'top vent' });
  await b.act('alarm', { v: 1, priority: 'medium', text: 'Look at it' });
  await page.waitForTimeout(1000); // the run has lasted a while
  await open();
  await page.locator('[data-event="1"][data-rev="2"]').waitFor();
  await page.locator('.alarm.medium').waitFor();
  assert.match(await text('.run'), /M47-0231/);
});

test('the result of a run stays in sight when the next one begins', async () => {
  await b.act('run', { v: 5 });
  await b.act('opening', { v: 1, feature: 'top vent' });
  await b.act('fit', { v: 1, feature: 'top vent' });
  await page.locator('[data-event="1"][data-rev="2"]').waitFor();
  await b.act('run', { v: 0 });
  await page.locator('.before [data-event="1"]').waitFor();
  assert.equal(await page.locator('.events > ul [data-event]').count(), 0);
  assert.match(await text('.before'), /18\.42 ± 0\.05/);
});

test('no accessibility violation in any state or size', async () => {
  const check = accessible;
  await page.emulateMedia({ reducedMotion: 'reduce' });
  await check('quiet');
  await page.getByRole('button', { name: 'Arm a test' }).click();
  await until(() => document.activeElement.name === 'specimen');
  await check('start form');
  await page.keyboard.press('Escape');
  await page.locator('#start-run').waitFor({ state: 'detached' });
  await b.act('run', { v: 12 });
  await b.act('opening', { v: 1, feature: 'top vent' });
  await b.act('fit', { v: 1, feature: 'top vent' });
  await b.act('opening', { v: 3, feature: 'bottom vent' });
  await b.act('fault', { v: 2 });
  await b.act('trip');
  await b.act('pressure', { v: 45.5 });
  await b.act('alarm', { v: 1, priority: 'critical', text: 'Near the limit' });
  await b.act('alarm', { v: 2, priority: 'medium', text: 'Supply demanded shut: top vent opened' });
  await b.act('quality', { v: 2 });
  await page.locator('.alarm').nth(1).waitFor();
  for (const name of ['laptop', 'screen', 'phone']) {
    await resize(name);
    await fits();
    await check(`busy, ${name}`);
    await picture(`busy-${name}`);
  }
  await resize('laptop');
  await b.act('stall', { v: 600 });
  await page.locator('.notlive').waitFor();
  await check('not live');
});

test('nothing moves for those who asked for that', async () => {
  await page.emulateMedia({ reducedMotion: 'reduce' });
  await b.act('alarm', { v: 1, priority: 'high', text: 'Supply demanded shut' });
  await page.locator('.alarm').waitFor();
  assert.equal(await page.evaluate(() => document.getAnimations().length), 0);
});

test('an address that is no page leads back', async () => {
  await page.goto(`${b.url}/#/nowhere`);
  await page.getByText('There is no such page').waitFor();
  await page.getByRole('link', { name: 'Go to the live page' }).click();
  await page.locator('[data-testid=pressure]').waitFor();
});
