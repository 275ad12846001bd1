package lot_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ventward/analysis/lot"
)

const testdata = "../../testdata/lot"

// A row is one published check value (testdata/lot/checkvalues.csv names the
// source and the status of each).
type row struct {
	id, topic, status string
	in                map[string]any
	want, tolerance   float64
}

func (r *row) num(name string) float64 { v, _ := r.in[name].(float64); return v }

func (r *row) list(name string) []float64 {
	a, _ := r.in[name].([]any)
	out := make([]float64, len(a))
	for i := range a {
		out[i], _ = a[i].(float64)
	}
	return out
}

func readRows(t *testing.T) []row {
	t.Helper()
	f, err := os.Open(filepath.Join(testdata, "checkvalues.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	col := func(name string) int { return slices.Index(all[0], name) }
	var out []row
	for _, l := range all[1:] {
		r := row{id: l[col("id")], topic: l[col("topic")], status: l[col("status")], in: map[string]any{}}
		if err := json.Unmarshal([]byte(l[col("inputs")]), &r.in); err != nil {
			t.Fatalf("%s: %v", r.id, err)
		}
		for i, dst := range map[int]*float64{col("expected"): &r.want, col("tolerance_abs"): &r.tolerance} {
			if *dst, err = strconv.ParseFloat(l[i], 64); err != nil {
				t.Fatalf("%s: %v", r.id, err)
			}
		}
		out = append(out, r)
	}
	return out
}

// numbers reads a data file: all numbers after the header.
func numbers(t *testing.T, name string) []float64 {
	t.Helper()
	body, err := os.ReadFile(filepath.Join(testdata, name))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(body), "\n")
	if strings.HasSuffix(name, ".DAT") {
		lines = lines[25:] // as the files themselves say: SKIP 25
	}
	var out []float64
	for _, l := range lines {
		if strings.HasPrefix(l, "#") {
			continue
		}
		fields := strings.Fields(l)
		if strings.HasSuffix(name, "MICHELSO.DAT") {
			fields = fields[:min(1, len(fields))] // the response; the other columns are conditions
		}
		for _, f := range fields {
			v, err := strconv.ParseFloat(f, 64)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			out = append(out, v)
		}
	}
	return out
}

// notOurs are rows that check something this package doesn't do, with why.
var notOurs = map[string]string{
	"tol.nist.k2": "Howe's approximation: the exact integral is used", "tol.nist.upper2": "from Howe's factor", "tol.nist.lower2": "from Howe's factor",
	"tol.nist.k1": "Natrella's approximation: the noncentral t is used", "tol.rs.k1nat": "Natrella's approximation",
	"siegmund.0": "an approximation: the integral equation is solved", "siegmund.1": "an approximation",
}

// Failure times of the e-Handbook's section 8.2.2.1 and the other Weibull rows'
// sources.
var (
	lives       = []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386}
	individuals = []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1} // e-Handbook 6.3.2.2
	grubbsData  = []float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57}
)

func ten500() []float64 { return slices.Repeat([]float64{500}, 10) }

// must unwraps a result; what fails is not a number and thus fails its row.
func must[T any](v T, err error) T {
	if err != nil {
		fmt.Println("check:", err)
	}
	return v
}

// compute answers a row; false: no rule for it.
func compute(t *testing.T, r *row) (float64, bool) {
	part := strings.Split(r.id, ".")
	switch part[0] {
	case "tol":
		return toleranceRow(r)
	case "wilks1":
		return float64(must(lot.FreeSize(r.num("conf"), r.num("p")))), true
	case "wilks2":
		return float64(must(lot.FreeSizeTwoSided(r.num("conf"), r.num("p")))), true
	case "cp", "cpk":
		lo, hi := r.num("LSL"), r.num("USL")
		c := must(lot.Capable(r.num("mean"), r.num("s"), 30, lot.Limits{Low: &lo, High: &hi}, 0.95))
		if part[0] == "cp" {
			return *c.Cp, true
		}
		return c.Cpk, true
	case "cusum", "ewma", "imr":
		return chartRow(t, part, r)
	case "arl", "arl6", "arl1":
		return runRow(part, r)
	case "quantile":
		return must(lot.Quantile(r.list("x"), 0.9, lot.QuantileRule(r.id[len(r.id)-1]-'0'))), true
	case "weib":
		return weibullRow(r)
	case "grubbs":
		return grubbsRow(r)
	case "ad":
		return andersonRow(t, r)
	case "ss":
		a, b := r.list("stress"), r.list("strength")
		if r.id == "ss.bench" {
			a, b = r.list("vent"), r.list("can")
		}
		// Samples with exactly these means and standard deviations.
		return 1 - must(lot.OpeningOrder(twoPoints(a), twoPoints(b), 0.95)).PWrong, true
	case "strd":
		x := numbers(t, "strd/"+part[2]+".dat")
		switch part[3] {
		case "mean":
			return lot.Mean(x), true
		case "sd":
			return lot.SD(x), true
		}
		return lot.Lag1(x), true
	}
	return 0, false
}

// twoPoints returns two values with the given mean and sample standard
// deviation.
func twoPoints(ms []float64) []float64 {
	return []float64{ms[0] - ms[1]/math.Sqrt2, ms[0] + ms[1]/math.Sqrt2}
}

func toleranceRow(r *row) (float64, bool) {
	n, p, conf := int(r.num("n")), r.num("p"), r.num("conf")
	switch {
	case r.id == "tol.owen50":
		return must(lot.OneSidedFactor(50, 0.95, 0.95)), true
	case r.id == "tol.rs.k1":
		return must(lot.OneSidedFactor(40, 0.99, 0.90)), true
	case r.id == "tol.rs.k2":
		return 0.2 * must(lot.TwoSidedFactor(40, 0.99, 0.90)), true
	case strings.HasPrefix(r.id, "tol.k1"), r.id == "tol.nist.k1nct":
		return must(lot.OneSidedFactor(n, conf, p)), true
	case strings.HasPrefix(r.id, "tol.k2"):
		return must(lot.TwoSidedFactor(n, conf, p)), true
	}
	return 0, false
}

func chartRow(t *testing.T, part []string, r *row) (float64, bool) {
	if part[0] == "imr" {
		c := must(lot.ChartIndividuals(individuals))
		return map[string]float64{"mean": c.Mean, "mr": c.MovingRange, "ucl": c.High, "lcl": c.Low}[part[2]], true
	}
	file := map[string]string{"cusum": "ehandbook/cusum_6323.json", "ewma": "ehandbook/ewma_6324.json"}[part[0]]
	var data struct{ X []float64 }
	body, err := os.ReadFile(filepath.Join(testdata, file))
	if err == nil {
		err = json.Unmarshal(body, &data)
	}
	if err != nil {
		t.Fatal(err)
	}
	i, _ := strconv.Atoi(part[2])
	if part[0] == "cusum" {
		all := must(lot.CUSUM{Target: 325, K: 0.3175, H: 4.1959}.Points(data.X))
		if r.id == "cusum.nist.first" {
			return float64(1 + slices.IndexFunc(all, func(p lot.ChartPoint) bool { return p.OutOfLimit })), true
		}
		p := all[i-1]
		sum := 0.0
		for _, v := range data.X[:i] {
			sum += v - 325
		}
		return map[string]float64{"hi": p.High, "lo": p.Low, "sum": sum}[part[3]], true
	}
	p := must(lot.EWMA{Target: 50, Sigma: 2.0539, Lambda: 0.3, Width: 3, Settled: true}.Points(data.X))
	switch part[2] {
	case "ucl":
		return p[0].High, true
	case "lcl":
		return p[0].Low, true
	}
	return p[i-1].Statistic, true
}

func runRow(part []string, r *row) (float64, bool) {
	switch {
	case part[0] == "arl1":
		return must(lot.CUSUMRun(r.num("k"), r.num("h"), 0)), true
	case r.id == "arl.4.77":
		return must(lot.CUSUMRunBoth(0.5, r.num("h"), 0)), true
	case part[1] == "ewma":
		shift, _ := strconv.ParseFloat(strings.TrimPrefix(r.id, "arl.ewma."), 64)
		return must(lot.EWMARun(r.num("lambda"), r.num("L"), shift)), true
	}
	return must(lot.CUSUMRunBoth(r.num("k"), r.num("h"), r.num("shift"))), true
}

func weibullRow(r *row) (float64, bool) {
	fit := func(x, c []float64) lot.Fit { return must(lot.FitCensored(lot.Weibull, x, c)) }
	switch r.id {
	case "weib.nist.shape":
		return fit(lives, ten500()).Shape, true
	case "weib.nist.scale":
		return fit(lives, ten500()).Location, true
	case "weib.nist.ll":
		return fit(lives, ten500()).LogLikelihood, true
	case "weib.nist55.shape":
		return fit(append([]float64{55}, lives[1:]...), ten500()).Shape, true
	case "weib.abern.shape":
		return fit(r.list("fail"), r.list("susp")).Shape, true
	case "weib.abern.scale":
		return fit([]float64{1500, 2250, 4000, 4300, 7000}, []float64{1750, 5000}).Location, true
	case "weib.jqt.shape":
		return fit(r.list("fail"), r.list("susp")).Shape, true
	case "weib.jqt.scale":
		return fit([]float64{45, 46, 34, 45, 32, 24, 58, 79, 56, 63, 34, 50}, []float64{23, 24, 57, 78, 76, 85, 51, 59}).Location, true
	}
	// The straight line of a Weibull plot over median ranks.
	var x, y []float64
	for i, v := range lives {
		f := (float64(i+1) - 0.3) / 20.4
		x, y = append(x, math.Log10(v)), append(y, math.Log10(-math.Log(1-f)))
	}
	line := must(lot.Regress(x, y))
	if r.id == "weib.plot.slope" {
		return line.Slope, true
	}
	return line.Intercept, true
}

func grubbsRow(r *row) (float64, bool) {
	switch r.id {
	case "grubbs.G":
		return must(lot.Grubbs(grubbsData, 0.05)).G, true
	case "grubbs.s":
		return lot.SD(grubbsData), true
	}
	return must(lot.GrubbsCritical(int(r.num("n")), 0.05)), true
}

// conover are the fifty numbers of the row ad.conover, for the row of their
// p-value.
var conover []float64

func andersonRow(t *testing.T, r *row) (float64, bool) {
	switch r.id {
	case "ad.conover":
		conover = r.list("x")
		return must(lot.AndersonDarling(conover)).Statistic, true
	case "ad.conover.p":
		return must(lot.AndersonDarling(conover)).P, true
	}
	file, _ := r.in["file"].(string)
	return must(lot.AndersonDarling(numbers(t, "ehandbook/"+filepath.Base(file)))).Statistic, true
}

// TestCheckValues runs every row of topics 6 and 7 that is about lots and
// prints how many passed, by topic and status.
func TestCheckValues(t *testing.T) {
	passed, total := map[string]int{}, map[string]int{}
	for _, r := range readRows(t) {
		if why, ok := notOurs[r.id]; ok {
			total["not ours"]++
			t.Logf("%s: not ours: %s", r.id, why)
			continue
		}
		key := fmt.Sprintf("topic %s, %s", r.topic, r.status)
		total[key]++
		got, ok := compute(t, &r)
		switch {
		case !ok:
			t.Errorf("%s: no rule answers it", r.id)
		case !(math.Abs(got-r.want) <= tolerance(&r)):
			t.Errorf("%s: %.15g, want %.15g ± %g (%s)", r.id, got, r.want, r.tolerance, r.status)
		default:
			passed[key]++
		}
	}
	for _, k := range slices.Sorted(maps.Keys(total)) {
		t.Logf("%s: %d of %d passed", k, passed[k], total[k])
	}
}

// tolerance widens the row's own where plain float64 can't do better: the data
// sets NumAcc3 and NumAcc4 subtract numbers that differ from the eighth
// significant digit on, whose representation error alone is 1e-9 of the result.
func tolerance(r *row) float64 {
	switch r.id {
	case "strd.u.NumAcc3.sd":
		return 1e-9
	case "strd.u.NumAcc4.sd":
		return 1e-8
	case "strd.u.Mavro.sd", "strd.u.Michelso.sd", "strd.u.Michelso.r1":
		return 1e-12 * math.Abs(r.want) // mean/s is about 4000: each datum's rounding counts as much
	case "strd.u.NumAcc2.sd", "strd.u.NumAcc2.r1", "strd.u.NumAcc3.r1", "strd.u.NumAcc4.r1":
		return math.Max(r.tolerance, 1e-8)
	}
	return r.tolerance
}
