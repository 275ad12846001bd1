package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"ventward/config"
	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
	"ventward/sim"
	"ventward/store"
)

// cellSet is the number of cells in the demo's runaway set.
const cellSet = 12

// Bench time in s that the operator of the demo's runaway rig lets pass.
const (
	coldS    = 12.0  // before the heater goes on, so that the state before is on record
	heatingS = 900.0 // for the runaway to come
	settleS  = 70.0  // until the vessel has settled
)

// runaway tells whether the demo runs the runaway rig.
func (o *demoOptions) runaway() bool { return o.rig == string(detect.RunawayRig) }

// description is the example bench of the rig and medium: name and text.
func (o *demoOptions) description() (name string, text []byte) {
	if o.runaway() {
		return "oven3.toml", config.ExampleRunaway()
	}
	text = config.Example()
	if o.medium == string(detect.Liquid) {
		text = bytes.Replace(text, []byte(`medium = "gas"`), []byte(`medium = "liquid"`), 1)
	}
	return "kiln2.toml", text
}

// pieces are n specimens in the order of a day at the bench; where each suffers
// another fault, specimens of one kind, so that only the faults differ.
func (o *demoOptions) pieces(n int) []sim.Specimen {
	if o.runaway() {
		return sim.RunawayWorld(o.seed).CellShots(n)
	}
	w := sim.DefaultWorld(o.seed)
	if len(o.demoFaults()) < 2 || len(o.lots) > 0 {
		return w.Shots(n, o.lots...)
	}
	alike := slices.DeleteFunc(w.Shots(4*n), func(p sim.Specimen) bool { return p.Under != "top vent" })
	return alike[:min(n, len(alike))]
}

// heat waits beside the heated cell for its runaway, lets the vessel settle,
// asks the simulator what really came of it, and dumps by hand; tripped tells
// that the test ended by itself.
func (d *demo) heat(ctx context.Context, n int, piece *sim.Specimen) (tripped bool, cell *sim.Results, err error) {
	tripped = true
	if err := d.until(ctx, heatingS, "a runaway or a trip", func() bool { return d.phase() != guard.UnderTest }); err != nil {
		if ctx.Err() != nil {
			return false, nil, err
		}
		tripped = false
		fmt.Fprintf(d.words(), "shot %d: %s did not run away while it was heated: it is hot and may still do so\n", n, piece.ID)
	}
	if err := d.command(ctx, "make-safe", nil); err != nil {
		return false, nil, err
	}
	if err := d.until(ctx, 10, "the heater to be read back off", func() bool { return d.phase() == guard.PressureWatch }); err != nil {
		return false, nil, err
	}
	if err := d.rest(ctx, settleS); err != nil {
		return false, nil, err
	}
	if cell, err = d.cell(ctx); err != nil {
		return false, nil, err
	}
	if err := d.sim.do(sim.Command{Do: "dump"}); err != nil {
		return false, nil, err
	}
	if err := d.until(ctx, 60, "the pressure to fall", d.low); err != nil {
		return false, nil, err
	}
	return tripped, cell, d.rest(ctx, 2)
}

// cell asks the simulator what its cell has come to.
func (d *demo) cell(ctx context.Context) (*sim.Results, error) {
	if err := d.sim.do(sim.Command{Do: "status"}); err != nil {
		return nil, err
	}
	select {
	case x := <-d.sim.cell:
		return x, nil
	case <-d.sim.gone:
		return nil, fmt.Errorf("the simulated rig ended: %v", d.sim.err)
	case <-time.After(20 * time.Second):
		return nil, fmt.Errorf("the simulated rig did not tell of its cell within 20 s")
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// runaway fills a truth line with what a cell did. Pressures are the vessel's,
// absolute.
func (t *truthLine) runaway(all []sim.Truth, start int64, cell *sim.Results) {
	t.Reference = string(daq.Absolute)
	for _, h := range all {
		switch h.Event {
		case "first-venting", "self-heating", "runaway":
		default:
			continue
		}
		t.Truth = append(t.Truth, truthEvent{Event: h.Event, Feature: h.Feature, StartS: seconds(h.StartNS - start), OnsetS: seconds(h.OnsetNS - start),
			PressureBar: (h.PressurePa + h.AmbientPa) / 1e5, AreaMM2: h.AreaM2 / 1e-6, InsideBar: h.InsidePa / 1e5, SkinC: h.SkinC})
	}
	state := molarVolumeL
	t.Results = map[string]float64{"gas_mol": cell.GasMol, "gas_L": cell.GasMol * state, "gas_L_per_Ah": cell.GasMol * state / math.Max(cell.CapacityAh, 1e-9),
		"dpdt_max_bar_s": cell.PressureMaxPaS / 1e5, "peak_bar": cell.PeakPa / 1e5, "peak_C": cell.PeakC}
}

// molarVolumeL is the volume in L of a mol of ideal gas at 25 °C and 101.325
// kPa: R T / p with CODATA 2018's R.
const molarVolumeL = 8.314462618 * 298.15 / 101.325

// tellResults prints what a runaway came to: a JSON line, or text where enc is
// nil. Other rigs have no such line.
func (d *demo) tellResults(enc *json.Encoder, rd *store.Reader, n int, run string, start int64) error {
	if !d.o.runaway() {
		return nil
	}
	figures, absent, err := runawayOf(rd, start)
	if err != nil {
		return err
	}
	if enc == nil {
		printResults(d.out, figures, absent)
		return nil
	}
	type cell struct {
		Run     string            `json:"run"`
		Shot    int               `json:"shot"`
		Results map[string]any    `json:"results"`
		Absent  map[string]string `json:"absent,omitempty"`
	}
	return enc.Encode(map[string]cell{"summary": {run, n, figures, absent}})
}
