import { Page } from '../panels/page';

/** Lots and their statistics. */
export function LotsPage() {
  return <Page title="Lots"><p class="empty">`ventward lots` lists what is stored.</p></Page>;
}
