/** Starts the bench of fixed numbers (e2e/server) and a browser that looks at
 *  its page. */
import { execFileSync, spawn } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { chromium } from 'playwright-core';

const WEB = dirname(dirname(fileURLToPath(import.meta.url)));
const CHROMIUM = process.env.VENTWARD_CHROMIUM ?? '/usr/bin/chromium';
const FLAGS = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];

let dir, binary;

/** Builds the server once; its page is the one in dist. */
export function build() {
  if (!existsSync(join(WEB, 'dist', 'index.html'))) throw new Error('the page is not built: run make web');
  if (!existsSync(CHROMIUM)) throw new Error(`no browser at ${CHROMIUM}: install chromium, or name one in VENTWARD_CHROMIUM`);
  dir = mkdtempSync(join(tmpdir(), 'ventward-e2e-'));
  binary = join(dir, 'server');
  execFileSync('go', ['build', '-o', binary, './e2e/server'], { cwd: WEB, stdio: 'inherit' });
}

export function clean() {
  if (dir) rmSync(dir, { recursive: true, force: true });
}

export function launch() {
  return chromium.launch({ executablePath: CHROMIUM, headless: true, args: FLAGS });
}

/** One running bench: act(what, {…}) lets something happen and gives the bench
 *  time of the state that tells of it, commands() lists what the page asked for. */
export async function bench() {
  const child = spawn(binary, [], { stdio: ['ignore', 'pipe', 'inherit'] });
  const { page, control } = await new Promise((ok, no) => {
    child.once('error', no);
    child.once('exit', code => no(new Error(`the server ended with ${code}`)));
    child.stdout.once('data', d => ok(JSON.parse(String(d))));
  });
  return {
    url: page,
    async act(what, query = {}) {
      const r = await fetch(`${control}/do/${what}?${new URLSearchParams(query)}`, { method: 'POST' });
      if (!r.ok) throw new Error(`${what}: ${await r.text()}`);
      return (await r.json()).told_s;
    },
    async commands() {
      return (await (await fetch(`${control}/commands`)).json()) ?? [];
    },
    stop() {
      return new Promise(done => {
        if (child.exitCode !== null || child.signalCode !== null) return done();
        child.once('exit', done);
        child.kill('SIGKILL');
      });
    },
  };
}
