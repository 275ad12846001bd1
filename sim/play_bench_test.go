package sim

import "testing"

// BenchmarkPlay plays traces of openings at sample level.
func BenchmarkPlay(b *testing.B) {
	b.ReportAllocs()
	rows := 0
	for seed := uint64(1); b.Loop(); seed++ {
		tr, err := Play(Scenario{Kind: "vent", Seed: seed % 50})
		if err != nil {
			b.Fatal(err)
		}
		rows += len(tr.T) * len(tr.Series)
	}
	b.ReportMetric(float64(rows)/b.Elapsed().Seconds(), "readings/s")
}
