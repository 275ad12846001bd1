import { useEffect, useState } from 'preact/hooks';

/** The page named by the address after '#/': '' is the live page. */
export function useRoute(): string {
  const read = () => location.hash.replace(/^#\/?/, '').split('?')[0] ?? '';
  const [route, set] = useState(read);
  useEffect(() => {
    const f = () => set(read());
    addEventListener('hashchange', f);
    return () => removeEventListener('hashchange', f);
  }, []);
  return route;
}
