import { useEffect } from 'preact/hooks';
import { useCommands } from '../hooks';

/** Keys that work wherever the focus is. They are function keys, so that no text
 *  that is typed can be taken for one. */
export const KEYS: readonly (readonly [string, string])[] = [
  ['F8', 'Abort, at once and without asking'],
  ['F9', 'Go to the next alarm to acknowledge; Enter acknowledges it'],
  ['F2', 'Go to the course of the test'],
  ['F4', 'Go to trips, outputs and watchdog'],
  ['Tab', 'Go to the next control; Shift + Tab to the one before'],
  ['Enter', 'Press the control that has the focus'],
  ['Esc', 'Leave a form without doing anything'],
];

export function useKeys(): void {
  const c = useCommands();
  useEffect(() => {
    const down = (e: KeyboardEvent) => {
      if (e.repeat || e.ctrlKey || e.altKey || e.metaKey || e.shiftKey) return;
      if (e.key === 'F8') void c.send('abort', 'Abort');
      else if (e.key === 'F9') nextAlarm();
      else if (e.key === 'F2') goTo('course');
      else if (e.key === 'F4') goTo('interlock');
      else return;
      e.preventDefault();
    };
    addEventListener('keydown', down);
    return () => removeEventListener('keydown', down);
  }, [c]);
}

/** Focuses a part of the bench page, from whatever page. */
function goTo(id: string, then?: () => void): void {
  const there = document.getElementById(id);
  if (!there) {
    location.hash = '#/bench';
    setTimeout(() => document.getElementById(id)?.focus(), 100);
    return;
  }
  (then ?? (() => there.focus()))();
}

function nextAlarm(): void {
  goTo('alarms', () => {
    const all = [...document.querySelectorAll<HTMLElement>('#alarms .answer')];
    const at = all.indexOf(document.activeElement as HTMLElement);
    (all[(at + 1) % all.length] ?? document.getElementById('alarms'))?.focus();
  });
}

export function Keys() {
  return (
    <section class="panel keys" aria-labelledby="keys-h">
      <h2 id="keys-h">Keyboard</h2>
      <dl>{KEYS.map(([k, what]) => <div key={k}><dt><kbd>{k}</kbd></dt><dd>{what}</dd></div>)}</dl>
    </section>
  );
}
