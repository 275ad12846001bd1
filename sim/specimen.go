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
}

// Check returns every problem at once, or nil.
func (s *Specimen) Check() error {
	var errs []error
	for i, f := range s.Features {
		if f.OpensPa <= 0 && f.AtS <= 0 {
			errs = append(errs, fmt.Errorf("feature %d %q: it opens at %g Pa: give a positive pressure", i, f.Name, f.OpensPa))
		}
		if f.WidthS <= 0 {
			errs = append(errs, fmt.Errorf("feature %d %q: its opening takes %g s: give a positive width", i, f.Name, f.WidthS))
		}
		if f.AreaM2 <= 0 {
			errs = append(errs, fmt.Errorf("feature %d %q: its area is %g m2: give a positive one", i, f.Name, f.AreaM2))
		}
		if f.Event != "vent-opening" && f.Event != "rupture" {
			errs = append(errs, fmt.Errorf("feature %d %q: event %q: use vent-opening or rupture", i, f.Name, f.Event))
		}
	}
	return errors.Join(errs...)
}

// take puts a specimen into the rig.
func (r *rig) take(p *Specimen) {
	r.load(p.Features)
	r.bulgeP, r.bulgeC, r.bulged = p.BulgePa, p.BulgePerPa, false
	r.cidP, r.cidOpen = p.CIDPa, false
	r.leakArea = p.LeakM2
	r.v = r.fix.VolumeM3
	r.set(r.p)
}
