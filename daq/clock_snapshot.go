package daq

import (
	"encoding/json"
	"fmt"
)

// clockMemory is all that a Clock carries from batch to batch, for a record
// that begins while the clock is already settled.
type clockMemory struct {
	Started  bool         `json:"started"`
	Epoch    uint32       `json:"epoch"`
	Base     uint64       `json:"base"`
	BaseAt   int64        `json:"base_at"`
	RowTicks float64      `json:"row_ticks"`
	PaceN    int          `json:"pace_n"`
	PaceSeq  [2]uint64    `json:"pace_seq"`
	PaceTick [2]uint64    `json:"pace_tick"`
	Slope    float64      `json:"slope"`
	X        float64      `json:"x"`
	Y        float64      `json:"y"`
	Mapped   bool         `json:"mapped"`
	Settled  bool         `json:"settled"`
	Last     int64        `json:"last"`
	LastSeen bool         `json:"last_seen"`
	Arrived  int64        `json:"arrived"`
	Far      int          `json:"far"`
	Restarts uint64       `json:"restarts"`
	Squeezed uint64       `json:"squeezed"`
	Points   [][2]float64 `json:"points,omitempty"`
	Bin      int64        `json:"bin"`
	EnvSlope float64      `json:"env_slope"`
	EnvOff   float64      `json:"env_off"`
	Fitted   bool         `json:"fitted"`
	LowX     float64      `json:"low_x"`
	Low      float64      `json:"low"`
	Widest   float64      `json:"widest"`
	Above    float64      `json:"above"`
}

// Snapshot is what the clock has learnt, as JSON. A clock of the same
// instrument that is restored from it gives the same times as this one.
func (c *Clock) Snapshot() json.RawMessage {
	e := &c.env
	m := clockMemory{c.started, c.epoch, c.base, c.baseAt, c.rowTicks, c.pace.n, c.pace.seq, c.pace.tick, c.slope, c.x, c.y, c.mapped,
		c.settled, c.last, c.lastSeen, c.arrived, c.farPoints, c.restarts, c.squeezed, nil, e.bin, e.slope, e.off, e.fitted, e.lowX, e.low, e.widest, e.above}
	for i := range e.n {
		p := e.bins[(e.head+i)%len(e.bins)]
		m.Points = append(m.Points, [2]float64{p.x, p.y})
	}
	b, err := json.Marshal(m)
	if err != nil { // only finite numbers and booleans: cannot happen
		return nil
	}
	return b
}

// Restore begins from a snapshot. An empty one changes nothing.
func (c *Clock) Restore(snapshot json.RawMessage) error {
	if len(snapshot) == 0 {
		return nil
	}
	var m clockMemory
	if err := json.Unmarshal(snapshot, &m); err != nil {
		return fmt.Errorf("daq: clock snapshot unreadable: %w: the record is damaged; run verify", err)
	}
	if len(m.Points) > envelopeBins+1 {
		return fmt.Errorf("daq: clock snapshot has %d points, at most %d fit: the record is damaged; run verify", len(m.Points), envelopeBins+1)
	}
	c.started, c.epoch, c.base, c.baseAt, c.rowTicks = m.Started, m.Epoch, m.Base, m.BaseAt, m.RowTicks
	c.pace = pace{m.PaceN, m.PaceSeq, m.PaceTick}
	c.slope, c.x, c.y, c.mapped, c.settled = m.Slope, m.X, m.Y, m.Mapped, m.Settled
	c.last, c.lastSeen, c.arrived, c.farPoints = m.Last, m.LastSeen, m.Arrived, m.Far
	c.restarts, c.squeezed = m.Restarts, m.Squeezed
	c.env = envelope{n: len(m.Points), bin: m.Bin, slope: m.EnvSlope, off: m.EnvOff, fitted: m.Fitted, lowX: m.LowX, low: m.Low, widest: m.Widest, above: m.Above}
	for i, p := range m.Points {
		c.env.bins[i] = hullPoint{p[0], p[1]}
	}
	return nil
}
