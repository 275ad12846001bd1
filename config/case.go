package config

import (
	"fmt"
	"math"
	"path/filepath"

	"ventward/analysis"
	"ventward/analysis/flow"
	"ventward/daq"
)

// A Case is one cell in one runaway, for estimate venting.
type Case struct {
	Name    string
	Source  string // what its figures come from beside the file; empty: the file alone
	Venting analysis.VentingCase
	Spread  analysis.VentingSpread
	Options []analysis.VentingOption // to compare
}

// VentingCase reads the case in the file at path; testdata/venting/case.toml is
// a commented example.
func VentingCase(path string) (*Case, error) {
	data, err := readFile("case", path)
	if err != nil {
		return nil, err
	}
	return ParseVentingCase(filepath.Base(path), data)
}

// ParseVentingCase reads the content of a case; name is for messages.
func ParseVentingCase(name string, data []byte) (*Case, error) {
	d := readDocument(name, data)
	if len(d.problems) > 0 {
		return nil, d.problems
	}
	root := d.section()
	c := &Case{Name: root.text("name", name)}
	c.read(root)
	root.close()
	d.unknown()
	if len(d.problems) == 0 {
		if err := c.Venting.Check(); err != nil {
			root.problem("", err.Error(), "mend the figures named")
		}
	}
	if len(d.problems) > 0 {
		return nil, d.problems.sorted()
	}
	return c, nil
}

const (
	cubicMl = 1e-6  // m³ a mL
	squareM = 1e-6  // m² a mm²
	milli   = 1e-3  // m a mm, s a ms
	micro2  = 1e-12 // m² a µm²
)

func (c *Case) read(root *section) {
	v := &c.Venting
	cell := root.table("cell")
	v.FreeVolume = cubicMl * cell.needReal("free_volume_ml", 1e-3, 1e6, "what gas can fill in the cell")
	v.AmbientPa = cell.absolute("ambient", 101325)
	v.StartK = zeroCelsiusK + cell.real("start_C", 25, -50, 200)
	cell.close()
	v.Gas = ventGas(root.table("gas"))
	v.Generation = generation(root.table("runaway"), v)
	v.Top = vent(root.table("top_vent"))
	if root.has("bottom_vent") {
		b := vent(root.table("bottom_vent"))
		v.Bottom = &b
	}
	h := root.table("housing")
	v.Housing.Cold = scatter(h, "strength")
	v.Housing.HotFactor = h.needReal("hot_factor", 0.01, 1, "hot strength over cold")
	h.close()
	if root.has("inside") {
		v.Inside = inside(root.table("inside"))
	}
	c.Spread = spread(root.table("uncertainty"), v)
	for _, s := range root.tables("option") {
		c.Options = append(c.Options, option(s))
	}
}

// absolute reads a pressure STEM_bara; def where it is absent.
func (s *section) absolute(stem string, def float64) float64 {
	pa, u, ok := s.value(stem, daq.Pressure)
	switch {
	case !ok:
		return def
	case u.reference != daq.Absolute:
		s.problemIn(stem+"_"+u.name, u.name, "the surroundings are an absolute pressure", "write "+stem+"_bara")
		return def
	}
	return pa
}

// gauge reads a pressure STEM_barg that features open or break at; ok is false
// where it is absent or wrong.
func (s *section) gauge(stem string) (float64, bool) {
	pa, u, ok := s.value(stem, daq.Pressure)
	key := stem + "_" + u.name
	switch {
	case !ok:
		return 0, false
	case u.reference != daq.Gauge:
		s.problemIn(key, u.name, "a feature acts on a difference: it is a gauge pressure", "write "+stem+"_barg")
		return 0, false
	case pa <= 0:
		s.problemIn(key, u.name, "is not positive", "give the mean pressure of the lot")
		return 0, false
	}
	return pa, true
}

// scatter reads STEM_barg, STEM_s_bar and pieces.
func scatter(s *section, stem string) analysis.Scatter {
	var out analysis.Scatter
	n := len(s.d.problems)
	pa, ok := s.gauge(stem)
	if !ok && len(s.d.problems) == n {
		s.problem(stem+"_barg", "is missing", "add "+stem+"_barg = ...: the mean of the lot")
	}
	out.MeanPa = pa
	out.SDPa, _ = s.difference(stem+"_s", daq.Pressure)
	out.Pieces = int(s.whole("pieces", 0, 2, 1e6))
	return out
}

func vent(s *section) analysis.Vent {
	v := analysis.Vent{Opening: scatter(s, "opening")}
	v.AreaM2 = squareM * s.needReal("area_mm2", 0, 1e5, "the geometric area, fully open")
	v.Discharge = s.real("discharge", 0.8, 0.01, 1)
	v.OpenFraction = s.real("open_fraction", 1, 0, 1)
	v.OpenTimeS = milli * s.real("opening_time_ms", 0, 0, 1e4)
	s.close()
	return v
}

func ventGas(s *section) flow.Mixture {
	defer s.close()
	cathode, composition := s.has("cathode"), s.has("volume_percent")
	switch {
	case cathode && composition:
		s.problem("cathode", "says again what volume_percent says", "keep one of the two")
		return nil
	case cathode:
		m, err := flow.VentGas(s.text("cathode", ""))
		if err != nil {
			s.problem("cathode", err.Error(), "choose one of them")
		}
		return m
	case composition:
		p := s.table("volume_percent")
		fractions := map[string]float64{}
		for _, n := range flow.SpeciesNames() {
			if x := p.real(n, 0, 0, 100); x > 0 {
				fractions[n] = x
			}
		}
		p.close()
		m, err := flow.NewMixture(fractions)
		if err != nil {
			s.problem("volume_percent", err.Error(), "give the substances in per cent")
		}
		return m
	}
	s.problem("cathode", "is missing", `add cathode = "NMC", "LCO/NMC" or "LFP", or a table [gas.volume_percent]`)
	return nil
}

// generation reads a pulse or a measured curve.
func generation(s *section, v *analysis.VentingCase) analysis.Generation {
	defer s.close()
	v.TailS = s.real("tail_s", 0.2, 0, 3600)
	if s.has("wall_W_K") {
		v.Thermal, v.WallWPerK = true, s.real("wall_W_K", 0, 0, 1e6)
	}
	if s.has("time_s") {
		g := analysis.Generation{TimeS: s.needReals("time_s"), RateMolS: s.needReals("rate_mol_s")}
		if _, list := s.keys["temperature_C"].([]any); list {
			g.TemperatureK = s.needReals("temperature_C")
		} else {
			g.TemperatureK = []float64{s.needReal("temperature_C", -50, 3000, "of the gas")}
		}
		for i := range g.TemperatureK {
			g.TemperatureK[i] += zeroCelsiusK
		}
		return g
	}
	amount := 1e-3 * s.needReal("amount_mmol", 1e-6, 1e9, "the gas of the whole runaway")
	duration := s.needReal("duration_s", 1e-6, 1e6, "how long the gas comes")
	kelvin := zeroCelsiusK + s.needReal("temperature_C", -50, 3000, "of the gas")
	shape := s.choice("shape", "triangle", "triangle", "half-sine", "rectangle")
	if amount <= 0 || duration <= 0 {
		return analysis.Generation{}
	}
	g, err := analysis.Pulse(shape, amount, s.real("start_s", 0, 0, 1e6), duration, kelvin)
	if err != nil {
		s.problem("", err.Error(), "mend the pulse")
	}
	return g
}

// needReals reads a list of numbers that must be there.
func (s *section) needReals(key string) []float64 {
	v, ok := s.take(key)
	list, isList := v.([]any)
	if !ok {
		s.problem(key, "is missing", "add "+key+" = [ ... ], as long as time_s")
		return nil
	}
	out := make([]float64, 0, len(list))
	for _, e := range list {
		x, ok := number(e)
		isList = isList && ok
		out = append(out, x)
	}
	if !isList || len(out) > mostPoints {
		s.problem(key, fmt.Sprintf("is not a list of up to %d finite numbers", mostPoints), "write "+key+" = [0.0, 1.0, ...]")
		return nil
	}
	return out
}

// mostPoints bounds a measured curve.
const mostPoints = 20000

func inside(s *section) analysis.Inside {
	defer s.close()
	return analysis.Inside{
		Slices:         int(s.whole("slices", 10, 2, 200)),
		LengthM:        milli * s.needReal("length_mm", 0.1, 1e4, "of the jelly roll"),
		CoreDiameterM:  milli * s.real("core_diameter_mm", 0, 0, 1e3),
		Friction:       s.real("friction", 0.05, 1e-3, 10),
		RollAreaM2:     squareM * s.real("roll_area_mm2", 0, 0, 1e6),
		PermeabilityM2: micro2 * s.real("permeability_um2", 0, 0, 1e9),
		HeadspaceM3:    cubicMl * s.real("headspace_ml", 0, 0, 1e6),
		Seat:           s.real("seat", 0.5, 0, 1),
		ZoneM:          milli * s.real("zone_mm", 0, 0, 1e4),
	}
}

func spread(s *section, v *analysis.VentingCase) analysis.VentingSpread {
	defer s.close()
	percent := func(key string) float64 { return s.real(key, 0, 0, 100) / 100 }
	out := analysis.VentingSpread{
		AmountRel:    percent("amount_percent"),
		DurationRel:  percent("duration_percent"),
		TemperatureK: s.real("temperature_K", 0, 0, 1000),
		VolumeRel:    percent("free_volume_percent"),
		TopAreaRel:   percent("top_area_percent"),
		BottomRel:    percent("bottom_area_percent"),
		HotFactor:    s.real("hot_factor", 0, 0, 1),
	}
	if s.has("open_fraction") {
		lo, hi, ok := s.pair("open_fraction")
		if ok && (lo < 0 || hi > 1) {
			s.problem("open_fraction", "is not within 0 to 1", "write open_fraction = [0.2, 0.8]")
		}
		out.OpenLow, out.OpenHigh = math.Max(lo, 0), math.Min(hi, 1)
	}
	return out
}

func option(s *section) analysis.VentingOption {
	defer s.close()
	o := analysis.VentingOption{Name: s.needText("name", "what is changed, in a few words")}
	n := len(s.d.problems)
	o.TopOpeningPa, _ = s.gauge("top_opening")
	o.TopAreaM2 = squareM * s.real("top_area_mm2", 0, 1e-3, 1e5)
	o.CoreDiameterM = milli * s.real("core_diameter_mm", 0, 1e-3, 1e3)
	o.WallFactor = s.real("wall_factor", 0, 0.1, 10)
	o.NoBottom = s.yes("no_bottom_vent")
	if s.has("bottom_vent") {
		b := vent(s.table("bottom_vent"))
		o.Bottom = &b
	}
	if len(s.d.problems) == n && o == (analysis.VentingOption{Name: o.Name}) {
		s.problem("", "changes nothing", "give top_opening_barg, top_area_mm2, core_diameter_mm, wall_factor, no_bottom_vent or bottom_vent")
	}
	return o
}
