package sim

import (
	"encoding/csv"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// Rates and parameters against testdata/kinetics.csv: Kim, Pesaran, Spotnitz,
// J. Power Sources 170 (2007) 476 (fetched text); the rate constants computed
// from them with scipy 1.10.1.
func TestKineticsOfThePublishedSet(t *testing.T) {
	f, err := os.Open("../testdata/kinetics.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	set := map[string]*reaction{"sei": &layerReaction, "ne": &negativeReaction, "pe": &positiveReaction, "ele": &electrolyteReaction}
	kelvins := regexp.MustCompile(`"T_K": ([0-9.]+)`)
	passed := 0
	for _, r := range rows[1:] {
		parts := strings.Split(r[0], ".")
		want, err := strconv.ParseFloat(r[2], 64)
		if err != nil {
			t.Fatalf("%s: %v", r[0], err)
		}
		var got, tol float64
		if x := set[parts[1]]; x == nil { // kin.heat: everything reacts
			d := turnover{layer: layerBegin, negative: negativeBegin, positive: 1 - positiveBegin, electrolyte: electrolyteBegin}
			got, tol = d.heat(), 1e-8
		} else if m := kelvins.FindStringSubmatch(r[1]); m != nil {
			T, _ := strconv.ParseFloat(m[1], 64)
			got, tol = x.constant(T), 1e-8
		} else {
			got = map[string]float64{"A": x.A, "Ea": x.Ea, "H": x.H, "W": x.W, "m": 1}[parts[2]]
		}
		if math.Abs(got-want) > tol*want {
			t.Errorf("%s: %g, published %g", r[0], got, want)
			continue
		}
		passed++
	}
	t.Logf("topic 13: %d of %d rows", passed, len(rows)-1)
}

// A step is exact: one long one gives what many short ones give.
func TestChemistryStepIsExact(t *testing.T) {
	for _, T := range []float64{353, 393, 423, 473, 600} {
		one, many := freshChemistry(), freshChemistry()
		one.step(T, 0, 1)
		for range 1000 {
			many.step(T, 0, 1e-3)
		}
		for _, p := range [][2]float64{{one.layer, many.layer}, {one.positive, many.positive}, {one.electrolyte, many.electrolyte}} {
			if math.Abs(p[0]-p[1]) > 1e-9 {
				t.Errorf("%g K: one step leaves %g, a thousand %g", T, p[0], p[1])
			}
		}
		// The negative electrode is exact only while its reactant hardly changes.
		if math.Abs(one.thickness-many.thickness) > 0.05 {
			t.Errorf("%g K: the layer is %g thick after one step, %g after a thousand", T, one.thickness, many.thickness)
		}
	}
}

func TestBoundedRateOnlyAtHighTemperature(t *testing.T) {
	if k, b := negativeReaction.constant(453), negativeReaction.bounded(453, 0.25); math.Abs(b/k-1) > 0.01 {
		t.Errorf("at 180 °C the front changes the rate by %.3g", b/k-1)
	}
	if b := negativeReaction.bounded(1000, 0.25); b > 4 {
		t.Errorf("at 1000 K the roll reacts at %g a second, in 0.25 s", b)
	}
}
