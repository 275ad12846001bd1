package lot

import (
	"fmt"
	"slices"
	"strconv"
)

// Steps at which two set values are no longer the same one: common practice,
// no source. A ramp of 1.0 ± 0.1 bar/s and a laboratory at 23 ± 3 °C stay whole.
const (
	rampStep        = 1.25 // ratio
	temperatureStep = 5.0  // K
)

// clusters sorts the values that the shots state into runs without a step that
// apart calls one, and labels each shot with its run in words.
func clusters(shots []Shot, value func(*Shot) *float64, apart func(a, b float64) bool, words func(lo, hi float64) string) []string {
	var all []float64
	for i := range shots {
		if v := value(&shots[i]); v != nil {
			all = append(all, *v)
		}
	}
	slices.Sort(all)
	var runs [][2]float64
	for i, v := range all {
		if i == 0 || apart(all[i-1], v) {
			runs = append(runs, [2]float64{v, v})
		}
		runs[len(runs)-1][1] = v
	}
	out := make([]string, len(shots))
	for i := range shots {
		v := value(&shots[i])
		if v == nil {
			continue
		}
		for _, r := range runs {
			if *v >= r[0] && *v <= r[1] {
				out[i] = words(r[0], r[1])
			}
		}
	}
	return out
}

func rampWords(lo, hi float64) string {
	return span(lo/paPerBar, hi/paPerBar, "bar/s")
}

func temperatureWords(lo, hi float64) string { return span(lo, hi, "°C") }

// span writes an interval with its unit, once where both ends read the same.
func span(lo, hi float64, unit string) string {
	a, b := short(lo), short(hi)
	if a == b {
		return a + " " + unit
	}
	return fmt.Sprintf("%s to %s %s", a, b, unit)
}

func short(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) }

const paPerBar = 1e5
