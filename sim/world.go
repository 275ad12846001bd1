package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// World is a set of lots with all their specimens, drawn from a seed.
type World struct {
	Name string
	Seed uint64
	Lots []Lot
	byID map[string]*Specimen
}

// Lot is a production lot: what was ordered and the pieces that came.
type Lot struct {
	Name   string     `json:"lot"`
	Under  string     `json:"feature"` // the feature under test
	Pieces []Specimen `json:"pieces"`
}

// LotPlan says how a lot is drawn.
type LotPlan struct {
	Name    string  // of the lot; its pieces get -01, -02...
	Feature string  // top vent, bottom vent, housing
	Event   string  // vent-opening or rupture
	Pieces  int     //
	MeanPa  float64 // opening pressure, gauge
	SPa     float64 // its standard deviation
	// LowPa and HighPa bound what is drawn; 0: no bound.
	LowPa, HighPa float64
	WidthS        [2]float64 // opening widths lie between, evenly in the logarithm
	AreaM2        [2]float64 // effective areas lie between, evenly in the logarithm
	// Partial is the share of pieces that open only part of their area, and
	// Reseals the share that close again a little below their opening pressure.
	Partial, Reseals float64
	// Bulges is the share whose bottom bulges before it opens.
	Bulges float64
	// Leaks is the share with a small leak from the start.
	Leaks float64
	// Exact moves the pieces so that the lot's own mean and standard deviation
	// are the plan's: what the lot shows is then the same for every seed.
	Exact bool
}

// Draw makes a world from plans.
func Draw(name string, seed uint64, plans []LotPlan) (*World, error) {
	w := &World{Name: name, Seed: seed}
	for i, p := range plans {
		if err := p.check(); err != nil {
			return nil, fmt.Errorf("lot %d: %w", i+1, err)
		}
		w.Lots = append(w.Lots, p.draw(stream(seed, forWorld, i)))
	}
	if n := w.index(); n != len(w.byID) {
		return nil, fmt.Errorf("%d pieces have only %d different ids: give each lot a name of its own", n, len(w.byID))
	}
	return w, nil
}

// index makes the pieces findable and counts them.
func (w *World) index() (pieces int) {
	w.byID = map[string]*Specimen{}
	for i := range w.Lots {
		for j := range w.Lots[i].Pieces {
			s := &w.Lots[i].Pieces[j]
			w.byID[s.ID] = s
			pieces++
		}
	}
	return pieces
}

func (p *LotPlan) check() error {
	switch {
	case p.Name == "":
		return fmt.Errorf("it has no name: give one")
	case p.Feature == "":
		return fmt.Errorf("%s: it has no feature: use top vent, bottom vent or housing", p.Name)
	case p.Event != "vent-opening" && p.Event != "rupture":
		return fmt.Errorf("%s: event %q: use vent-opening or rupture", p.Name, p.Event)
	case p.Pieces < 1 || p.Pieces > 10000:
		return fmt.Errorf("%s: %d pieces: give 1 to 10000", p.Name, p.Pieces)
	case !(p.MeanPa > 0) || p.SPa < 0:
		return fmt.Errorf("%s: mean %g Pa, s %g Pa: give a positive mean and s >= 0", p.Name, p.MeanPa, p.SPa)
	case !(p.WidthS[0] > 0 && p.WidthS[1] >= p.WidthS[0]):
		return fmt.Errorf("%s: opening widths %v s: give two positive numbers, the smaller first", p.Name, p.WidthS)
	case !(p.AreaM2[0] > 0 && p.AreaM2[1] >= p.AreaM2[0]):
		return fmt.Errorf("%s: areas %v m2: give two positive numbers, the smaller first", p.Name, p.AreaM2)
	case p.LowPa > 0 && p.MeanPa < p.LowPa || p.HighPa > 0 && p.MeanPa > p.HighPa:
		return fmt.Errorf("%s: mean %g Pa lies outside its bounds %g to %g Pa", p.Name, p.MeanPa, p.LowPa, p.HighPa)
	}
	return nil
}

func (p *LotPlan) draw(rng *rand.Rand) Lot {
	l := Lot{Name: p.Name, Under: p.Feature}
	for i := range p.Pieces {
		f := Feature{Name: p.Feature, Event: p.Event, WidthS: between2(rng, p.WidthS), AreaM2: between2(rng, p.AreaM2)}
		f.OpensPa = p.pressure(rng)
		if rng.Float64() < p.Partial {
			f.AreaM2 *= 0.15 + 0.45*rng.Float64()
		}
		if rng.Float64() < p.Reseals {
			f.ResealsPa = f.OpensPa * (0.55 + 0.3*rng.Float64())
		}
		s := Specimen{ID: fmt.Sprintf("%s-%02d", p.Name, i+1), Lot: p.Name, Under: p.Feature, Features: []Feature{f}}
		if rng.Float64() < p.Bulges {
			s.BulgePa = f.OpensPa * (0.85 + 0.1*rng.Float64())
			s.BulgePerPa = 1e-8 * (2 + 6*rng.Float64())
		}
		if rng.Float64() < p.Leaks {
			s.LeakM2 = 1e-9 * (1 + 3*rng.Float64())
		}
		l.Pieces = append(l.Pieces, s)
	}
	if p.Exact && p.Pieces > 1 {
		p.settle(l.Pieces)
	}
	return l
}

// settle moves the opening pressures, and what was drawn in proportion to them,
// until mean and standard deviation are the plan's and no piece leaves its
// bounds. Clipping and stretching take turns: a few rounds suffice.
func (p *LotPlan) settle(pieces []Specimen) {
	n := float64(len(pieces))
	for range 60 {
		var mean, ss float64
		for i := range pieces {
			mean += pieces[i].Features[0].OpensPa / n
		}
		for i := range pieces {
			d := pieces[i].Features[0].OpensPa - mean
			ss += d * d
		}
		s := math.Sqrt(ss / (n - 1))
		if !(s > 0) {
			return
		}
		clipped := false
		for i := range pieces {
			f := &pieces[i].Features[0]
			to := p.MeanPa + (f.OpensPa-mean)*p.SPa/s
			if p.LowPa > 0 && to < p.LowPa || p.HighPa > 0 && to > p.HighPa {
				clipped = true
				to = p.MeanPa + 0.95*(to-p.MeanPa)
			}
			by := to / f.OpensPa
			f.OpensPa = to
			f.ResealsPa *= by
			pieces[i].BulgePa *= by
		}
		if !clipped {
			return
		}
	}
}

// pressure draws an opening pressure within the plan's bounds.
func (p *LotPlan) pressure(rng *rand.Rand) float64 {
	for range 1000 {
		v := p.MeanPa + p.SPa*rng.NormFloat64()
		if v > 0 && (p.LowPa == 0 || v >= p.LowPa) && (p.HighPa == 0 || v <= p.HighPa) {
			return v
		}
	}
	return p.MeanPa
}

// between2 draws evenly in the logarithm between two positive numbers.
func between2(rng *rand.Rand, r [2]float64) float64 {
	return r[0] * math.Exp(rng.Float64()*math.Log(r[1]/r[0]))
}

// Specimen finds a piece by its id.
func (w *World) Specimen(id string) (Specimen, bool) {
	s := w.byID[id]
	if s == nil {
		return Specimen{}, false
	}
	return *s, true
}

// Shots gives n specimens in the order of a day at the bench, of all lots or
// only of those named. The features alternate, each as often as it has pieces:
// all lots are done at the same shot, and no piece comes twice before every
// other came. It starts again when all have been.
func (w *World) Shots(n int, only ...string) []Specimen {
	var queues []*queue
	for i := range w.Lots {
		l := &w.Lots[i]
		if len(only) > 0 && !slices.Contains(only, l.Name) {
			continue
		}
		k := slices.IndexFunc(queues, func(q *queue) bool { return q.feature == l.Under })
		if k < 0 {
			k = len(queues)
			queues = append(queues, &queue{feature: l.Under})
		}
		for j := range l.Pieces {
			queues[k].pieces = append(queues[k].pieces, &l.Pieces[j])
		}
	}
	queues = slices.DeleteFunc(queues, func(q *queue) bool { return len(q.pieces) == 0 })
	// Of two features equally far, the one with more pieces comes first.
	slices.SortStableFunc(queues, func(a, b *queue) int { return len(b.pieces) - len(a.pieces) })
	var out []Specimen
	for len(out) < n && len(queues) > 0 {
		next := queues[0]
		for _, q := range queues[1:] {
			if q.taken*len(next.pieces) < next.taken*len(q.pieces) {
				next = q
			}
		}
		out = append(out, *next.take())
	}
	return out
}

// A queue is the pieces of one feature, of all its lots.
type queue struct {
	feature string
	pieces  []*Specimen
	taken   int
}

// take steps across the lots, so that a short day sees several.
func (q *queue) take() *Specimen {
	n := len(q.pieces)
	k := q.taken * stride(n) % n
	q.taken++
	return q.pieces[k]
}

// stride is a step that visits every one of n pieces before it repeats.
func stride(n int) int {
	for s := n*618/1000 + 1; s < 2*n; s++ {
		if gcd(s, n) == 1 {
			return s
		}
	}
	return 1
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// DefaultWorld draws the demo's own world: can M47, drawing MD-220 rev B.
func DefaultWorld(seed uint64) *World {
	w, err := Draw("Kiln 2", seed, defaultPlans())
	if err != nil {
		return &World{Name: "Kiln 2", Seed: seed} // can't be: the plans are fixed and tested
	}
	return w
}

// Incident is a shot at which something goes wrong on purpose: the piece and
// the faults that happen to it.
type Incident struct {
	Name     string   `json:"name"`
	Sentence string   `json:"sentence"`
	Piece    Specimen `json:"piece"`
	Faults   []Fault  `json:"faults,omitempty"`
}

// Incidents are shots for showing how the program answers trouble; Shots never
// gives one.
func Incidents(seed uint64) []Incident {
	rng := stream(seed, forWorld, 1<<20)
	feature := func(name string, opens float64) Feature {
		e, _ := eventOf(name, "")
		area := map[string][2]float64{"top vent": {4 * mm2, 15 * mm2}, "bottom vent": {100 * mm2, 200 * mm2}, "housing": {250 * mm2, 600 * mm2}}[name]
		return Feature{Name: name, Event: e, OpensPa: (opens + 0.3*rng.NormFloat64()) * bar, WidthS: between2(rng, [2]float64{0.3 * ms, 2 * ms}), AreaM2: between2(rng, area)}
	}
	piece := func(id, under string, fs ...Feature) Specimen {
		return Specimen{ID: id, Lot: "X-001", Under: under, Features: fs}
	}
	cid := piece("X-001-02", "top vent", feature("top vent", 19.4))
	cid.CIDPa = (11 + 0.3*rng.NormFloat64()) * bar
	leak := piece("X-001-03", "bottom vent", feature("bottom vent", 28.5))
	leak.LeakM2 = 0.004 * mm2
	bulge := piece("X-001-05", "bottom vent", feature("bottom vent", 29))
	bulge.BulgePa, bulge.BulgePerPa = 26.5*bar, 6e-8
	reseal := piece("X-001-06", "top vent", feature("top vent", 19.2))
	reseal.Features[0].ResealsPa = 0.7 * reseal.Features[0].OpensPa
	return []Incident{
		{"drop-out", "The serial line is silent across the opening.", piece("X-001-01", "bottom vent", feature("bottom vent", 28)),
			[]Fault{{Name: "dropout", At: "opening", Before: 0.1, Seconds: 0.4}}},
		{"cid-then-vent", "The current interrupt device acts long before the top vent opens.", cid, nil},
		{"slow-leak", "A seal leaks from the start.", leak, nil},
		{"wrong-feature", "The top vent, which was to be blocked, opens in a test of the bottom vent.",
			piece("X-001-04", "bottom vent", feature("top vent", 19.5), feature("bottom vent", 28.5)), nil},
		{"bulge-then-burst", "The bottom bulges, then it opens.", bulge, nil},
		{"reseal", "The top vent opens and closes again under pressure.", reseal, nil},
		{"spikes", "40 spikes a second on one transducer across the opening.", piece("X-001-07", "top vent", feature("top vent", 19.4)),
			[]Fault{{Name: "spikes", At: "opening", Before: 2, Seconds: 4}}},
		{"unplug", "The fast instrument is unplugged in mid-ramp and comes back.", piece("X-001-08", "bottom vent", feature("bottom vent", 28.2)),
			[]Fault{{Name: "unplug", At: "opening", Before: 8, Seconds: 2}}},
	}
}

// defaultPlans are the lots of the demo's world: top-vent caps, bottom-vent
// cans whose mean creeps up as the scoring punch wears and comes down after
// regrinding, and one housing lot of ten.
func defaultPlans() []LotPlan {
	var out []LotPlan
	for i, name := range []string{"T-031", "T-032", "T-033"} {
		out = append(out, LotPlan{Name: name, Feature: "top vent", Event: "vent-opening", Pieces: 30,
			MeanPa: (19.35 + 0.05*float64(i)) * bar, SPa: 0.45 * bar, LowPa: 17.1 * bar, HighPa: 21.9 * bar, Exact: true,
			WidthS: [2]float64{0.3 * ms, 5 * ms}, AreaM2: [2]float64{4 * mm2, 15 * mm2}, Partial: 0.15})
	}
	for i, mean := range []float64{27.4, 28.0, 28.7, 29.3, 30.0, 30.6} {
		out = append(out, LotPlan{Name: fmt.Sprintf("B-%04d", 410+2*i), Feature: "bottom vent", Event: "vent-opening", Pieces: 30,
			MeanPa: mean * bar, SPa: 0.47 * bar, LowPa: 25.1 * bar, HighPa: 31.9 * bar, Exact: true,
			WidthS: [2]float64{0.2 * ms, 1.5 * ms}, AreaM2: [2]float64{100 * mm2, 200 * mm2}})
	}
	out = append(out, LotPlan{Name: "H-007", Feature: "housing", Event: "rupture", Pieces: 10,
		MeanPa: 46.5 * bar, SPa: 1.75 * bar, LowPa: 40.2 * bar, HighPa: 53 * bar, Exact: true,
		WidthS: [2]float64{0.2 * ms, 0.8 * ms}, AreaM2: [2]float64{250 * mm2, 600 * mm2}})
	return out
}
