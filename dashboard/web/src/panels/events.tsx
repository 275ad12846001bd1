import type { Event } from '../api';
import { DASH, loss, number, plusMinus, twoDigits } from '../format';
import { useStore } from '../hooks';
import { capital, eventTitle, FLAGS, opens } from '../words';
import { Warn } from './icons';

const SHOWN = 40;

/** What the program detected, the newest first. A card stands at the trigger and
 *  is revised when the fit arrives. */
export function Events() {
  const s = useStore();
  const list = [...s.events].sort((a, b) => b.onset_s - a.onset_s || b.id - a.id);
  const openings = list.filter(opens).length;
  return (
    <section class="panel events" aria-labelledby="events-h">
      <h2 id="events-h">Events{s.run && !s.state?.run && <span class="chan">of the last run</span>}
        <span class="tally">{list.length === 0 ? 'none' : `${openings} opening${openings === 1 ? '' : 's'}, ${list.length} in all`}</span></h2>
      <div class="visually-hidden" aria-live="polite">{list.filter(opens).slice(0, 1).map(e => `${eventTitle(e)} at ${number(e.pressure_bar, 2)} bar`)}</div>
      {list.length === 0 && <p class="empty">Nothing detected. No drop seen does not mean not opened.</p>}
      <ul class="list" tabIndex={list.length > 1 ? 0 : undefined} aria-labelledby="events-h">{list.slice(0, SHOWN).map(e => <EventCard key={e.id} e={e} />)}</ul>
      {s.before && s.before.events.length > 0 && list.length < 4 && (
        <div class="before" tabIndex={0} role="group" aria-labelledby="before-h">
          <h3 id="before-h">The run before: {s.before.run.specimen}</h3>
          <ul class="list">{[...s.before.events].reverse().map(e => <EventCard key={e.id} e={e} />)}</ul>
        </div>
      )}
      {list.length > SHOWN && <p class="empty">{list.length - SHOWN} earlier ones are in the run’s record.</p>}
    </section>
  );
}

/** One event, with its intervals. */
export function EventCard({ e }: { e: Event }) {
  return opens(e) ? <Opening e={e} /> : <Small e={e} />;
}

function Opening({ e }: { e: Event }) {
  const fitted = e.pressure_bar !== undefined, bound = e.flags.includes('saturated') || e.flags.includes('lower-bound');
  const td = twoDigits(e.onset_u_s, 3);
  return (
    <li class={`card ${fitted ? 'fitted' : 'provisional'} ${e.event}`} data-event={e.id} data-rev={e.rev}>
      <div class="head">
        <b>{eventTitle(e)}</b>
        <span class="num">{number(e.onset_s, td)}{e.onset_u_s !== undefined && ` ± ${number(e.onset_u_s, td)}`} s</span>
      </div>
      {fitted
        ? <p class="big num">{bound && '≥\u2009'}{plusMinus(e.pressure_bar, e.pressure_u_bar, 2)}<small>bar {e.reference}</small></p>
        : <p class="big wait">{e.peak_bar === undefined ? DASH : `about ${number(e.peak_bar, 1)}`}<small>bar {e.reference}</small></p>}
      {!fitted && <p class="note" key="wait">{e.absent?.pressure_bar && e.absent.pressure_bar !== 'no fit of this event so far' ? `No pressure: ${e.absent.pressure_bar}.` : 'Provisional: the fit will give pressure, drop and area.'}</p>}
      {fitted && <Details e={e} />}
      <Flags e={e} />
    </li>
  );
}

function Details({ e }: { e: Event }) {
  const rows: [string, string][] = [];
  if (e.drop_bar !== undefined) rows.push(['Drop', `${number(e.drop_bar, 2)} bar`]);
  if (e.area_mm2 !== undefined) rows.push(['Effective area', `${plusMinus(e.area_mm2, e.area_u_mm2, 1)} mm²`]);
  else if (e.area_lower_mm2 !== undefined) rows.push(['Effective area', `at least ${number(e.area_lower_mm2, 1)} mm²`]);
  else if (e.absent?.area_mm2) rows.push(['Effective area', `none: ${e.absent.area_mm2}`]);
  if (e.ramp_bar_s !== undefined) rows.push(['Ramp before', `${number(e.ramp_bar_s, 2)} bar/s`]);
  if (e.peak_bar !== undefined) rows.push(['Highest sample', `${number(e.peak_bar, 2)} bar`]);
  if (e.peak_loss_bar !== undefined) rows.push(['May be missed', `${loss(e.peak_loss_bar)} bar`]);
  rows.push(['Decided after', `${number((e.decided_s - e.onset_s) * 1000, 1)} ms`]);
  return <dl class="facts">{rows.map(([k, v]) => <div key={k}><dt>{k}</dt><dd class="num">{v}</dd></div>)}</dl>;
}

function Flags({ e }: { e: Event }) {
  if (e.flags.length === 0) return null;
  return <ul class="flags">{e.flags.map(f => <li key={f}><Warn /><span>{FLAGS[f] ?? f}{f === 'kind-uncertain' && e.absent?.kind && ` ${capital(e.absent.kind)}.`}</span></li>)}</ul>;
}

function Small({ e }: { e: Event }) {
  const extra = [
    e.channel,
    e.step_bar !== undefined ? `step ${number(e.step_bar, 2)} bar` : '',
    e.dip_C !== undefined ? `dip ${number(e.dip_C, 1)} °C` : '',
    e.rate_bar_s !== undefined ? `${number(e.rate_bar_s, 3)} bar/s` : '',
    e.end_s !== undefined ? `for ${number(e.end_s - e.onset_s, e.end_s - e.onset_s < 1 ? 3 : 1)} s` : '',
    e.criterion ?? '',
  ].filter(Boolean).join(' · ');
  return (
    <li class={`small ${e.event}`} data-event={e.id} data-rev={e.rev}>
      {e.event === 'sensor-fault' && <Warn />}<b>{eventTitle(e)}</b><span class="soft">{extra}</span><span class="num at">{number(e.onset_s, 3)} s</span>
    </li>
  );
}
