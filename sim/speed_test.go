package sim

import "testing"

// BenchmarkStand plays a second of the four channels of a bench at 10 kHz, and
// reports how many times faster than real time that is.
func BenchmarkStand(b *testing.B) {
	bench := testBench()
	s, err := newStand(&bench, standOptions{seed: 1, calibration: 1})
	if err != nil {
		b.Fatal(err)
	}
	s.rig.supply.want = true
	none := func([]byte, int, bool) {}
	b.ReportAllocs()
	for b.Loop() {
		for range 1000 {
			s.advance(10)
			for _, d := range s.devices {
				d.emit(s.rig.t, none, func(int) {})
			}
		}
		if s.rig.p > 40e5 {
			s.rig.set(s.rig.ambient)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
