import { createContext } from 'preact';
import { useContext, useEffect, useReducer, useState } from 'preact/hooks';
import { Refused, place, post } from './api';
import type { Store } from './store';
import { capital, ended } from './words';

export const StoreContext = createContext<Store>(null as unknown as Store);

/** Draws the component again after every message that is not a frame. */
export function useStore(): Store {
  const s = useContext(StoreContext), [, draw] = useReducer((n: number) => n + 1, 0);
  useEffect(() => s.subscribe(() => draw(undefined)), [s]);
  return s;
}

/** A stored run is shown: nothing can be asked of a bench. */
export function useReplay(): boolean {
  return useStore().state?.replay ?? false;
}

/** Draws the component again every so many ms, for values and ages. */
export function useBeat(ms: number): void {
  const [, draw] = useReducer((n: number) => n + 1, 0);
  useEffect(() => {
    const t = setInterval(() => draw(undefined), ms);
    return () => clearInterval(t);
  }, [ms]);
}

export interface Said { text: string; next: string; bad: boolean; at: number }

export interface Commands {
  said: Said | undefined;
  who: string;
  setWho(name: string): void;
  send(path: string, what: string, body?: Record<string, unknown>): Promise<boolean>;
  dismiss(): void;
  /** the form that arms is open */
  arming: boolean;
  setArming(open: boolean): void;
  /** from where this page's commands count as given; undefined: not known yet */
  at: 'bench' | 'remote' | undefined;
}

export const CommandContext = createContext<Commands>(null as unknown as Commands);
export const useCommands = () => useContext(CommandContext);

const KEY = 'ventward-who';

/** Sends commands and keeps what became of the last one. */
export function useCommandState(): Commands {
  const [said, say] = useState<Said | undefined>();
  const [who, setWhoState] = useState(() => sessionStorage.getItem(KEY) ?? '');
  const [arming, setArming] = useState(false), [at, setAt] = useState<Commands['at']>();
  useEffect(() => void place().then(setAt), []);
  return {
    said,
    arming,
    setArming,
    at,
    who,
    setWho(name) {
      sessionStorage.setItem(KEY, name);
      setWhoState(name);
    },
    async send(path, what, body = {}) {
      try {
        await post(path, who.trim() ? { ...body, who: who.trim() } : body);
        say({ text: `${what}: taken.`, next: '', bad: false, at: Date.now() });
        return true;
      } catch (e) {
        const r = e instanceof Refused ? e : new Refused(String(e), '', true);
        say({ text: ended(r.reached ? `${what}: refused. ${r.message}` : `${what} DID NOT REACH THE PROGRAM. ${r.message}`), next: capital(ended(r.next)), bad: true, at: Date.now() });
        return false;
      }
    },
    dismiss: () => say(undefined),
  };
}
