import { useEffect, useRef, useState } from 'preact/hooks';
import { useCommands, useReplay } from '../hooks';

/** How long something may be silent or bypassed, as a choice: [s, words]. */
export type Span = readonly [number, string];
export const SHELVE: readonly Span[] = [[300, '5 min'], [900, '15 min'], [1800, '30 min'], [3600, '1 h']];
export const BYPASS: readonly Span[] = [[60, '1 min'], [300, '5 min'], [900, '15 min'], [1800, '30 min']];

interface AskProps {
  /** what is asked, for the eye and for what the page says of it after */
  title: string;
  /** what it does and what it does not */
  note: string;
  verb: string;
  args: Record<string, string>;
  /** under what name the reason is sent */
  reasonKey?: string;
  spans?: readonly Span[] | undefined;
  done(): void;
}

/** A small form in its place in the page, never over it: a reason, and for how
 *  long. Escape leaves it. */
export function Ask({ title, note, verb, args, spans, reasonKey = 'reason', done }: AskProps) {
  const c = useCommands(), [busy, setBusy] = useState(false), first = useRef<HTMLInputElement>(null);
  useEffect(() => first.current?.focus(), []);
  const submit = async (e: Event) => {
    e.preventDefault();
    const f = new FormData(e.target as HTMLFormElement);
    setBusy(true);
    const span = spans ? { for_s: String(f.get('for_s')) } : {};
    const ok = await c.send('commands', title, { verb, args: { ...args, ...span, [reasonKey]: String(f.get('reason')).trim() } });
    setBusy(false);
    if (ok) done();
  };
  return (
    <form class="ask" aria-label={title} onSubmit={e => void submit(e)} onKeyDown={e => e.key === 'Escape' && done()}>
      <b>{title}</b>
      <p>{note}</p>
      <label>Reason<input name="reason" required maxLength={150} autocomplete="off" ref={first} /></label>
      {spans && (
        <label>For<select name="for_s">{spans.map(([s, words]) => <option key={s} value={s}>{words}</option>)}</select></label>
      )}
      <div class="row">
        <button type="submit" class="act small" disabled={busy}>{title}</button>
        <button type="button" class="quiet small" onClick={done}>Cancel</button>
      </div>
    </form>
  );
}

/** A button for what is done at the bench only: elsewhere it is off and says so,
 *  and in a replay there is none. */
export function AtBench({ label, cls = 'quiet small', name, onClick, disabled = false }: { label: string; cls?: string; name?: string; onClick(): void; disabled?: boolean }) {
  const c = useCommands(), away = c.at === 'remote';
  if (useReplay()) return null;
  return (
    <button type="button" class={cls} disabled={away || disabled} aria-label={name ? `${name}${away ? ' (at the bench only)' : ''}` : undefined}
      title={away ? 'At the bench only' : undefined} onClick={onClick}>{label}{away && <span class="only">at the bench only</span>}</button>
  );
}
