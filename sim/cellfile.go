package sim

// cellEntry is a [[cell_lot]] of a world file: see testdata/world/oven3.toml.
type cellEntry struct {
	Name       string    `toml:"name"`
	Pieces     int       `toml:"pieces"`
	BottomVent bool      `toml:"bottom_vent"`
	CapacityAh float64   `toml:"capacity_Ah"`
	Open       []float64 `toml:"open_percent"`
	Gas        float64   `toml:"gas_mol_Ah"`
	GasS       float64   `toml:"gas_s_mol_Ah"`
	TameOf     int       `toml:"without_charge_every"`
}

// cellFile is the [specimen.cell] of a single piece.
type cellFile struct {
	CapacityAh float64 `toml:"capacity_Ah"`
	VoltageV   float64 `toml:"voltage_V"`
	HeatJK     float64 `toml:"heat_J_K"`
	Roll       float64 `toml:"roll_ml"`
	Free       float64 `toml:"free_ml"`
	Gas        float64 `toml:"gas_mol"`
	ShortC     float64 `toml:"short_C"`
	Short      float64 `toml:"short_percent"`
	ShortS     float64 `toml:"short_s"`
	CrossS     float64 `toml:"cross_s"`
	Vapour     float64 `toml:"vapour_mmol"`
	Open       float64 `toml:"open_percent"`
	Tame       bool    `toml:"without_charge"`
}

func (f *cellFile) cell() *Cell {
	if f == nil {
		return nil
	}
	return &Cell{CapacityAh: f.CapacityAh, VoltageV: f.VoltageV, HeatJK: f.HeatJK, RollM3: f.Roll * 1e-6, FreeM3: f.Free * 1e-6, GasMol: f.Gas,
		ShortC: f.ShortC, ShortPart: f.Short / 100, ShortS: f.ShortS, CrossS: f.CrossS, VapourMol: f.Vapour * 1e-3, Open: f.Open / 100, Tame: f.Tame}
}

// cellPlans reads the lots of cells; their names must differ from those of the
// other lots too.
func (c *worldCheck) cellPlans(lots []cellEntry, others []lotEntry) []CellPlan {
	var out []CellPlan
	names := map[string]bool{}
	for _, l := range others {
		names[l.Name] = true
	}
	for i, l := range lots {
		bad := func(key, format string, a ...any) { c.add(c.line("cell_lot", i, key), "cell_lot."+key, format, a...) }
		if l.Name == "" || names[l.Name] {
			bad("name", "%q is empty or there twice: give each lot a name of its own", l.Name)
		}
		names[l.Name] = true
		if l.Pieces < 1 || l.Pieces > 10000 {
			bad("pieces", "%d: give 1 to 10000", l.Pieces)
		}
		if !within0(l.CapacityAh, 1000) {
			bad("capacity_Ah", "%g Ah: give a positive number up to 1000, or leave it out", l.CapacityAh)
		}
		if !within0(l.Gas, 10) {
			bad("gas_mol_Ah", "%g mol/Ah: give a positive number up to 10, or leave it out", l.Gas)
		}
		if !within0(l.GasS, 1) {
			bad("gas_s_mol_Ah", "%g mol/Ah: give a standard deviation from 0 to 1", l.GasS)
		}
		if l.TameOf < 0 {
			bad("without_charge_every", "%d: give 0 (none) or a positive number", l.TameOf)
		}
		p := CellPlan{Name: l.Name, Pieces: l.Pieces, BottomVent: l.BottomVent, CapacityAh: l.CapacityAh, GasMolAh: l.Gas, GasS: l.GasS, TameOf: l.TameOf}
		if l.Open != nil {
			o, ok := pair(l.Open, 0.01)
			if !ok || o[1] > 1 {
				bad("open_percent", "%v: give two percentages, the smaller first", l.Open)
			}
			p.OpenLow, p.OpenHigh = o[0], o[1]
		}
		out = append(out, p)
	}
	return out
}
