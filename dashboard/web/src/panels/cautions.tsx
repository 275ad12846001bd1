import { useStore } from '../hooks';
import { cautions } from '../words';

export function Cautions() {
  const s = useStore();
  return (
    <section class="panel cautions" aria-labelledby="cautions-h">
      <h2 id="cautions-h">Cautions</h2>
      <ul>{cautions(s.state).map(c => <li key={c}>{c}</li>)}</ul>
      {s.faults > 0 && <p class="empty">This page could not read {s.faults} message{s.faults === 1 ? '' : 's'}: {s.fault}</p>}
    </section>
  );
}
