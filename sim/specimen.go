package sim

import (
	"errors"
	"fmt"
)

// Specimen is one piece of a lot as it really is.
type Specimen struct {
	ID    string `json:"id"`
	Lot   string `json:"lot"`
	Under string `json:"feature"` // the feature under test; others are blocked
	// Features that can act, in the order of their opening pressures.
	Features []Feature `json:"features"`
	// BulgePa is the gauge pressure at which its bottom starts to bulge; 0: it
	// doesn't. BulgePerPa is the relative growth of the volume above it.
	BulgePa    float64 `json:"bulge_Pa,omitempty"`
	BulgePerPa float64 `json:"bulge_per_Pa,omitempty"`
	// CIDPa is the gauge pressure at which the current interrupt device acts;
	// 0: there is none.
	CIDPa float64 `json:"cid_Pa,omitempty"`
	// LeakM2 is the effective area of a leak that is there from the start.
	LeakM2 float64 `json:"leak_m2,omitempty"`
	// PluggedS is the time constant with which its inside follows the fixture
	// through a plugged port, s; 0: the port is open.
	PluggedS float64 `json:"plugged_s,omitempty"`
	// Cell makes it a charged cell for the runaway rig; nil: a bare can or cap.
	Cell *Cell `json:"cell,omitempty"`
}

// Check returns every problem at once, or nil.
func (s *Specimen) Check() error {
	var errs []error
	for i, f := range s.Features {
		bad := func(format string, a ...any) {
			errs = append(errs, fmt.Errorf("feature %d %q: %s", i, f.Name, fmt.Sprintf(format, a...)))
		}
		if !within0(f.OpensPa, 1e9) || f.OpensPa == 0 && f.AtS <= 0 {
			bad("it opens at %g Pa: give a positive pressure", f.OpensPa)
		}
		if !(f.WidthS > 0 && f.WidthS <= 10) {
			bad("its opening takes %g s: give a positive width up to 10 s", f.WidthS)
		}
		if !(f.AreaM2 > 0 && f.AreaM2 <= 0.1) {
			bad("its area is %g m2: give a positive one up to 0.1 m2", f.AreaM2)
		}
		if !within0(f.ResealsPa, 1e9) || !within0(f.AtS, 1e9) {
			bad("it reseals at %g Pa, opens at %g s: give 0 or a positive number", f.ResealsPa, f.AtS)
		}
		if f.Event != "vent-opening" && f.Event != "rupture" {
			bad("event %q: use vent-opening or rupture", f.Event)
		}
	}
	if !within0(s.PluggedS, 1e6) {
		errs = append(errs, fmt.Errorf("its plugged port has a time constant of %g s: give 0 (open) or a positive time", s.PluggedS))
	}
	if !within0(s.BulgePa, 1e9) || !within0(s.BulgePerPa, 1e-3) || !within0(s.CIDPa, 1e9) || !within0(s.LeakM2, 0.1) {
		errs = append(errs, fmt.Errorf("bulge at %g Pa by %g a Pa, CID at %g Pa, leak of %g m2: give 0 or a positive number", s.BulgePa, s.BulgePerPa, s.CIDPa, s.LeakM2))
	}
	if s.Cell != nil {
		errs = append(errs, s.Cell.Check())
	}
	return errors.Join(errs...)
}

// within0 tells whether x lies from 0 to limit; NaN does not.
func within0(x, limit float64) bool { return x >= 0 && x <= limit }

// take puts a specimen into the rig.
func (r *rig) take(p *Specimen) {
	r.load(p.Features)
	r.bulgeP, r.bulgeC, r.bulged = p.BulgePa, p.BulgePerPa, false
	r.cidP, r.cidOpen = p.CIDPa, false
	r.leakArea = p.LeakM2
	r.port = port{plugged: p.PluggedS > 0, tau: p.PluggedS, p: r.p}
	r.v = r.fix.VolumeM3
	if r.fix.Runaway {
		c := Cell{Tame: true}
		if p.Cell != nil {
			c = *p.Cell
		}
		r.takeCell(c)
		return
	}
	r.set(r.p)
}
