import { useEffect, useState } from 'preact/hooks';

/** An address '#/page/item?key=value': what comes after '#/'. */
export interface Route { page: string; item: string; query: URLSearchParams }

/** Reads the part of an address from '#' on. */
export function parse(hash: string): Route {
  const [path = '', query = ''] = hash.replace(/^#\/?/, '').split('?', 2);
  const [page = '', ...rest] = path.split('/');
  let item = rest.join('/');
  try {
    item = decodeURIComponent(item);
  } catch {
    // It stays as it is written: then there is no such item.
  }
  return { page, item, query: new URLSearchParams(query) };
}

/** The page that the address names; '' is the bench. */
export function useRoute(): Route {
  const [route, set] = useState(() => parse(location.hash));
  useEffect(() => {
    const f = () => set(parse(location.hash));
    addEventListener('hashchange', f);
    return () => removeEventListener('hashchange', f);
  }, []);
  return route;
}
