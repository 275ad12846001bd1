package analysis

import (
	"math"
	"slices"
)

// columns fills in the derivatives of the readings y of course c by those of its
// free figures that need no run of their own, column after column of j: by the
// onset, which only shifts a course in time; by the bend, which ends at the
// opening; by what the transducer reads too much, which is what the level lacks.
func (a *opening) columns(sv *solver, c *course, free []figure, limits *[figures]bound, y, j []float64, known []bool) {
	t := a.b.t[:a.used]
	sv.solve(c)
	column := func(f figure) ([]float64, bool) {
		k := slices.Index(free, f)
		if k < 0 {
			return nil, false
		}
		known[k] = true
		return j[k*len(y):][:len(t)], true
	}
	if c.earlier == straightRamp {
		if col, ok := column(figOnset); ok {
			sv.readRates(c, t, y[:len(t)], col)
			for i := range col {
				col[i] = -col[i]
			}
		}
	}
	if col, ok := column(figBend); ok {
		_, _, lag := c.sensor()
		late := lag + sv.line.delay + c.anchor()
		for i, ti := range t {
			col[i] = 0
			if ti <= sv.begin {
				col[i] = (ti - late) * (ti - late) / 2
			}
		}
	}
	level, ok := column(figLevel)
	if !ok {
		return
	}
	d := *c
	d.level += 1e-6 * math.Max(math.Abs(c.level), limits[figLevel].scale)
	sv.read(&d, t, level)
	for i := range level {
		level[i] = (level[i] - y[i]) / (d.level - c.level)
	}
	if col, ok := column(figZero); ok {
		for i := range col {
			col[i] = 1 - level[i]
		}
	}
}
