package config

import (
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// The example runaway rig is sound and says what a runaway's results need.
func TestExampleRunaway(t *testing.T) {
	b, err := Parse("oven3.toml", ExampleRunaway())
	if err != nil {
		t.Fatal(err)
	}
	d := &b.Detect
	if d.Rig != detect.RunawayRig || d.Cell.CapacityAh != 4.7 || d.Cell.MaxC != 60 || d.Fixture.VolumeM3 < 2.9e-3 {
		t.Errorf("rig %q, cell %+v, fixture %+v", d.Rig, d.Cell, d.Fixture)
	}
	if b.Outputs[0].Role != daq.RoleTrigger {
		t.Errorf("the heater's role is %q", b.Outputs[0].Role)
	}
	if w := b.Warnings("2027-01-01"); len(w) > 0 {
		t.Errorf("warnings: %v", w)
	}
}

func TestCellBelongsToARunawayRig(t *testing.T) {
	text := append(Example(), "\n[cell]\ncapacity_Ah = 4.7\n"...)
	if _, err := Parse("kiln2.toml", text); err == nil {
		t.Error("a burst bench takes a cell")
	}
}
