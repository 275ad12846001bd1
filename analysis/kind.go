package analysis

import (
	"math"

	"ventward/detect"
)

// What a fall means (judgement, no source): a hole of more than this fraction
// of the volume's own section, V^(2/3), is no scored vent.
const (
	brokenResolved   = 0.04
	brokenUnresolved = 0.25
)

// emptied is the fraction of the gauge pressure below which the fixture counts
// as empty.
const emptied = 0.1

// alike says which kinds remain where a collapse to ambient is over before lag and
// samples show how.
const alike = "vent-opening or rupture: the fall to ambient is not resolved by lag and sample rate, and a vent that opens wide and a housing that breaks look alike"

// judge gives the kind that the fall supports. Where the fall is not resolved,
// vent and rupture can't be told apart from pressure: the flag says so.
func (a *opening) judge(level, low, area float64, resolved bool) {
	a.f.Kind = detect.VentOpening
	if !resolved {
		a.flag(detect.FlagKindUncertain)
	}
	gauge := level - (a.ambient - a.gauge)
	toAmbient := low-(a.ambient-a.gauge) < emptied*gauge
	if !resolved && !a.liquid && toAmbient && !a.closes {
		a.f.Absent["kind"] = alike
	}
	v := a.o.Fixture.VolumeM3
	if a.liquid || v <= 0 || !toAmbient || math.IsNaN(area) {
		return
	}
	section := math.Cbrt(v) * math.Cbrt(v)
	limit := brokenUnresolved
	if resolved {
		limit = brokenResolved
	}
	if area > limit*section {
		a.f.Kind = detect.Rupture
	}
}
