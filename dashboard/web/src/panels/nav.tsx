import { useBeat, useCommands, useStore } from '../hooks';
import { waiting } from '../words';
import { Warn } from './icons';

const LINKS = [['bench', 'Bench'], ['runs', 'Runs'], ['lots', 'Lots'], ['calculators', 'Calculators']] as const;

/** The pages, and on every one of them how many alarms wait for an answer. */
export function Nav({ page }: { page: string }) {
  const s = useStore(), c = useCommands();
  useBeat(500);
  const here = page || 'bench', why = s.notLive(performance.now() / 1000);
  const open = s.alarms.filter(waiting).length;
  return (
    <nav class="pages" aria-label="Pages">
      <ul>{LINKS.map(([to, name]) => <li key={to}><a href={`#/${to}`} aria-current={to === here ? 'page' : undefined}>{name}</a></li>)}</ul>
      {open > 0 && <a class={here === 'bench' ? 'waiting here' : 'waiting'} href="#/bench" onClick={() => document.getElementById('alarms')?.focus()}><Warn />{open} alarm{open === 1 ? '' : 's'} to acknowledge</a>}
      {here !== 'bench' && why && <span class="waiting"><Warn />Bench not live: {why.toLowerCase()}</span>}
      <label class="who">Your name<input value={c.who} maxLength={80} autocomplete="name" placeholder="unattributed" onInput={e => c.setWho((e.target as HTMLInputElement).value)} /></label>
    </nav>
  );
}
