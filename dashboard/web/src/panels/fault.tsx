import { Refused } from '../api';
import { Wrong } from '../papers';
import { Warn } from './icons';

/** A "no" or a failure, with every row or field that it names. */
export function Fault({ e, fields = true }: { e: Refused | undefined; fields?: boolean }) {
  if (!e) return null;
  const rows = e instanceof Wrong ? e.rows : [], wrong = fields && e instanceof Wrong ? e.fields : [];
  return (
    <div class="fault" role="alert">
      <p><Warn /><b>{e.message}</b> {e.next}</p>
      {rows.length > 0 && (
        <div class="scroll" tabIndex={0} role="region" aria-label="Rows that are wrong">
          <table>
            <thead><tr><th scope="col" class="r">Line</th><th scope="col">Column</th><th scope="col">Value</th><th scope="col">What is wrong, and what to do</th></tr></thead>
            <tbody>{rows.map((r, i) => <tr key={i}><td class="r num">{r.line}</td><td>{r.column ?? '\u2013'}</td><td>{r.value ?? '\u2013'}</td><td>{r.next}</td></tr>)}</tbody>
          </table>
        </div>
      )}
      {wrong.length > 0 && <ul>{wrong.map((f, i) => <li key={i}><b>{f.field}</b> {f.value} {f.next}</li>)}</ul>}
    </div>
  );
}

/** Whatever was thrown, as something that can be shown. */
export function refused(e: unknown): Refused {
  return e instanceof Refused ? e : new Refused(String(e), 'Report this with the program’s version.', true);
}
