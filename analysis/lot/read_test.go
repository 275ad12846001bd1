package lot_test

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ventward/analysis/lot"
	"ventward/record/sheet"
)

const header = "lot,shot,feature,pressure_barg"

func TestReadShots(t *testing.T) {
	text := "\ufeff" + header + ",status,reason,residual_um,die,strokes,medium,ramp_bar_s,temperature_C,trigger,surrounding,note\r\n" +
		"B-1,1,Bottom Vent,27.41,,,38.5,D2,1200,N2,1.02,22.8,,,fine\r\n" +
		"B-1,2,bottom vent,,invalid,\"torn, outside the score\",,,,,,,,,\r\n" +
		",,,,,,,,,,,,,,\r\n" +
		"B-1,3,bottom vent,29.8,saturated,,,,,,,,,,\r\n" +
		"B-1,4,bottom vent,0,aborted,,,,,,,,heater,module,\r\n"
	shots, ignored, err := lot.ReadShots(strings.NewReader(text), "shots.csv")
	if err != nil {
		t.Fatal(err)
	}
	if len(ignored) != 1 || ignored[0] != "note" {
		t.Errorf("ignored %v, want [note]", ignored)
	}
	if len(shots) != 4 {
		t.Fatalf("%d shots, want 4: a row without content is none", len(shots))
	}
	a := shots[0]
	if a.Feature != lot.BottomVent || a.Status != lot.Valid || math.Abs(a.PressurePa-27.41e5) > 1e-6 || math.Abs(*a.ResidualM-38.5e-6) > 1e-15 || *a.Strokes != 1200 ||
		math.Abs(*a.RampPaS-1.02e5) > 1e-6 || *a.TemperatureC != 22.8 || a.Die != "D2" || a.Line != 2 {
		t.Errorf("first shot %+v", a)
	}
	if b := shots[1]; b.Status != lot.Invalid || b.Reason != "torn, outside the score" || !math.IsNaN(b.PressurePa) {
		t.Errorf("invalid shot %+v", b)
	}
	if c := shots[3]; c.Status != lot.Aborted || c.Trigger != "heater" || c.Surrounding != "module" || c.Line != 6 {
		t.Errorf("last shot %+v", c)
	}
}

// Every way of damaging a list names file, line, field, value and the next
// move.
func TestReadShotsRefuses(t *testing.T) {
	row := header + "\nB-1,1,top vent,19\n"
	for name, c := range map[string]struct {
		text string
		line int
		want string
	}{
		"empty":            {"", 1, "export it with a header row"},
		"header only":      {header + "\n", 2, "no shot follows"},
		"missing column":   {"lot,shot,feature\nB-1,1,top vent\n", 1, "pressure_barg"},
		"other unit":       {"lot,shot,feature,pressure_psi\nB-1,1,top vent,280\n", 1, "convert the values"},
		"column twice":     {header + ",die,die\nB-1,1,top vent,19,a,b\n", 1, "twice"},
		"semicolons":       {"lot;shot;feature;pressure_barg\nB-1;1;top vent;19,2\n", 1, "semicolons"},
		"ragged":           {row + "B-1,2,top vent\n", 3, "3 cells where the header has 4"},
		"text":             {row + "B-1,2,top vent,high\n", 3, "not a plain decimal number"},
		"hex":              {row + "B-1,2,top vent,0x13\n", 3, "not a plain decimal number"},
		"infinite":         {row + "B-1,2,top vent,Inf\n", 3, "not a plain decimal number"},
		"underscore":       {row + "B-1,2,top vent,1_9\n", 3, "not a plain decimal number"},
		"huge exponent":    {row + "B-1,2,top vent,1e999\n", 3, "plain decimal"},
		"unit in cell":     {row + "B-1,2,top vent,19 bar\n", 3, "remove units"},
		"decimal comma":    {row + "B-1,2,top vent,\"19,2\"\n", 3, "decimal point as a point"},
		"pascal":           {row + "B-1,2,top vent,1900000\n", 3, "bar gauge"},
		"zero":             {row + "B-1,2,top vent,0\n", 3, "above zero"},
		"negative":         {row + "B-1,2,top vent,-3\n", 3, "above zero"},
		"no pressure":      {row + "B-1,2,top vent,\n", 3, "fill it in"},
		"no lot":           {row + ",2,top vent,19\n", 3, "fill it in"},
		"same shot twice":  {row + "B-1,1,top vent,19.4\n", 3, "stands in line 2 already"},
		"unknown status":   {header + ",status\nB-1,1,top vent,19,good\n", 2, "use valid, invalid, saturated"},
		"negative strokes": {header + ",strokes\nB-1,1,top vent,19,-4\n", 2, "give a number from 0"},
		"binary":           {row + "B-1,2,top\x00vent,19\n", 3, "not UTF-8"},
		"latin-1":          {row + "B-1,2,top vent \xe9,19\n", 3, "not UTF-8"},
		"open quote":       {row + "B-1,2,\"top vent,19\n", 3, "not readable as CSV"},
	} {
		_, _, err := lot.ReadShots(strings.NewReader(c.text), "shots.csv")
		var p sheet.Problems
		if !errors.As(err, &p) {
			t.Errorf("%s: %v, want problems", name, err)
			continue
		}
		if p[0].File != "shots.csv" || p[0].Line != c.line || !strings.Contains(p.Error(), c.want) {
			t.Errorf("%s: %q at line %d, want %q at line %d", name, p.Error(), p[0].Line, c.want, c.line)
		}
	}
}

func TestReadShotsReportsAllAtOnce(t *testing.T) {
	text := header + "\nB-1,1,top vent,x\nB-1,2,top vent,y\n,3,top vent,19\n"
	_, _, err := lot.ReadShots(strings.NewReader(text), "shots.csv")
	if p := (sheet.Problems{}); !errors.As(err, &p) || len(p) != 3 {
		t.Errorf("%v, want three problems", err)
	}
	_, _, err = lot.ReadShots(strings.NewReader(header+"\n"+strings.Repeat("B-1,1,top vent,x\n", 1000)), "shots.csv")
	if p := (sheet.Problems{}); !errors.As(err, &p) || len(p) != 21 {
		t.Errorf("%d problems, want them bounded at 20 and a word that there are more", len(p))
	}
}

func TestReadLimits(t *testing.T) {
	f, err := os.Open(filepath.Join(testdata, "limits.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	l, err := lot.ReadLimits(f, "limits.csv")
	if err != nil {
		t.Fatal(err)
	}
	if h := l[lot.Housing]; h.Low == nil || *h.Low != 40e5 || h.High != nil {
		t.Errorf("housing %+v, want at least 40 bar", h)
	}
	if b := l[lot.BottomVent]; !b.Both() || !b.Holds(25e5) || !b.Holds(32e5) || b.Holds(24.99e5) {
		t.Errorf("bottom vent %+v", b)
	}
	for name, c := range map[string]string{
		"twice":   "feature,low_barg,high_barg\ntop vent,17,22\ntop vent,17,23\n",
		"upside":  "feature,low_barg,high_barg\ntop vent,22,17\n",
		"neither": "feature,low_barg,high_barg\ntop vent,,\n",
		"none":    "feature,low_barg,high_barg\n",
		"text":    "feature,low_barg,high_barg\ntop vent,17 bar,\n",
	} {
		if _, err := lot.ReadLimits(strings.NewReader(c), "limits.csv"); err == nil || !strings.Contains(err.Error(), "limits.csv:") {
			t.Errorf("%s: %v, want a problem with its place", name, err)
		}
	}
}

// FuzzReadShots: whatever comes in, there is either a list that keeps the
// rules or problems that say where.
func FuzzReadShots(f *testing.F) {
	f.Add([]byte(header + "\nB-1,1,top vent,19\n"))
	f.Add([]byte(header + ",status,ramp_bar_s\nB-1,1,top vent,,invalid,1\nB-1,2,housing,44,aborted,\n"))
	f.Add([]byte("\ufeff" + header + "\r\n\"B\"\"1\",1,top vent,1e1\r\n"))
	f.Add([]byte("lot;shot\n\x00"))
	f.Fuzz(func(t *testing.T, body []byte) {
		shots, _, err := lot.ReadShots(strings.NewReader(string(body)), "f.csv")
		if err != nil {
			var p sheet.Problems
			if !errors.As(err, &p) || len(p) == 0 || p[0].Line < 1 || p[0].Next == "" {
				t.Fatalf("%v: want problems with a place and a next move", err)
			}
			return
		}
		seen := map[[3]string]bool{}
		for _, s := range shots {
			k := [3]string{s.Lot, s.ID, s.Feature}
			if s.Lot == "" || s.ID == "" || s.Feature == "" || seen[k] {
				t.Fatalf("shot %+v: incomplete or there twice", s)
			}
			seen[k] = true
			if s.Status == lot.Valid && !(s.PressurePa > 0 && s.PressurePa <= 1e10) || s.Status != lot.Invalid && math.IsNaN(s.PressurePa) {
				t.Fatalf("shot %+v: not a pressure", s)
			}
		}
		for _, g := range lot.Split(shots, nil) {
			lot.Describe(g, lot.Limits{}, lot.Statement{Confidence: 0.95, Coverage: 0.99})
			if len(shots) > 40 {
				break
			}
		}
	})
}
