package calib

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

const its90 = "../../testdata/its90/"

// readCSV returns a file's rows without the header.
func readCSV(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(its90 + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number64(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Every whole degree of every type, against the printed tables of NIST
// Monograph 175 (1993), three decimals. The tables start below the floor at
// which type B can be inverted; the reference function holds there too.
func TestReferenceFunctionAgainstPrintedTables(t *testing.T) {
	points, worst := 0, 0.0
	for _, row := range readCSV(t, "table.csv") {
		tc, err := ThermocoupleType(row[0])
		if err != nil {
			t.Fatal(err)
		}
		c, want := number64(t, row[1]), number64(t, row[2])
		d := math.Abs(tc.EMF(c) - want)
		if worst = math.Max(worst, d); !(d <= 0.0005+1e-9) {
			t.Errorf("type %s at %g °C: %.6f mV, the table prints %.3f", row[0], c, tc.EMF(c), want)
		}
		points++
	}
	if points != 12026 {
		t.Errorf("%d points checked, the tables have 12026", points)
	}
	t.Logf("%d points, largest difference %.6f mV (0.0005 is rounding)", points, worst)
}

// check is one row of checks.csv.
type check struct {
	id, letter, rest string
	in               map[string]any
	want, tolerance  float64
	text             string
	source, status   string
}

func checks(t *testing.T, prefix string) []check {
	var out []check
	for _, r := range readCSV(t, "checks.csv") {
		if !strings.HasPrefix(r[0], prefix+".") {
			continue
		}
		c := check{id: r[0], text: r[3], source: r[6], status: r[7], in: map[string]any{}}
		if err := json.Unmarshal([]byte(r[2]), &c.in); err != nil {
			t.Fatal(err)
		}
		c.letter, c.rest, _ = strings.Cut(strings.TrimPrefix(r[0], prefix+"."), ".")
		c.want, _ = strconv.ParseFloat(r[3], 64)
		c.tolerance, _ = strconv.ParseFloat(r[5], 64)
		out = append(out, c)
	}
	if len(out) == 0 {
		t.Fatalf("checks.csv has no row %s", prefix)
	}
	return out
}

func (c check) compare(t *testing.T, got float64) {
	t.Helper()
	if !(math.Abs(got-c.want) <= c.tolerance) {
		t.Errorf("%s: %.9g, want %.9g within %g (%s; %s)", c.id, got, c.want, c.tolerance, c.source, c.status)
	}
}

// Single values of the reference functions, printed and to six decimals. Their
// source and status stand in checks.csv (NIST Monograph 175; fetched, and
// computed by another program from the fetched coefficients).
func TestReferenceFunctionChecks(t *testing.T) {
	for _, prefix := range []string{"tc.emf", "tc.emf6"} {
		for _, c := range checks(t, prefix) {
			c.compare(t, types[c.letter].EMF(c.in["t_C"].(float64)))
		}
	}
	for _, c := range checks(t, "tc.seebeck") { // in µV/K
		c.compare(t, types[c.letter].Seebeck(c.in["t"].(float64))*1e3)
	}
	for _, c := range checks(t, "tc.join") {
		at := number64(t, c.rest)
		tc := types[c.letter]
		for i := range tc.direct[1:] {
			if tc.direct[i].hi == at {
				below, _ := tc.spanEMF(i, at)
				above, _ := tc.spanEMF(i+1, at)
				c.compare(t, above-below)
			}
		}
	}
}

// The approximate inverses: single values (computed by another program from the
// fetched coefficients), and their published error bounds over their ranges
// (NIST Monograph 175, fetched text). They are no part of a result; a wrong
// digit in one would only cost steps, and would go unseen without this.
func TestApproximateInverses(t *testing.T) {
	for _, c := range checks(t, "tc.inv") {
		e := c.in["E_mV"].(float64)
		c.compare(t, types[c.letter].start(e, -300, 2000))
	}
	for _, c := range checks(t, "tc.inverr") {
		from, to, _ := strings.Cut(c.rest, "_")
		low, high, _ := strings.Cut(c.text, "..")
		tc := types[c.letter]
		lo, hi := number64(t, from), number64(t, to)
		compared := 0
		for x := lo + 0.5; x < hi; x++ {
			if i := tc.inverseAt(tc.EMF(x)); i < 0 || !tc.published(i, x, lo, hi) {
				continue
			}
			compared++
			d := tc.start(tc.EMF(x), -300, 2000) - x
			// The bounds are printed to one or two digits: half of the last is theirs.
			if slack := 0.005; d < number64(t, low)-slack || d > number64(t, high)+slack {
				t.Errorf("%s at %g °C: error %.4f °C outside %s", c.id, x, d, c.text)
			}
		}
		if compared < 100 {
			t.Errorf("%s: compared at %d temperatures only", c.id, compared)
		}
	}
}

func (tc *Thermocouple) inverseAt(e float64) int {
	for i := range tc.inverse {
		if e >= tc.inverse[i].lo && e <= tc.inverse[i].hi {
			return i
		}
	}
	return -1
}

// published tells whether inverse i is the one whose published range is lo to
// hi at x: where two overlap the hotter one is used.
func (tc *Thermocouple) published(i int, x, lo, hi float64) bool {
	return x > lo && x < hi && math.Abs(tc.inverse[i].lo-tc.EMF(lo)) < 0.05
}

// The inverse is exact: from every temperature of the range through the
// reference function and back, to 1e-9 K, and rising everywhere.
func TestInverseIsExact(t *testing.T) {
	for _, l := range Thermocouples() {
		tc := types[l]
		lo, hi := tc.RangeC()
		worst, at := 0.0, 0.0
		for x := lo; x <= hi; x += 0.25 {
			if tc.Seebeck(x) <= 0 {
				t.Fatalf("type %s falls at %g °C", l, x)
			}
			got, ok := tc.Temperature(tc.EMF(x))
			if !ok {
				t.Fatalf("type %s at %g °C: off the table", l, x)
			}
			if d := math.Abs(got-x) * math.Max(tc.Seebeck(x), 1e-3) / 1e-3; d > worst {
				worst, at = d, x
			}
		}
		// At the joins the functions step by up to 7.5e-8 mV (type J, 760 °C).
		if worst > 1e-4 {
			t.Errorf("type %s: %g µV off at %g °C", l, worst, at)
		}
		t.Logf("type %s: %g to %g °C, largest difference %.2g µV at %g °C", l, lo, hi, worst, at)
	}
}

// Off the ends the inverse says so and gives the end.
func TestInverseOffTheTable(t *testing.T) {
	for _, l := range Thermocouples() {
		tc := types[l]
		lo, hi := tc.RangeC()
		for _, c := range []struct {
			e, want float64
			ok      bool
		}{{tc.EMF(lo), lo, true}, {tc.EMF(hi), hi, true}, {tc.EMF(lo) - 0.01, lo, false}, {tc.EMF(hi) + 0.01, hi, false}, {math.Inf(1), hi, false}, {math.Inf(-1), lo, false}} {
			got, ok := tc.Temperature(c.e)
			if got != c.want || ok != c.ok {
				t.Errorf("type %s, %g mV: %g, %v; want %g, %v", l, c.e, got, ok, c.want, c.ok)
			}
		}
		if got, ok := tc.Temperature(math.NaN()); ok || !math.IsNaN(got) {
			t.Errorf("type %s: NaN gives %g, %v", l, got, ok)
		}
		if e := tc.EMF(hi + 1); !math.IsNaN(e) {
			t.Errorf("type %s: %g mV beyond its range", l, e)
		}
	}
}

// R and S: where the published inverse ranges overlap, both give the same
// temperature in the end (NIST Monograph 175: the ranges overlap from 1064 to
// 1200 °C).
func TestOverlappingInversesAgree(t *testing.T) {
	for _, l := range []string{"R", "S"} {
		tc := types[l]
		for x := 1064.5; x < 1200; x += 0.5 {
			e := tc.EMF(x)
			got, _ := tc.Temperature(e)
			colder, _ := tc.inverse[1].at(e)
			if math.Abs(colder-x) > 0.02 || math.Abs(got-x) > 1e-6 {
				t.Errorf("type %s at %g °C: exact %.8f, colder range %.4f", l, x, got, colder)
			}
		}
	}
}

func TestUnknownType(t *testing.T) {
	if _, err := ThermocoupleType("Q"); err == nil || !strings.Contains(err.Error(), "B E J K N R S T") {
		t.Errorf("type Q: %v", err)
	}
}

func FuzzTemperature(f *testing.F) {
	f.Add("K", 16.397)
	f.Add("B", -0.002)
	f.Add("T", -6.25)
	f.Fuzz(func(t *testing.T, letter string, e float64) {
		tc, err := ThermocoupleType(letter)
		if err != nil {
			return
		}
		lo, hi := tc.RangeC()
		x, ok := tc.Temperature(e)
		if ok && !(x >= lo && x <= hi && math.Abs(tc.EMF(x)-e) < 2e-7) {
			t.Errorf("type %s: %g mV gives %g °C, which gives %g mV", letter, e, x, tc.EMF(x))
		}
	})
}

func BenchmarkTemperatureK(b *testing.B) {
	tc := types["K"]
	b.ReportAllocs()
	e, x := 0.0, 0.0
	for b.Loop() {
		if e += 0.37; e > 54 {
			e = -6
		}
		t, _ := tc.Temperature(e)
		x += t
	}
	_ = x
}
