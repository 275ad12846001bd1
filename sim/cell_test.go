package sim

import (
	"math"
	"testing"
)

// heated plays a cell on the heater until limit (s) after the start; the
// heater goes off with the runaway.
func heated(t *testing.T, p *Specimen, limit float64) (*rig, []Truth) {
	t.Helper()
	if err := p.Check(); err != nil {
		t.Fatal(err)
	}
	r, err := newRig(Fixture{Runaway: true})
	if err != nil {
		t.Fatal(err)
	}
	r.take(p)
	r.heater = true
	const dt = 1e-3
	var all []Truth
	for i := 0; r.t < limit; i++ {
		r.step(dt)
		r.t = float64(i+1) * dt
		for _, h := range r.takeTruth() {
			all = append(all, h)
			if h.Event == "runaway" {
				r.heater = false
			}
		}
	}
	return r, all
}

func find(all []Truth, event string) *Truth {
	for i := range all {
		if all[i].Event == event {
			return &all[i]
		}
	}
	return nil
}

// The course of a runaway on the heater, in the trade's order: the current
// interrupt device, first venting, self-heating on the way, runaway; gas and
// temperatures in the range that was published for cells of this kind: 0.27 mol
// from 2.6 Ah and up to 850 °C (Golubkov et al., RSC Adv. 4 (2014) 3633, fetched
// abstract; the capacity from memory).
func TestCourseOfARunaway(t *testing.T) {
	const seed = 11
	t.Logf("seed %d", seed)
	for _, p := range RunawayWorld(seed).CellShots(4) {
		r, all := heated(t, &p, 380)
		cid, vent, self, ran := find(all, "continuity-loss"), find(all, "first-venting"), find(all, "self-heating"), find(all, "runaway")
		if cid == nil || vent == nil || self == nil || ran == nil {
			t.Errorf("%s: something of the course is missing: %+v", p.ID, all)
			continue
		}
		if !(cid.OnsetNS < vent.OnsetNS && vent.OnsetNS < ran.OnsetNS && self.OnsetNS < ran.OnsetNS) {
			t.Errorf("%s: order: CID %d, venting %d, self-heating %d, runaway %d", p.ID, cid.OnsetNS, vent.OnsetNS, self.OnsetNS, ran.OnsetNS)
		}
		x := r.results()
		if perAh := x.GasMol / x.CapacityAh; perAh < 0.06 || perAh > 0.13 || x.PeakC < 400 || x.PeakC > 900 {
			t.Errorf("%s: %.3f mol/Ah, %.0f °C", p.ID, perAh, x.PeakC)
		}
		if x.PeakPa < 4e5 || x.PeakPa > 14e5 || x.PressureMaxPaS < 1e5 || x.PressureMaxPaS > 1e7 {
			t.Errorf("%s: peak %.2f bar, (dp/dt)max %.1f bar/s", p.ID, x.PeakPa/bar, x.PressureMaxPaS/bar)
		}
		t.Logf("%s: self-heating %.1f s, venting %.1f s, runaway %.1f s, %.3f mol, peak %.2f bar, %.1f bar/s, %.0f °C", p.ID,
			float64(self.OnsetNS)*1e-9, float64(vent.OnsetNS)*1e-9, float64(ran.OnsetNS)*1e-9, x.GasMol, x.PeakPa/bar, x.PressureMaxPaS/bar, x.PeakC)
	}
}

// What the cell gave is what the ideal gas law finds in the vessel once it has
// settled: amounts are conserved.
func TestVesselKeepsWhatTheCellGave(t *testing.T) {
	p := RunawayWorld(3).CellShots(1)[0]
	r, _ := heated(t, &p, 330)
	n := r.p * r.v / (molarR * r.temp)
	before := r.ambient * r.v / (molarR * r.wall)
	if math.Abs(n-before-r.cell.given) > 1e-6*n {
		t.Errorf("%.6f mol in the vessel, %.6f before, the cell gave %.6f", n, before, r.cell.given)
	}
}

func TestCellWithoutChargeDoesNotRunAway(t *testing.T) {
	p := RunawayWorld(3).CellShots(1)[0]
	c := *p.Cell
	c.Tame = true
	p.Cell = &c
	r, all := heated(t, &p, 330)
	if find(all, "runaway") != nil || r.cell.skin > 250+kelvin {
		t.Errorf("it ran away: %+v", all)
	}
}

// A clogged top vent leaves the gas to the next feature: the bottom vent where
// there is one, the housing where there is none.
func TestCloggedVentLeavesItToTheNext(t *testing.T) {
	for i, want := range []string{"second-venting", "breach"} {
		p := RunawayWorld(5).CellShots(2)[i]
		c := *p.Cell
		c.Open = 0.02
		p.Cell = &c
		if _, all := heated(t, &p, 330); find(all, want) == nil {
			t.Errorf("%s: no %s: %+v", p.ID, want, all)
		}
	}
}

func TestVesselDumps(t *testing.T) {
	p := RunawayWorld(3).CellShots(1)[0]
	r, _ := heated(t, &p, 300)
	r.dump.want = true
	for range 20000 {
		r.step(1e-3)
	}
	if over := r.p - r.ambient; math.Abs(over) > 50 {
		t.Errorf("20 s after the dump valve %.0f Pa above ambient", over)
	}
}

func TestCellCheck(t *testing.T) {
	s := Specimen{Cell: &Cell{CapacityAh: -1, Open: 2, GasMol: math.NaN()}}
	if err := s.Check(); err == nil || len(err.Error()) < 60 {
		t.Errorf("three bad numbers: %v", err)
	}
}

func BenchmarkVessel(b *testing.B) {
	r, err := newRig(Fixture{Runaway: true})
	if err != nil {
		b.Fatal(err)
	}
	r.take(&RunawayWorld(1).CellShots(1)[0])
	r.heater = true
	b.ReportAllocs()
	for b.Loop() {
		r.step(1e-4)
		r.t += 1e-4
	}
}
