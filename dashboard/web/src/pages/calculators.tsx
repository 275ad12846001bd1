import { Page } from '../panels/page';

/** Estimates that need no run. */
export function CalculatorsPage() {
  return <Page title="Calculators"><p class="empty">`ventward estimate` computes stored energy, vent area and venting.</p></Page>;
}
