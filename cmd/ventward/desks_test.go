package main

import (
	"context"
	"errors"
	"math"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ventward/config"
	"ventward/dashboard"
)

func fieldsOf(t *testing.T, err error) map[string]string {
	t.Helper()
	var all dashboard.FieldProblems
	if !errors.As(err, &all) {
		t.Fatalf("%v names no fields", err)
	}
	out := map[string]string{}
	for _, p := range all {
		out[p.Field] = p.Next
	}
	return out
}

// The calculators give what the command line gives, and name wrong inputs.
func TestCalculatorsAnswerAsTheCommandLine(t *testing.T) {
	d := &estimatesDesk{}
	got, err := d.Energy(t.Context(), map[string]any{"pressure_barg": "40", "volume_ml": 50.0, "gas": "N2"})
	if err != nil {
		t.Fatal(err)
	}
	want, err := (&energyOptions{barg: 40, ml: 50, gas: "N2"}).energy()
	if err != nil || got.(*energyAnswer).EnergyJ != want.EnergyJ || len(got.(*energyAnswer).Readings) < 2 {
		t.Errorf("%+v, want %+v, %v", got, want, err)
	}
	a, err := d.Area(t.Context(), map[string]any{"rate_mol_s": 0.3, "pressure_barg": 20.0, "temperature_K": 1000.0, "molar_mass_g": 26.0, "gamma": 1.25, "cd": 0.8})
	if err != nil {
		t.Fatal(err)
	}
	// 0.3 mol/s of 26 g/mol choked at 21.01325 bar and 1000 K: m = C_d A p sqrt(g M/(R T)) (2/(g+1))^((g+1)/(2(g-1))).
	g, M, T, p := 1.25, 26e-3, 1000.0, 21.01325e5
	area := 0.3 * M / (0.8 * p * math.Sqrt(g*M/(8.314462618*T)) * math.Pow(2/(g+1), (g+1)/(2*(g-1)))) * 1e6
	if x := a.(*areaAnswer); math.Abs(x.AreaMM2/area-1) > 1e-9 || !x.Choked {
		t.Errorf("%+v, want %g mm2 choked", x, area)
	}
	_, err = d.Energy(t.Context(), map[string]any{"pressure_barg": "12,5", "gas": "steam", "colour": "red", "volume_u_ml": -1.0})
	bad := fieldsOf(t, err)
	for field, word := range map[string]string{"pressure_barg": "comma", "volume_ml": "missing", "gas": "N2", "colour": "not asked for", "volume_u_ml": "from 0"} {
		if !strings.Contains(bad[field], word) {
			t.Errorf("%s: %q lacks %q", field, bad[field], word)
		}
	}
	for _, in := range []map[string]any{
		{"rate_mol_s": 0.3, "pressure_barg": 1.0, "temperature_K": 300.0, "molar_mass_g": 28.0, "gamma": 1.4, "back_pressure_bara": 5.0},
		{"rate_mol_s": "0x1p3", "pressure_barg": 1.0, "temperature_K": "NaN", "molar_mass_g": true, "gamma": 1.4},
	} {
		if _, err := d.Area(t.Context(), in); len(fieldsOf(t, err)) == 0 {
			t.Errorf("%v passes", in)
		}
	}
}

// The can's figures are those of the command line; what is missing is told by
// the field's name, not by a flag's.
func TestMechanicsAnswersAsTheCommandLine(t *testing.T) {
	d := &estimatesDesk{}
	got, err := d.Mechanics(t.Context(), map[string]any{"pressure_barg": "40", "diameter_mm": 21.0, "wall_mm": 0.25, "tensile_mpa": 400.0, "score_radius_mm": 7.0, "residual_um": 85.0})
	if err != nil {
		t.Fatal(err)
	}
	want, err := (&mechanicsOptions{barg: 40, diameter: 21, wall: 0.25, tensile: 400, scoreRadius: 7, residual: 85, hot: 1, modulus: 205, poisson: 0.3}).answer()
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v, %v", got, want, err)
	}
	for field, in := range map[string]map[string]any{
		"tensile_mpa": {"pressure_barg": 40.0, "diameter_mm": 21.0, "wall_mm": 0.25, "yield_mpa": 500.0},
		"header_mm":   {"pressure_barg": 40.0, "diameter_mm": 21.0, "wall_mm": 0.25, "crimp_n_per_mm": 50.0},
		"wall_mm":     {"pressure_barg": 40.0, "diameter_mm": 21.0},
	} {
		_, err := d.Mechanics(t.Context(), in)
		if why := fieldsOf(t, err)[field]; why == "" || strings.Contains(why, "--") {
			t.Errorf("%s: %q of %v", field, why, err)
		}
	}
	if _, err := d.Mechanics(t.Context(), map[string]any{"pressure_barg": 40.0, "diameter_mm": 21.0, "wall_mm": 12.0}); err == nil {
		t.Error("a wall thicker than the can is wide passes")
	}
}

// working starts a desk and its backroom.
func working(t *testing.T, late func() bool) *estimatesDesk {
	room := newBackroom()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { room.run(ctx); close(ended) }()
	d := &estimatesDesk{room: room, late: late}
	t.Cleanup(func() { d.stop(); stop(); <-ended })
	return d
}

func until(t *testing.T, d *estimatesDesk, id string, ok func(dashboard.Job) bool) dashboard.Job {
	t.Helper()
	for range 6000 {
		if j, known := d.Job(id); known && ok(j) {
			return j
		}
		time.Sleep(10 * time.Millisecond)
	}
	j, known := d.Job(id)
	t.Fatalf("job %s: %+v, known %v", id, j, known)
	return j
}

// smallCase is the example without slices: quick.
func smallCase() string {
	text := string(config.ExampleCase())
	from, to := strings.Index(text, "\n[inside]"), strings.Index(text, "\n[uncertainty]")
	return text[:from] + text[to:strings.Index(text, "\n[[option]]")]
}

func TestVentingJobRunsAndReports(t *testing.T) {
	d := working(t, func() bool { return false })
	j, err := d.Start(t.Context(), dashboard.VentingAsk{Case: smallCase(), Trials: 20, Seed: 1, Confidence: 0.95, Compare: true})
	if err != nil || j.ID == "" {
		t.Fatal(j, err)
	}
	j = until(t, d, j.ID, func(j dashboard.Job) bool { return j.State == dashboard.JobDone })
	if j.Part != 1 || j.Document == nil || len(j.Document.Cautions) == 0 || !strings.Contains(j.Document.Title, "estimate only") {
		t.Errorf("%+v", j)
	}
	figures := 0
	for _, s := range j.Document.Sections {
		for _, b := range s.Blocks {
			if b.Figure != nil {
				figures++
			}
		}
	}
	if figures < 3 {
		t.Errorf("%d figures, want pressure, open fraction and comparison", figures)
	}
}

// A job waits for a late loop, is cancelled in mid-work, and only so many wait.
func TestVentingJobsAreBoundedAndCancelled(t *testing.T) {
	var late atomic.Bool
	late.Store(true)
	d := working(t, late.Load)
	var ids []string
	full := 0
	for range backroomQueue + 4 {
		j, err := d.Start(t.Context(), dashboard.VentingAsk{Case: smallCase(), Trials: 20000, Seed: 1, Confidence: 0.95})
		if err != nil {
			full++
			continue
		}
		ids = append(ids, j.ID)
	}
	if len(ids) != jobsKept || full != backroomQueue+4-jobsKept {
		t.Errorf("%d taken, %d refused, want %d taken", len(ids), full, jobsKept)
	}
	if _, ok := d.Job(ids[0]); !ok {
		t.Error("a job was forgotten before its end")
	}
	last := ids[len(ids)-1]
	if j, ok := d.Cancel(last); !ok || j.State != dashboard.JobCancelled {
		t.Errorf("cancelled while waiting: %+v %v", j, ok)
	}
	first := ids[0]
	until(t, d, first, func(j dashboard.Job) bool {
		return j.Held || j.State == dashboard.JobCancelled || j.State == dashboard.JobRunning
	})
	for _, id := range ids {
		d.Cancel(id)
	}
	until(t, d, first, func(j dashboard.Job) bool { return j.State == dashboard.JobCancelled })
	if _, ok := d.Cancel("none"); ok {
		t.Error("an unknown job was cancelled")
	}
}

func TestVentingJobNamesWrongFields(t *testing.T) {
	d := working(t, func() bool { return false })
	_, err := d.Start(t.Context(), dashboard.VentingAsk{Case: "name = \"x\"\n[cell]\nfree_volume_ml = -3\ncolour = \"red\"\n", Confidence: 0.95})
	bad := fieldsOf(t, err)
	lines := 0
	for field := range bad {
		if strings.HasPrefix(field, "line ") {
			lines++
		}
	}
	if lines < 2 || len(bad) < 4 {
		t.Errorf("%v", bad)
	}
}

// A question that nobody waits for is not worked on.
func TestBackroomDropsWhatNobodyWaitsFor(t *testing.T) {
	room := newBackroom()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	worked := false
	if _, err := ask(ctx, room, func() (int, error) { worked = true; return 1, nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	for range backroomQueue - 1 {
		if err := room.post(func() {}); err != nil {
			t.Fatal(err)
		}
	}
	if err := room.post(func() {}); err == nil {
		t.Error("the queue has no bound")
	}
	stopped, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { room.run(stopped); close(ended) }()
	n, err := 0, errors.New("full")
	for err != nil {
		n, err = ask(context.Background(), room, func() (int, error) { return 7, nil })
	}
	stop()
	<-ended
	if n != 7 || worked {
		t.Errorf("answer %d, worked %v", n, worked)
	}
}

// The page's example is the one that the command line's tests use.
func TestExampleCaseIsTheOneTested(t *testing.T) {
	if _, err := config.ParseVentingCase("case.toml", config.ExampleCase()); err != nil {
		t.Error(err)
	}
	k, err := config.VentingCase(estimateCase)
	if err != nil {
		t.Fatal(err)
	}
	if e, err := config.ParseVentingCase("case.toml", config.ExampleCase()); err != nil || e.Name != k.Name || e.Venting.FreeVolume != k.Venting.FreeVolume || len(e.Options) != len(k.Options) {
		t.Errorf("they differ: %v", err)
	}
}
