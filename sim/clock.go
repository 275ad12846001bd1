package sim

import "math"

// crystal is an instrument's own clock against true time: a constant error
// plus a slow wander, as a temperature-driven crystal has.
type crystal struct {
	ppm    float64 // constant error, parts per million; > 0 runs fast
	wander float64 // amplitude of the wander, ppm
	period float64 // of the wander, s
	phase  float64 // rad
}

// cadence gives the true times of an instrument's rows one after another. It
// is a value: a copy gives the same times again.
type cadence struct {
	crystal
	interval float64 // nominal, s
	next     float64 // true time of row k, s of the rig
	k        int64
	step     float64 // true time to the next row, s
	// From row changeAt on the constant error is changePPM.
	changeAt  int64
	changePPM float64
}

// wanderEvery is the number of rows for which the wander is taken as constant.
const wanderEvery = 64

// advance goes to the next row.
func (c *cadence) advance() {
	if c.k == c.changeAt && c.changeAt > 0 {
		c.ppm = c.changePPM
		c.step = 0
	}
	if c.step == 0 || c.k%wanderEvery == 0 {
		rate := 1 + 1e-6*(c.ppm+c.wander*math.Sin(2*math.Pi*c.next/c.period+c.phase))
		c.step = c.interval / rate
	}
	c.next += c.step
	c.k++
}
