import { useEffect, useRef, useState } from 'preact/hooks';
import { ask, match, partly, type Specimen } from '../papers';

const SHOWN = 40;

/** A specimen is chosen of the list, by searching or by a scanner, which types
 *  the label and Enter. Where no list was ever taken in, the label is typed. */
export function Choose({ chosen, onChoose }: { chosen: Specimen | undefined; onChoose: (s: Specimen | undefined) => void }) {
  const [lists, setLists] = useState<boolean | undefined>(), [typed, setTyped] = useState(''), [found, setFound] = useState<Specimen[]>([]);
  const [why, setWhy] = useState(''), field = useRef<HTMLInputElement>(null), asked = useRef(0);
  useEffect(() => { ask<{ specimens: Specimen[] }>('specimens?limit=1').then(r => setLists(r.specimens.length > 0), () => setLists(false)); }, []);
  useEffect(() => field.current?.focus(), [lists]);
  const look = async (text: string): Promise<Specimen[]> => {
    const n = ++asked.current, query = new URLSearchParams({ find: text.trim(), limit: String(SHOWN), ...(text.trim() === '' ? { unused: 'true' } : {}) });
    const got = (await ask<{ specimens: Specimen[] }>(`specimens?${query}`).catch(() => ({ specimens: [] }))).specimens;
    if (n === asked.current) setFound(got);
    return got;
  };
  useEffect(() => { if (lists) void look(''); }, [lists]);
  const input = async (text: string) => {
    setTyped(text);
    onChoose(undefined);
    setWhy(match(await look(text), text).why);
  };
  const enter = async (e: KeyboardEvent) => {
    if (e.key !== 'Enter' || chosen) return;
    e.preventDefault(); // a scanner's Enter chooses; it starts nothing
    const list = await look(typed), m = match(list, typed);
    setWhy(m.chosen ? '' : m.why || `${partly(list, typed)}: scan the label, or choose below.`);
    if (m.chosen) onChoose(m.chosen);
  };
  if (lists === undefined) return <p class="soft">Asking for the list of specimens…</p>;
  if (!lists) {
    return (
      <>
        <p>No list of specimens was taken in. Check the label on the specimen, then type it here.</p>
        <label>Specimen<input name="specimen" required maxLength={80} autocomplete="off" spellcheck={false} ref={field} /></label>
        <label>Lot<input name="lot" maxLength={80} autocomplete="off" spellcheck={false} /></label>
      </>
    );
  }
  return (
    <div class="choose">
      <label>Specimen: scan its label, or search
        <input value={chosen ? chosen.id : typed} maxLength={80} autocomplete="off" spellcheck={false} ref={field} aria-describedby="choose-why"
          onInput={e => void input((e.target as HTMLInputElement).value)} onKeyDown={e => void enter(e as KeyboardEvent)} />
      </label>
      <p id="choose-why" role="status" class={why ? 'why' : 'soft'}>
        {chosen ? `Chosen: ${chosen.id}, lot ${chosen.lot}, ${chosen.feature}.` : why || `${found.length === SHOWN ? `the first ${SHOWN}` : found.length} shown`}
      </p>
      {!chosen && (
        <ul class="found" aria-label="Specimens">
          {found.map(s => {
            const free = s.status === 'unused';
            return (
              <li key={s.id}>
                <button type="button" disabled={!free} onClick={() => { onChoose(s); setWhy(''); }}>
                  <b>{s.id}</b> <span>{free ? s.feature : s.run ? `used in run ${s.run}` : `set aside: ${s.reason ?? ''}`}</span>
                </button>
              </li>
            );
          })}
        </ul>
      )}
    </div>
  );
}
