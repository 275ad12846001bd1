package analysis

import (
	"math/rand/v2"
	"testing"
)

func BenchmarkFitOpening(b *testing.B) {
	for _, fam := range []string{"top", "small", "bottom", "coloured", "hum"} {
		b.Run(fam, func(b *testing.B) {
			rng := rand.New(rand.NewPCG(5, 5))
			sp := draw(fam, rng)
			w, ch, o, _, ok := sp.window(rng)
			for !ok {
				sp = draw(fam, rng)
				w, ch, o, _, ok = sp.window(rng)
			}
			b.ReportAllocs()
			for b.Loop() {
				FitOpening(w, ch, o)
			}
		})
	}
}
