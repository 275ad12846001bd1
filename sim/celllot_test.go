package sim

import (
	"os"
	"reflect"
	"strings"
	"testing"
)

// The documented world file describes the demo's own runaway set, and one cell
// more.
func TestWorldFileOfTheRunawaySet(t *testing.T) {
	w, err := LoadWorld("../testdata/world/oven3.toml", 4)
	if err != nil {
		t.Fatal(err)
	}
	own := RunawayWorld(4)
	if !reflect.DeepEqual(w.Lots[:2], own.Lots) {
		t.Error("the file's lots are not the demo's own")
	}
	p, ok := w.Specimen("C-901")
	if !ok || p.Cell == nil || p.Cell.Open != 0.1 || p.Cell.GasMol != 0.44 || p.Cell.ShortC != 180 {
		t.Errorf("C-901: %+v %+v", p, p.Cell)
	}
	bottom := 0
	for _, c := range own.CellShots(12) {
		if c.Check() != nil {
			t.Errorf("%s: %v", c.ID, c.Check())
		}
		for _, f := range c.Features {
			if f.Name == "bottom vent" {
				bottom++
			}
		}
	}
	if len(own.CellShots(12)) != 12 || bottom != 6 {
		t.Errorf("%d cells, %d with a bottom vent: want 12 and 6", len(own.CellShots(12)), bottom)
	}
	if reflect.DeepEqual(RunawayWorld(5).Lots, own.Lots) {
		t.Error("another seed draws the same cells")
	}
}

func TestWorldFileErrorsOfCells(t *testing.T) {
	data, err := os.ReadFile("../testdata/world/oven3.toml")
	if err != nil {
		t.Fatal(err)
	}
	good := string(data)
	for _, c := range []struct{ name, from, to, want string }{
		{"pieces", "pieces = 6", "pieces = 0", "w.toml:13: cell_lot.pieces: 0: give 1 to 10000"},
		{"twice", "\"C-202\"", "\"C-201\"", "cell_lot.name: \"C-201\" is empty or there twice"},
		{"open", "# open_percent = [25, 100]", "open_percent = [25, 130] #", "cell_lot.open_percent: [25 130]"},
		{"gas", "# gas_mol_Ah = 0.095", "gas_mol_Ah = -1 #", "cell_lot.gas_mol_Ah: -1 mol/Ah"},
		{"unknown", "gas_mol = 0.44", "gas_moles = 0.44", "specimen.cell.gas_moles: this key is unknown"},
		{"cell", "gas_mol = 0.44", "gas_mol = -0.44", "specimen C-901: cell: gas is -0.44 mol"},
	} {
		if !strings.Contains(good, c.from) {
			t.Fatalf("%s: %q is not in the file", c.name, c.from)
		}
		_, err := ParseWorld("w.toml", []byte(strings.Replace(good, c.from, c.to, 1)), 1)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v does not say %q", c.name, err, c.want)
		}
	}
}
