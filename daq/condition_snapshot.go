package daq

import (
	"encoding/json"
	"fmt"
	"math"
)

// conditionerMemory is all that a Conditioner carries from batch to batch, for
// a record that begins in the middle. Nil stands for an instrument not heard
// yet and for a helper (cold junction, excitation, barometer) not read yet.
type conditionerMemory struct {
	Epochs    []*uint32  `json:"epochs"`
	Junctions []*float64 `json:"junctions"` // all helpers
	Read      []int64    `json:"read,omitempty"`
	Refused   uint64     `json:"refused,omitempty"`
}

// Snapshot is what the conditioner has learnt, as JSON. A conditioner of the
// same tables that is restored from it gives the same samples as this one.
func (c *Conditioner) Snapshot() json.RawMessage {
	m := conditionerMemory{Epochs: make([]*uint32, len(c.seen)), Junctions: make([]*float64, len(c.helpers)), Refused: c.refused}
	for i, seen := range c.seen {
		if seen {
			e := c.epoch[i]
			m.Epochs[i] = &e
		}
	}
	for i := range c.helpers {
		if v := c.helpers[i].v; !math.IsNaN(v) {
			m.Junctions[i] = &v
		}
		m.Read = append(m.Read, c.helpers[i].t)
	}
	b, err := json.Marshal(m)
	if err != nil { // only finite numbers: cannot happen
		return nil
	}
	return b
}

// Restore begins from a snapshot. An empty one changes nothing.
func (c *Conditioner) Restore(snapshot json.RawMessage) error {
	if len(snapshot) == 0 {
		return nil
	}
	var m conditionerMemory
	if err := json.Unmarshal(snapshot, &m); err != nil {
		return fmt.Errorf("daq: conditioner snapshot unreadable: %w: the record is damaged; run verify", err)
	}
	if len(m.Epochs) != len(c.seen) || len(m.Junctions) != len(c.helpers) {
		return fmt.Errorf("daq: conditioner snapshot is of %d instruments and %d helper channels, the bench has %d and %d: use the bench description of the record",
			len(m.Epochs), len(m.Junctions), len(c.seen), len(c.helpers))
	}
	for i, e := range m.Epochs {
		if c.seen[i] = e != nil; e != nil {
			c.epoch[i] = *e
		}
	}
	for i, v := range m.Junctions {
		h := &c.helpers[i]
		if h.v = math.NaN(); v != nil {
			h.v = *v
		}
		if h.t = 0; i < len(m.Read) {
			h.t = m.Read[i]
		}
	}
	c.refused = m.Refused
	return nil
}
