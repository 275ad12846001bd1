import type { Message } from './api';
import type { Store } from './store';

const FIRST_RETRY_MS = 250;
const LAST_RETRY_MS = 3000;
/** A connection that says nothing for this long is given up and made anew. */
const SILENT_MS = 5000;

/** Keeps the store filled from the live feed, for as long as the page is open. */
export class Feed {
  private ws: WebSocket | undefined;
  private wait = FIRST_RETRY_MS;
  private heard = 0;

  constructor(private store: Store, private url: string) {}

  start(): void {
    this.connect();
    setInterval(() => {
      if (this.ws && performance.now() - this.heard > SILENT_MS) this.lost(this.ws);
    }, 500);
  }

  private connect(): void {
    const s = this.store, after = s.lastAlarm;
    const ws = new WebSocket(after < 0 ? this.url : `${this.url}?alarms_after=${after}`);
    ws.binaryType = 'arraybuffer';
    this.ws = ws;
    this.heard = performance.now();
    ws.onopen = () => {
      s.ages.reset();
      s.link = 'open';
      this.wait = FIRST_RETRY_MS;
    };
    ws.onmessage = m => {
      if (ws !== this.ws) return;
      this.heard = performance.now();
      this.take(m.data as string | ArrayBuffer);
    };
    ws.onclose = () => this.lost(ws);
  }

  private take(data: string | ArrayBuffer): void {
    try {
      if (typeof data === 'string') this.store.text(JSON.parse(data) as Message);
      else this.store.binary(data, performance.now() / 1000);
    } catch (e) {
      this.store.complain(e instanceof Error ? e.message : String(e));
    }
    if (typeof data === 'string') this.store.notify();
  }

  private lost(ws: WebSocket): void {
    if (ws !== this.ws) return;
    this.ws = undefined;
    ws.onclose = null;
    ws.close();
    const s = this.store;
    if (s.link !== 'lost') s.lostAt = performance.now() / 1000;
    s.link = 'lost';
    s.attempts++;
    s.notify();
    setTimeout(() => this.connect(), this.wait);
    this.wait = Math.min(LAST_RETRY_MS, this.wait * 2);
  }
}
