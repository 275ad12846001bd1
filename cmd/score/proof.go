package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"text/tabwriter"

	"gonum.org/v1/gonum/stat/distuv"

	"ventward/daq"
	"ventward/detect"
)

const (
	proofHz    = 10000
	proofNoise = 1000.0 // Pa
	proofBatch = 500    // samples
)

// A quietBench is a detector on white noise at 10 kHz on which nothing happens
// but what spoil does to the batches.
type quietBench struct {
	m   *detect.Monitor
	rng *rand.Rand
	buf [proofBatch]daq.Sample
	n   int64 // samples so far
}

// newQuietBench makes a bench with a mean time between false alarms in samples.
func newQuietBench(seed uint64, between float64) (*quietBench, error) {
	m, err := detect.New(detect.Options{Rig: detect.BurstRig, Medium: detect.Gas, FalseAlarmS: between / proofHz,
		Channels: []daq.Channel{{Name: "p", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute}},
		RateHz:   []float64{proofHz}})
	return &quietBench{m: m, rng: rand.New(rand.NewPCG(seed, uint64(between)))}, err
}

// step plays one batch and returns how many events but sensor faults it gave.
func (q *quietBench) step(spoil func(s []daq.Sample)) (calls int) {
	for i := range q.buf {
		x := 1e6 + proofNoise*q.rng.NormFloat64()
		q.buf[i] = daq.Sample{T: q.n * 1e9 / proofHz, V: x, Raw: x}
		q.n++
	}
	if spoil != nil {
		spoil(q.buf[:])
	}
	q.m.Step(0, q.buf[:])
	for _, e := range q.m.Take().Events {
		if e.Rev == 1 && e.Kind != detect.SensorFault {
			calls++
		}
	}
	return calls
}

// runLaw compares the false alarms on white noise with what was stated, over
// times as many samples as alarms are expected.
func runLaw(seed uint64, times int, out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	fmt.Fprintf(w, "samples between false alarms, stated\talarms stated\tcounted\tcounted/stated (goal 0.5-2)\n")
	for _, g := range []float64{1e4, 1e5, 1e6, 1e7} {
		q, err := newQuietBench(seed, g)
		if err != nil {
			return err
		}
		got := 0
		for q.n < int64(g)*int64(times) {
			got += q.step(nil)
		}
		fmt.Fprintf(w, "%.0e\t%d\t%d\t%.2f\n", g, times, got, float64(got)/float64(times))
	}
	fmt.Fprintf(w, "seed %d; after an alarm the longest baseline, 1e5 samples, has to fill again: sums that can't be ready between alarms have no share in them\n", seed)
	return w.Flush()
}

// runSpikes plays isolated spikes of 1 to 3 samples, 4 to 1000 standard
// deviations high, and counts those that trigger at all.
func runSpikes(seed uint64, n int, out io.Writer) error {
	q, err := newQuietBench(seed, falseAlarmS*proofHz)
	if err != nil {
		return err
	}
	for range 20 { // the noise is learnt
		q.step(nil)
	}
	got := 0
	for range n {
		got += q.step(q.spike)
	}
	fmt.Fprintf(out, "%d isolated spikes of 1 to 3 samples, 4 to 1000 sigma, seed %d: %d false triggers, %.1e a spike (goal <= 1e-4), at most %.1e at 95 %% (Clopper and Pearson)\n",
		n, seed, got, float64(got)/float64(n), distuv.Beta{Alpha: float64(got + 1), Beta: float64(n - got)}.Quantile(0.95))
	return nil
}

// spike puts one spike into a batch.
func (q *quietBench) spike(s []daq.Sample) {
	size := proofNoise * 4 * math.Exp(q.rng.Float64()*math.Log(250))
	if q.rng.IntN(2) == 0 {
		size = -size
	}
	at := 150 + q.rng.IntN(200)
	for i := range 1 + q.rng.IntN(3) {
		s[at+i].V += size
		s[at+i].Raw += size
	}
}
