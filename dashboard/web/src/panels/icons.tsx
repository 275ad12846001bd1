/** Shapes that say what a colour says. Each stands beside a word, so none is
 *  read out. */
const box = { viewBox: '0 0 16 16', class: 'icon', 'aria-hidden': true } as const;

export const Tick = () => <svg {...box}><path d="M3 8.5 6.5 12 13 4.5" fill="none" stroke="currentColor" stroke-width="2" stroke-linecap="round" stroke-linejoin="round" /></svg>;
export const Warn = () => <svg {...box}><path d="M8 1.5 15.2 14.5H.8Z" fill="currentColor" /><path d="M8 6v4.2M8 12v.9" stroke="#ffd400" stroke-width="1.7" stroke-linecap="round" /></svg>;
export const Stop = () => <svg {...box}><path d="M5 .8h6L15.2 5v6L11 15.2H5L.8 11V5Z" fill="currentColor" /></svg>;

const SHAPES: Record<string, preact.JSX.Element> = {
  critical: <path d="M12 1 23 12 12 23 1 12Z" />,
  high: <path d="M12 2 23.5 22H.5Z" />,
  medium: <path d="M2 2h20v20H2Z" />,
  low: <circle cx="12" cy="12" r="10.5" />,
};
const NUMBER: Record<string, string> = { critical: '1', high: '2', medium: '3', low: '4' };

/** A priority as shape and number: 1 is the most urgent. */
export function Priority({ p }: { p: string }) {
  return <svg viewBox="0 0 24 24" class={`priority ${p}`} aria-hidden="true">{SHAPES[p]}<text x="12" y={p === 'high' ? 19.5 : 17} text-anchor="middle">{NUMBER[p]}</text></svg>;
}
