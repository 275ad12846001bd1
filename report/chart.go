package report

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"

	"ventward/analysis/lot"
)

// The control chart of a feature over lots: the weight of the newest shot, the
// width of the limits in standard deviations, and the least shots of a first
// lot to take its mean and spread for the process's.
const (
	chartLambda = 0.2
	chartWidth  = 2.86 // an in-control run of about 370 shots at 0.2 (computed: lot.EWMARun)
	chartFirst  = 10
)

// The cumulative sums beside it, in standard deviations of the first lot: half a
// shift of one, and the limit that gives the same run of about 370 shots
// (computed: lot.CUSUMRunBoth).
const (
	sumAllowance = 0.5
	sumLimit     = 4.77
)

// course is the shots of one feature over its lots, in order, with what the
// first lot takes the process to be.
type course struct {
	feature     string
	x           []float64 // Pa gauge
	lots        []string  // of each shot
	starts      []int     // first shot of each lot
	sums        []*lot.Summary
	mean, sigma float64
}

// newCourse is nil with fewer than two lots, or a first lot too small to say
// what the process is.
func newCourse(feature string, sums []*lot.Summary) *course {
	if len(sums) < 2 || sums[0].N < chartFirst || sums[0].S == nil || !(*sums[0].S > 0) {
		return nil
	}
	c := &course{feature: feature, sums: sums, mean: *sums[0].Mean, sigma: *sums[0].S}
	for _, s := range sums {
		c.starts = append(c.starts, len(c.x))
		for _, v := range s.Openings() {
			c.x, c.lots = append(c.x, v), append(c.lots, s.Group.Lot)
		}
	}
	return c
}

// draw marks the lots and the first signal (-1: none) and sets the axes.
func (c *course) draw(p *plot.Plot, signal int, lo, hi float64) {
	for i, s := range c.sums {
		p.Add(upright{at: float64(c.starts[i]) + 0.5, label: s.Group.Lot, c: ink1, dash: []vg.Length{1.5, 1.5}, right: true})
	}
	if signal >= 0 {
		p.Add(upright{at: float64(signal + 1), label: "signal", c: orange, right: true, drop: 11})
	}
	chartAxes(p, len(c.x), lo, hi)
}

// said is where a chart signals first.
func (c *course) said(chart string, signal int, up bool) string {
	if signal < 0 {
		return fmt.Sprintf("%s: no shift against lot %s is signalled.", chart, c.sums[0].Group.Lot)
	}
	to := "down"
	if up {
		to = "up"
	}
	return fmt.Sprintf("%s: a shift %s against lot %s is signalled from valid shot %d of lot %s on.", chart, to, c.sums[0].Group.Lot,
		signal+1-firstOf(c.lots, c.lots[signal]), c.lots[signal])
}

// firstSignal is the first point out of limits; -1: none.
func firstSignal(points []lot.ChartPoint) int {
	return slices.IndexFunc(points, func(p lot.ChartPoint) bool { return p.OutOfLimit })
}

// ChartFigure draws the shots of one feature over its lots, in order, with the
// exponentially weighted mean and its limits about the first lot's mean. nil:
// fewer than two lots, or a first lot too small to say what the process is. The
// sentence says where the chart first signals.
func ChartFigure(feature string, sums []*lot.Summary) (*Figure, string) {
	c := newCourse(feature, sums)
	if c == nil {
		return nil, ""
	}
	points, err := lot.EWMA{Target: c.mean, Sigma: c.sigma, Lambda: chartLambda, Width: chartWidth}.Points(c.x)
	if err != nil {
		return nil, ""
	}
	p := newPlot("shot, in the order of the lots", "pressure in bar gauge")
	p.Add(gridlines{})
	lo, hi := math.Inf(1), math.Inf(-1)
	d := &dots{c: faded(featureColour(feature), 130), r: 1.6}
	mean, up, down := &curve{c: ink0, width: 1.3}, &curve{c: orange, width: 0.9, dash: []vg.Length{5, 2}}, &curve{c: orange, width: 0.9, dash: []vg.Length{5, 2}}
	for i := range points {
		at := float64(i + 1)
		d.x, d.y, d.kind = append(d.x, at), append(d.y, c.x[i]/PaPerBar), append(d.kind, dotValid)
		mean.add(at, points[i].Statistic/PaPerBar)
		up.add(at, points[i].High/PaPerBar)
		down.add(at, points[i].Low/PaPerBar)
		for _, v := range []float64{c.x[i], points[i].High, points[i].Low} {
			reach(&lo, &hi, v/PaPerBar)
		}
	}
	p.Add(d, up, down, mean)
	first := firstSignal(points)
	c.draw(p, first, lo, hi)
	f := &Figure{Plot: p, Height: 180, Alt: feature + ": control chart",
		Caption: fmt.Sprintf("%s, every valid shot (dots), exponentially weighted mean (line, weight %g) and its limits (dashed) about the mean of lot %s.", upper(plural(feature)), chartLambda, sums[0].Group.Lot)}
	return f, c.said("Control chart", first, first >= 0 && points[first].Statistic > c.mean)
}

// SumFigure draws the cumulative sums of the same shots: upwards what lies above
// the first lot's mean by more than half a standard deviation, downwards what
// lies below. A slow creep shows here first. nil as for ChartFigure.
func SumFigure(feature string, sums []*lot.Summary) (*Figure, string) {
	c := newCourse(feature, sums)
	if c == nil {
		return nil, ""
	}
	points, err := lot.CUSUM{Target: c.mean, K: sumAllowance * c.sigma, H: sumLimit * c.sigma}.Points(c.x)
	if err != nil {
		return nil, ""
	}
	p := newPlot("shot, in the order of the lots", "cumulative sum, in s")
	p.Add(gridlines{})
	high, low := &curve{c: featureColour(feature), width: 1.3}, &curve{c: ink1, width: 1.3}
	up, down := &curve{c: orange, width: 0.9, dash: []vg.Length{5, 2}}, &curve{c: orange, width: 0.9, dash: []vg.Length{5, 2}}
	lo, hi := -sumLimit, sumLimit
	// Once it has signalled the sum only grows: what lies far out is cut off.
	const most = 4 * sumLimit
	for i := range points {
		at := float64(i + 1)
		above, below := math.Min(points[i].High/c.sigma, most), -math.Min(points[i].Low/c.sigma, most)
		high.add(at, above)
		low.add(at, below)
		up.add(at, sumLimit)
		down.add(at, -sumLimit)
		reach(&lo, &hi, above)
		reach(&lo, &hi, below)
	}
	p.Add(up, down, low, high)
	first := firstSignal(points)
	c.draw(p, first, lo, hi)
	f := &Figure{Plot: p, Height: 150, Alt: feature + ": cumulative sums",
		Caption: fmt.Sprintf("%s, cumulative sums of what lies above (upwards) and below (downwards) the mean of lot %s by more than %g s, in s of that lot; dashed: limits at ±%g. Cut off at ±%.0f.",
			upper(plural(feature)), sums[0].Group.Lot, sumAllowance, sumLimit, most)}
	return f, c.said("Cumulative sums", first, first >= 0 && points[first].High > sumLimit*c.sigma)
}

func chartAxes(p *plot.Plot, n int, lo, hi float64) {
	room := 0.06 * math.Max(hi-lo, 0.1)
	p.X.Min, p.X.Max = 0.5, float64(n)+0.5
	p.Y.Min, p.Y.Max = lo-room, hi+3*room
}

// firstOf is the place of a name's first appearance.
func firstOf(names []string, name string) int {
	for i, n := range names {
		if n == name {
			return i
		}
	}
	return 0
}
