/** What a person must answer, and what must be seen: alarms, trips, outputs, the
 *  course of the test. */
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { accessible, b, fits, focused, page, picture, resize, shows, SIZES, taken, text, until } from './stage.mjs';

const press = name => page.getByRole('button', { name }).click();
const row = id => page.locator(`[data-alarm="${id}"]`);
const trip = rule => page.locator(`[data-trip="${rule}"]`);

test('an alarm is shelved for a time with a reason, shown with what is left, and taken back', async () => {
  await b.act('alarm', { v: 1, priority: 'high', text: 'Gas detector' });
  await b.act('alarm', { v: 2, priority: 'medium', text: 'Barometer silent' });
  await b.act('first', { v: 1 });
  await row(1).filter({ hasText: 'First' }).waitFor();
  assert.match(await row(1).innerText(), /first[\s\S]*Stay behind the shield/i);
  await press('Shelve: rule 2');
  const form = page.getByRole('form', { name: 'Shelve rule 2' });
  assert.match(await form.innerText(), /What it trips still trips/);
  await focused('name', 'reason');
  await page.keyboard.press('Enter'); // without a reason nothing is sent
  assert.deepEqual(await b.commands(), []);
  await page.getByLabel('Your name').fill('R. Amsel');
  await form.getByLabel('Reason').fill('being exchanged');
  await form.getByLabel('For').selectOption({ label: '15 min' });
  await form.getByRole('button', { name: 'Shelve rule 2' }).click();
  await page.locator('.quieted').waitFor();
  assert.match(await text('.quieted'), /rule 2 shelved, 1[45]:\d\d left[\s\S]*being exchanged · R\. Amsel/);
  assert.match(await text('.alarms h2'), /1 to acknowledge, 1 in all/);
  await picture('shelved');
  await press('Take back the shelving of rule 2');
  await page.locator('.alarm[data-alarm="2"]').waitFor();
  await press('Out of service: rule 2');
  await page.getByRole('form').getByLabel('Reason').fill('no spare');
  await page.keyboard.press('Enter');
  await page.locator('.quieted.out-of-service').waitFor();
  await press('Put rule 2 in service');
  await page.locator('.alarm[data-alarm="2"]').waitFor();
  const got = await b.commands();
  assert.deepEqual(got.map(c => [c.verb, c.who]), [['shelve', 'R. Amsel'], ['unshelve', 'R. Amsel'], ['out-of-service', 'R. Amsel'], ['in-service', 'R. Amsel']]);
  assert.deepEqual(got[0].args, { at: 'bench', id: '2', for_s: '900', reason: 'being exchanged' });
});

test('a trip says since when and which was first, and is reset only when its condition is gone', async () => {
  await b.act('trip', { v: 1 });
  await trip('opening').filter({ hasText: 'tripped' }).waitFor();
  assert.match(await trip('opening').innerText(), /First[\s\S]*tripped \d+(\.\d+)? s ago, condition stands/i);
  assert.match(await text('.outputs'), /supply valve[\s\S]*off, shut/);
  const seen = await page.evaluate(() => {
    const panel = document.querySelector('.interlock').getBoundingClientRect(), row = document.querySelector('.outputs tbody tr').getBoundingClientRect();
    return row.bottom <= Math.min(panel.bottom, innerHeight);
  });
  assert.ok(seen, 'what was read back of the supply is out of sight on a laptop');
  assert.match(await trip('pressure not measured').innerText(), /proof test was due 2001-03-01/);
  const reset = page.getByRole('button', { name: 'Reset all trips' });
  assert.equal(await reset.isDisabled(), true, 'a reset is offered while the condition stands');
  await b.act('stands', { v: 0 });
  await until(() => !document.querySelector('.reset button').disabled);
  await reset.focus();
  await page.keyboard.press('Enter');
  await page.locator('.trips .tripped').waitFor({ state: 'detached' });
  assert.deepEqual((await b.commands()).map(c => [c.verb, c.who, c.args.at]), [['reset', 'unattributed', 'bench']]);
});

test('an opening is past: what it tripped can be reset, so that the next test can be armed', async () => {
  await b.act('trip', { v: 1 });
  await b.act('stands', { v: 1, past: 1 });
  await until(() => !document.querySelector('.reset button').disabled);
  assert.match(await text('.reset'), /takes note of what was seen, and turns nothing on/);
  assert.match(await trip('opening').innerText(), /latched until reset/);
  await press('Reset all trips');
  await page.locator('.trips .tripped').waitFor({ state: 'detached' });
});

test('a bypass needs a reason, ends, and is on every page with the time left', async () => {
  await press('Bypass the trip of opening');
  const form = page.getByRole('form', { name: 'Bypass opening' });
  assert.match(await form.innerText(), /switches nothing off/);
  await form.getByLabel('Reason').fill('valve swap');
  await form.getByLabel('For').selectOption({ label: '5 min' });
  await form.getByLabel('Reason').press('Enter');
  await page.locator('.bypassed').waitFor();
  const banner = /Bypassed: opening does not trip\.[\s\S]*valve swap · unattributed · (5:00|[1-4]:\d\d) left/;
  assert.match(await text('.bypassed'), banner);
  assert.match(await trip('opening').innerText(), /bypassed, (5:00|[1-4]:\d\d) left/);
  for (const p of ['Runs', 'Lots', 'Calculators']) {
    await page.getByRole('navigation').getByRole('link', { name: p }).click();
    await shows('main h2', p);
    assert.match(await text('.bypassed'), banner, p);
    assert.equal(await page.getByRole('button', { name: 'Abort' }).count(), 1);
  }
  await press('End the bypass of opening');
  await page.locator('.bypassed').waitFor({ state: 'detached' });
  assert.deepEqual((await b.commands()).map(c => [c.verb, c.args.rule, c.args.for_s]), [['bypass', 'opening', '300'], ['end-bypass', 'opening', undefined]]);
});

test('an output that is not known, not as demanded or not watched says so', async () => {
  await b.act('dump', { state: 'unknown' });
  await until(() => document.querySelector('.outputs')?.textContent.includes('not known: treat as on'));
  await b.act('dump', { state: 'on' });
  await until(() => document.querySelector('.outputs .differs')?.textContent.includes('not as demanded'));
  await b.act('watchdog', { v: 0 });
  await page.locator('.watchdog.bad').waitFor();
  assert.match(await text('.watchdog'), /not fed,[\s\S]*last edge 5\.\d s ago\. No fresh reading of p1/);
});

test('what arming asks for is a list that says what is missing and how to cure it', async () => {
  await b.act('phase', { name: 'at rest' });
  await page.locator('[data-check=leak]').waitFor();
  assert.match(await text('.course h2'), /4 of 6 not met/);
  assert.match(await text('[data-check=leak]'), /not met[\s\S]*leak rate of the fixture is not known\.[\s\S]*Do a leak check/);
  assert.match(await text('[data-check=awake]'), /not required on this bench/);
  assert.equal(await page.locator('.guards > ul > li').first().getAttribute('data-check'), 'volume', 'what is missing comes first');
  assert.equal(await page.locator('[data-check=volume] button').count(), 0, 'a volume can’t be entered here');
  await picture('guards');
  await page.getByLabel('First person').fill('A. Rahn');
  await page.getByLabel('Second person').fill('B. Okoro');
  await page.keyboard.press('Enter');
  await until(() => document.querySelector('.persons').textContent.includes('A. Rahn and B. Okoro'));
  assert.match(await text('.course h2'), /3 of 6 not met/);
  await press('Arm: choose the specimen');
  await page.locator('#start-run').waitFor();
  const [c] = await b.commands();
  assert.deepEqual([c.verb, c.args.who1, c.args.who2], ['prepare', 'A. Rahn', 'B. Okoro']);
});

/** A day, that many days from today, UTC. */
const day = n => new Date(Date.now() + n * 864e5).toISOString().slice(0, 10);

test('what was done at the bench is entered where the list asks for it, by somebody', async () => {
  await b.act('phase', { name: 'at rest' });
  await press('Enter the leak rate');
  const leak = page.getByRole('form', { name: 'Enter the leak rate' });
  await focused('name', 'value');
  assert.match(await leak.innerText(), /Give your name/);
  assert.equal(await leak.getByRole('button', { name: 'Enter the leak rate' }).isDisabled(), true, 'nobody enters nothing');
  await page.getByLabel('Your name').fill('A. Rahn');
  await leak.getByLabel('Leak rate').fill('0.03');
  await leak.getByLabel('Done on').fill(day(-2));
  await page.keyboard.press('Enter');
  await page.locator('.met[data-check=leak]').waitFor({ state: 'attached' });
  await press('Enter the proof test');
  const proof = page.getByRole('form', { name: 'Enter the proof test' });
  assert.equal(await proof.getByLabel('Trip').inputValue(), 'pressure not measured', 'the one that is overdue');
  await proof.getByLabel('Done on').fill(day(-1));
  await proof.getByLabel('Next test due').fill(day(364));
  await accessible('proof');
  await proof.getByLabel('How').fill('to the valve');
  await page.keyboard.press('Enter');
  await page.locator('.met[data-check=proof]').waitFor({ state: 'attached' });
  const got = await b.commands();
  assert.deepEqual(got.map(c => [c.verb, c.who]), [['enter', 'A. Rahn'], ['enter', 'A. Rahn']]);
  assert.deepEqual(got[0].args, { at: 'bench', what: 'leak', value: '3', date: day(-2) }); // Pa/s
  assert.deepEqual(got[1].args, { at: 'bench', what: 'proof', subject: 'pressure not measured', date: day(-1), until: day(364), method: 'to the valve' });
});

test('pressure is asked for twice; hold and make safe at once', async () => {
  await b.act('phase', { name: 'armed' });
  await press('Pressurise');
  assert.deepEqual(await b.commands(), []);
  assert.match(await text('.steps'), /Shield closed, nobody near/);
  await press('Pressurise now');
  await shows('[aria-current=step]', 'under test');
  await press('Hold pressure');
  await shows('[aria-current=step]', 'holding pressure'); // this one too has a button to make safe
  await press('Make safe');
  await until(() => document.querySelector('[aria-current=step]').textContent.includes('making safe'));
  await taken('pressurise', 'hold', 'make-safe');
});

test('a specimen that did not open can’t be missed, and low readings don’t take that away', async () => {
  await b.act('held', { v: 31.4 });
  assert.equal(await page.locator('.held').count(), 0, 'the ramp still runs');
  await b.act('phase', { name: 'making safe' });
  await page.locator('.held').waitFor();
  assert.match(await text('.held'), /still pressurised[\s\S]*Held to at least 31\.40 bar gauge[\s\S]*A zero on the screen is no proof of zero pressure/i);
  for (const [name, size] of Object.entries(SIZES)) {
    await resize(name);
    await fits();
    const box = await page.locator('.held').boundingBox();
    assert.ok(box.width > 0.9 * size.width && box.y + box.height < size.height, `${name}: ${JSON.stringify(box)}`);
    await picture(`held-${name}`);
  }
  await resize('laptop');
  await b.act('held', { v: 31.4, low: 1 });
  await b.act('phase', { name: 'pressure watch' });
  await page.locator('.held.low').waitFor();
  assert.match(await text('.held'), /not seen to open[\s\S]*plugged port/i);
  await page.getByRole('navigation').getByRole('link', { name: 'Runs' }).click();
  await shows('main h2', 'Runs');
  assert.equal(await page.locator('.held').count(), 1, 'on every page');
});

test('a specimen that was left when the program ended is told on every page', async () => {
  await b.act('cut');
  await page.locator('.held').waitFor();
  assert.match(await text('.held'), /cut short[\s\S]*M47-0230[\s\S]*may be under pressure, whatever is shown here[\s\S]*read the local gauge/i);
  await accessible('cut short');
  await page.getByRole('link', { name: 'Specimens and shots' }).click();
  await shows('main h2', 'Specimens');
  assert.equal(await page.locator('.held').count(), 1, 'on every page');
  await resize('phone');
  await fits();
});

test('the pressure watch is a list of conditions and never a grant', async () => {
  await b.act('waits', { v: 95 });
  await b.act('phase', { name: 'pressure watch' });
  await page.locator('.watch').waitFor();
  assert.match(await text('[data-check="waiting time"]'), /not met[\s\S]*1:35 left/);
  assert.match(await text('.course'), /A person decides on approach/);
  // "Vented" and "safe" are never a state; to make safe is what is asked for.
  for (const said of await page.locator('.phases li, .course h2, .watch li').allInnerTexts()) assert.doesNotMatch(said.replace(/making safe/i, ''), /\b(vented|safe|ok)\b/i);
  await press('End the watch all the same');
  await page.getByRole('form', { name: 'End the test' }).getByLabel('Reason').fill('read on the local gauge by two');
  await page.keyboard.press('Enter');
  await until(() => document.querySelector('.said')?.textContent.includes('taken') || document.querySelector('.said')?.textContent.includes('refused'));
});

test('a specimen that shows pressure is not left to rest by one press', async () => {
  await b.act('run', { v: 12 });
  await b.act('held', { v: 31.4 });
  await b.act('phase', { name: 'pressure watch' });
  await page.locator('.held').waitFor();
  assert.equal(await page.getByRole('button', { name: 'End the watch', exact: true }).count(), 0);
  await press('End the watch all the same');
  assert.match(await page.getByRole('form', { name: 'End the test' }).innerText(), /Nothing is said of the specimen’s pressure at rest/);
  await page.keyboard.press('Escape');
  await b.act('phase', { name: 'making safe' });
  await press('End the test all the same');
  await page.getByRole('form', { name: 'End the test' }).getByLabel('Reason').fill('relay box dead, supply shut by hand');
  await page.keyboard.press('Enter');
  await taken('end');
  assert.equal((await b.commands())[0].args.override, 'relay box dead, supply shut by hand');
});

test('chatter and flood are told; a latched alarm flashes until it is acknowledged', async () => {
  await b.act('load');
  await page.locator('.burden').waitFor();
  assert.match(await text('.burden'), /Flood of alarms: 12 in the last 10 min[\s\S]*Chatters: gas detector/);
  await b.act('alarm', { v: 1, priority: 'high', text: 'Shield open' });
  await b.act('latch', { v: 1 });
  const latched = page.locator('.alarm.latched-unacknowledged');
  await latched.waitFor();
  const flash = l => l.locator('.priority').evaluate(e => getComputedStyle(e).animationName);
  assert.equal(await flash(latched), 'flash');
  await press('Acknowledge: Shield open');
  const answered = page.locator('.alarm.latched-acknowledged');
  await answered.waitFor();
  assert.equal(await flash(answered), 'none');
  assert.match(await answered.innerText(), /latched until reset by unattributed/);
});

test('everything is reached by keys, and the keys are listed', async () => {
  assert.match(await text('.keys'), /F8[\s\S]*Abort[\s\S]*F9[\s\S]*next alarm/);
  await b.act('alarm', { v: 1, priority: 'low', text: 'First' });
  await b.act('alarm', { v: 2, priority: 'critical', text: 'Second' });
  await row(2).waitFor();
  const label = () => page.evaluate(() => document.activeElement.getAttribute('aria-label'));
  await shows('.alarms h2', '2 to acknowledge');
  await page.keyboard.press('F9');
  assert.equal(await label(), 'Acknowledge: Second');
  const ring = await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle);
  assert.notEqual(ring, 'none', 'the focus is not visible');
  await page.keyboard.press('F9');
  assert.equal(await label(), 'Acknowledge: First');
  await page.keyboard.press('Enter');
  await page.locator('.alarm.acknowledged').waitFor();
  await page.keyboard.press('F2');
  assert.equal(await page.evaluate(() => document.activeElement.id), 'course');
  await page.keyboard.press('F4');
  assert.equal(await page.evaluate(() => document.activeElement.id), 'interlock');
  await page.goto(`${b.url}/#/calculators`);
  await shows('main h2', 'Calculators');
  await page.getByLabel('Your name').focus();
  await page.keyboard.press('F8'); // also out of a field, on another page
  await until(() => document.querySelector('.said')?.textContent.includes('Abort: taken'));
  assert.deepEqual((await b.commands()).map(c => c.verb), ['acknowledge', 'abort']);
});

test('the history tells what happened and who did it', async () => {
  await b.act('alarm', { v: 1, priority: 'high', text: 'Shield open' });
  await row(1).waitFor();
  await press('Acknowledge: Shield open');
  await page.locator('.alarm.acknowledged').waitFor(); // it goes another way than the phase
  await b.act('phase', { name: 'holding pressure' });
  await page.locator('.history').getByRole('button', { name: 'Show' }).click();
  await page.locator('[data-note]').nth(2).waitFor();
  const lines = await page.locator('[data-note]').allInnerTexts();
  assert.match(lines.join('\n'), /Course\s+holding pressure[\s\S]*Acknowledged\s+rule 1 high\s+unattributed[\s\S]*Raised\s+rule 1 high\s+Shield open/);
  await press('Course');
  await until(() => document.querySelectorAll('[data-note]').length === 1);
});

test('a runaway rig shows temperatures and voltage large', async () => {
  await b.act('rig', { name: 'runaway' });
  await page.locator('.thermal').waitFor();
  assert.match(await text('.thermal'), /Skin t_skin\s+23\.\d°C[\s\S]*Gas t_gas\s+2[345]\.\d°C/);
  const px = await page.locator('.thermal .value').first().evaluate(e => parseFloat(getComputedStyle(e).fontSize));
  assert.ok(px >= 40, `${px} px`);
  assert.equal(await page.getByRole('button', { name: 'Make safe' }).count(), 1);
  assert.equal(await page.getByRole('button', { name: 'Hold pressure' }).count(), 0, 'no supply, nothing to hold');
  await picture('runaway');
});

test('no accessibility violation while much is wrong', async () => {
  await page.emulateMedia({ reducedMotion: 'reduce' });
  await b.act('phase', { name: 'at rest' });
  await page.locator('[data-check=leak]').waitFor();
  await accessible('before arming');
  await b.act('alarm', { v: 1, priority: 'high', text: 'Shield open' });
  await b.act('alarm', { v: 2, priority: 'medium', text: 'Barometer silent' });
  await b.act('latch', { v: 1 });
  await b.act('load');
  await b.act('trip', { v: 1 });
  await b.act('dump', { state: 'unknown' });
  await b.act('watchdog', { v: 0 });
  await b.act('rig', { name: 'runaway' });
  await b.act('held', { v: 31.4 });
  await b.act('waits', { v: 95 });
  await b.act('phase', { name: 'pressure watch' });
  await row(2).waitFor();
  await press('Bypass the trip of over-pressure');
  await page.getByRole('form').getByLabel('Reason').fill('valve swap');
  await page.keyboard.press('Enter');
  await page.locator('.bypassed').waitFor();
  await press('Shelve: rule 2');
  await page.getByRole('form').getByLabel('Reason').fill('being exchanged');
  await page.keyboard.press('Enter');
  await page.locator('.quieted').waitFor();
  await press('Out of service: rule 1');
  await page.locator('.history').getByRole('button', { name: 'Show' }).click();
  for (const size of ['usual', 'tablet', 'phone']) {
    await resize(size);
    await fits();
    await accessible(size);
    await picture(`wrong-${size}`);
  }
});
