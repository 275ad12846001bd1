import type { ComponentChildren } from 'preact';

/** What every page but the bench is made in: its title, and where the skip link leads. */
export function Page({ title, children }: { title: string; children: ComponentChildren }) {
  return <main class="page" id="main" tabIndex={-1}><h2>{title}</h2>{children}</main>;
}
