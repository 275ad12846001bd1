package sim

import (
	"fmt"
	"math/rand/v2"
)

// CellPlan says how a lot of charged cells for the runaway rig is drawn. Zero
// fields take the values of the demo's own can.
type CellPlan struct {
	Name       string
	Pieces     int
	BottomVent bool // they have one; else the housing is the next to give way
	TameOf     int  // every n-th cell has no charge: it vents and does not run away; 0: none
	CapacityAh float64
	// OpenLow and OpenHigh are the part of each vent that the jelly roll leaves
	// open, drawn evenly between; 0: 0.25 and 1.
	OpenLow, OpenHigh float64
	// GasMolAh and GasS are mean and standard deviation of the gas that they
	// give off in all, mol an Ah; 0: 0.095 and 0.006.
	GasMolAh, GasS float64
}

func (p *CellPlan) check() error {
	switch {
	case p.Name == "":
		return fmt.Errorf("it has no name: give one")
	case p.Pieces < 1 || p.Pieces > 10000:
		return fmt.Errorf("%s: %d pieces: give 1 to 10000", p.Name, p.Pieces)
	case !within0(p.CapacityAh, 1000) || !within0(p.GasMolAh, 10) || !within0(p.GasS, 1):
		return fmt.Errorf("%s: capacity %g Ah, gas %g mol/Ah with s %g: give 0 (the usual one) or a positive number", p.Name, p.CapacityAh, p.GasMolAh, p.GasS)
	case !within0(p.OpenLow, 1) || !within0(p.OpenHigh, 1) || p.OpenLow > p.OpenHigh:
		return fmt.Errorf("%s: open part from %g to %g: give two numbers from 0 to 1, the smaller first", p.Name, p.OpenLow, p.OpenHigh)
	case p.TameOf < 0:
		return fmt.Errorf("%s: every %d-th cell without charge: give 0 (none) or a positive number", p.Name, p.TameOf)
	}
	return nil
}

func (p CellPlan) withDefaults() CellPlan {
	set := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	set(&p.CapacityAh, 4.7)
	if p.OpenHigh == 0 {
		p.OpenLow, p.OpenHigh = 0.25, 1
	}
	set(&p.GasMolAh, 0.095)
	set(&p.GasS, 0.006)
	return p
}

func (p CellPlan) draw(rng *rand.Rand) Lot {
	p = p.withDefaults()
	l := Lot{Name: p.Name, Under: "cell"}
	for i := range p.Pieces {
		c := &Cell{CapacityAh: p.CapacityAh * (1 + 0.01*within(rng, 2)), VoltageV: 4.15 + 0.01*within(rng, 2),
			HeatJK: 65 * (1 + 0.03*within(rng, 2)), ShortC: 182 + 5*within(rng, 2), ShortPart: 0.2 + 0.2*rng.Float64(),
			ShortS: between2(rng, [2]float64{1.5, 4}), CrossS: between2(rng, [2]float64{0.12, 0.6}),
			VapourMol: between2(rng, [2]float64{5e-3, 12e-3}), Open: p.OpenLow + (p.OpenHigh-p.OpenLow)*rng.Float64()}
		c.GasMol = c.CapacityAh * (p.GasMolAh + p.GasS*within(rng, 3))
		c.Tame = p.TameOf > 0 && (i+1)%p.TameOf == 0
		s := Specimen{ID: fmt.Sprintf("%s-%02d", p.Name, i+1), Lot: p.Name, Under: "cell", Cell: c, CIDPa: (11 + 0.4*within(rng, 2)) * bar}
		s.Features = append(s.Features, Feature{Name: "top vent", Event: "vent-opening", OpensPa: (19.4 + 0.45*within(rng, 3)) * bar,
			WidthS: between2(rng, [2]float64{0.3 * ms, 5 * ms}), AreaM2: between2(rng, [2]float64{6 * mm2, 15 * mm2})})
		if p.BottomVent {
			s.Features = append(s.Features, Feature{Name: "bottom vent", Event: "vent-opening", OpensPa: (28.7 + 0.47*within(rng, 3)) * bar,
				WidthS: between2(rng, [2]float64{0.2 * ms, 1.5 * ms}), AreaM2: between2(rng, [2]float64{100 * mm2, 200 * mm2})})
		}
		s.Features = append(s.Features, Feature{Name: "housing", Event: "rupture", OpensPa: (46.5 + 1.6*within(rng, 3)) * bar,
			WidthS: between2(rng, [2]float64{0.2 * ms, 0.8 * ms}), AreaM2: between2(rng, [2]float64{250 * mm2, 600 * mm2})})
		l.Pieces = append(l.Pieces, s)
	}
	return l
}

// DrawCells adds lots of cells to a world, drawn from its seed.
func (w *World) DrawCells(plans []CellPlan) error {
	for i, p := range plans {
		if err := p.check(); err != nil {
			return fmt.Errorf("cell lot %d: %w", i+1, err)
		}
		w.Lots = append(w.Lots, p.draw(stream(w.Seed, forCells, i)))
	}
	if n := w.index(); n != len(w.byID) {
		return fmt.Errorf("%d pieces have only %d different ids: give each lot a name of its own", n, len(w.byID))
	}
	return nil
}

// RunawayWorld draws the demo's runaway set: twelve cells of can M47, six with
// and six without a bottom vent.
func RunawayWorld(seed uint64) *World {
	w := &World{Name: "Oven 3", Seed: seed}
	plans := []CellPlan{{Name: "C-201", Pieces: 6, BottomVent: true}, {Name: "C-202", Pieces: 6}}
	if err := w.DrawCells(plans); err != nil {
		return &World{Name: w.Name, Seed: seed} // can't be: the plans are fixed and tested
	}
	return w
}

// CellShots gives n cells, one of each lot in turn; it starts again when they
// run out.
func (w *World) CellShots(n int) []Specimen {
	var lots [][]Specimen
	for i := range w.Lots {
		if w.Lots[i].Under == "cell" && len(w.Lots[i].Pieces) > 0 {
			lots = append(lots, w.Lots[i].Pieces)
		}
	}
	var out []Specimen
	for i := 0; len(out) < n && len(lots) > 0; i++ {
		l := lots[i%len(lots)]
		out = append(out, l[i/len(lots)%len(l)])
	}
	return out
}
