import { Page } from '../panels/page';

/** What is stored. */
export function RunsPage() {
  return <Page title="Runs"><p class="empty">`ventward runs` lists what is stored.</p></Page>;
}
