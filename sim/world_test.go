package sim

import (
	"math"
	"os"
	"strings"
	"testing"
)

// TestDefaultWorld: the invented world of the demo. Lots lie in the drawing's
// limits and scatter as they should (common practice, no source).
func TestDefaultWorld(t *testing.T) {
	for seed := uint64(1); seed <= 20; seed++ {
		w := DefaultWorld(seed)
		if len(w.Lots) == 0 {
			t.Fatal("the default plans are not drawn")
		}
		limits := map[string][2]float64{"top vent": {17, 22}, "bottom vent": {25, 32}, "housing": {40, 60}}
		for _, l := range w.Lots {
			sum, sq := 0.0, 0.0
			for _, s := range l.Pieces {
				f := s.Features[0]
				p := f.OpensPa / bar
				if lim := limits[f.Name]; p < lim[0] || p > lim[1] {
					t.Errorf("seed %d: %s opens at %.2f bar, outside %v", seed, s.ID, p, lim)
				}
				if err := s.Check(); err != nil {
					t.Errorf("seed %d: %s: %v", seed, s.ID, err)
				}
				sum += p
				sq += p * p
			}
			n := float64(len(l.Pieces))
			sd := math.Sqrt((sq - sum*sum/n) / (n - 1))
			if want := map[string]float64{"top vent": 0.45, "bottom vent": 0.47, "housing": 1.6}[l.Under]; sd < want*0.4 || sd > want*1.8 {
				t.Errorf("seed %d: lot %s: s is %.2f bar, want about %.2f", seed, l.Name, sd, want)
			}
		}
	}
}

// TestShots: all three features at once, and no piece twice while there are
// others: all lots are done at the same shot. The same for the same seed.
func TestShots(t *testing.T) {
	w := DefaultWorld(5)
	all := 0
	for i := range w.Lots {
		all += len(w.Lots[i].Pieces)
	}
	a, b := w.Shots(all+1), DefaultWorld(5).Shots(all+1)
	if all != 280 || len(a) != all+1 || a[all].ID != a[0].ID {
		t.Fatalf("%d shots of %d pieces, want another beginning after all", len(a), all)
	}
	seen, under := map[string]int{}, map[string]int{}
	for i := range a[:all] {
		if a[i].ID != b[i].ID || a[i].Features[0] != b[i].Features[0] {
			t.Errorf("shot %d differs for the same seed: %s, %s", i, a[i].ID, b[i].ID)
		}
		if _, ok := w.Specimen(a[i].ID); !ok {
			t.Errorf("shot %d: specimen %s is not found", i, a[i].ID)
		}
		if seen[a[i].ID]++; seen[a[i].ID] > 1 {
			t.Errorf("piece %s is shot twice", a[i].ID)
		}
		switch under[a[i].Under]++; i {
		case 2:
			if len(under) != 3 {
				t.Errorf("the first shots are of %v, want all three features", under)
			}
		case all/2 - 1:
			if u := under["bottom vent"]; u < 89 || u > 91 || under["housing"] != 5 {
				t.Errorf("half the shots are %v, want half the pieces of each feature", under)
			}
		}
	}
	named := map[string]int{}
	for _, p := range w.Shots(40, "B-0420", "H-007") {
		named[p.Lot]++
		named[p.ID] = 1
	}
	if named["B-0420"] != 30 || named["H-007"] != 10 || len(named) != 42 {
		t.Errorf("shots of two lots: %v", named)
	}
	if got := w.Shots(3, "none"); got != nil {
		t.Errorf("shots of a lot that isn't there: %v", got)
	}
}

func TestIncidents(t *testing.T) {
	for _, in := range Incidents(3) {
		if err := in.Piece.Check(); err != nil {
			t.Errorf("%s: %v", in.Name, err)
		}
		b := testBench()
		s, err := newStand(&b, standOptions{seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range in.Faults {
			if err := s.cause(&f); err != nil {
				t.Errorf("%s: %v", in.Name, err)
			}
		}
	}
}

func TestWorldFile(t *testing.T) {
	w, err := LoadWorld("../testdata/world/kiln2.toml", 1)
	if err != nil {
		t.Fatal(err)
	}
	if s, ok := w.Specimen("B-0420-30"); !ok || s.Features[0].AreaM2 < 100e-6 || s.Features[0].AreaM2 > 200e-6 {
		t.Errorf("B-0420-30 is %+v, %v", s, ok)
	}
	s, ok := w.Specimen("Z-001")
	if !ok || len(s.Features) != 2 || s.Features[1].OpensPa != 28.8e5 || s.CIDPa != 11e5 || math.Abs(s.BulgePerPa-4e-8) > 1e-20 {
		t.Errorf("Z-001 is %+v, %v", s, ok)
	}
}

// TestWorldErrors: each problem names file, line, field, value and next move,
// and all come at once.
func TestWorldErrors(t *testing.T) {
	good, err := os.ReadFile("../testdata/world/kiln2.toml")
	if err != nil {
		t.Fatal(err)
	}
	change := func(pairs ...string) string { return strings.NewReplacer(pairs...).Replace(string(good)) }
	for _, c := range []struct {
		name, text string
		want       []string
	}{
		{"empty", "", []string{"w.toml:1: lot: there is no lot"}},
		{"unknown key", change("s_bar = 0.45 ", "sbar = 0.45 "), []string{"w.toml:18: lot.sbar: this key is unknown"}},
		{"wrong type", change("pieces = 10\n", "pieces = \"ten\"\n"), []string{"w.toml:57: column 10: lot.pieces: the value has the wrong form"}},
		{"two at once", change("mean_barg = 27.4", "mean_barg = -1", "area_mm2 = [250, 600]", "area_mm2 = [250]"),
			[]string{"w.toml:33: lot.mean_barg: -1 bar: give", "w.toml:62: lot.area_mm2: [250]: give two"}},
		{"outside", change("mean_barg = 19.4", "mean_barg = 29.4"), []string{"lot.mean_barg: 29.4 bar lies outside low_barg 17.1"}},
		{"syntax", change("s_bar = 0.45 ", "s_bar 0.45 "), []string{"w.toml:18: column", "correct the line"}},
		{"twice", change(`"B-0420"`, `"B-0410"`), []string{`lot.name: "B-0410" is empty or there twice`}},
		{"feature", change(`feature = "housing"`, `feature = "lid"`), []string{`w.toml:56: lot.feature: "lid" with event ""`}},
		{"specimen", change("opens_barg = 28.8", "opens_barg = 0"), []string{"specimen Z-001: feature 1 \"bottom vent\": it opens at 0 Pa"}},
		{"percent", change("partial_percent = 15 ", "partial_percent = 150 "), []string{"lot.partial_percent: 150 %: give 0 to 100"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParseWorld("w.toml", []byte(c.text), 1)
			if err == nil {
				t.Fatal("no error")
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("error %q does not say %q", err, w)
				}
			}
		})
	}
}

// FuzzParseWorld: whatever the text, there is a world whose pieces are sound
// and found, or an error that names the file.
func FuzzParseWorld(f *testing.F) {
	if good, err := os.ReadFile("../testdata/world/kiln2.toml"); err == nil {
		f.Add(string(good))
	}
	f.Add("[[lot]]\nname = \"A\"\nfeature = \"housing\"\npieces = 2\nmean_barg = 40\nwidth_ms = [1, 1]\narea_mm2 = [1, 2]\n")
	if good, err := os.ReadFile("../testdata/world/oven3.toml"); err == nil {
		f.Add(string(good))
	}
	f.Add("[[specimen]]\nid = \"A\"\n[[specimen]]\nid = \"A\"\n")
	f.Add("lot = 3\n[[")
	f.Fuzz(func(t *testing.T, text string) {
		w, err := ParseWorld("w.toml", []byte(text), 1)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "w.toml") {
				t.Fatalf("error %q does not name the file", err)
			}
			return
		}
		for _, l := range w.Lots {
			for _, p := range l.Pieces {
				if got, ok := w.Specimen(p.ID); !ok || got.ID != p.ID || p.Check() != nil {
					t.Fatalf("piece %q: found %v, %v", p.ID, ok, p.Check())
				}
			}
		}
	})
}
