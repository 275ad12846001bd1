package report

import (
	"fmt"
	"math"

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

// ChartFigure draws the shots of one feature over its lots, in order, with the
// exponentially weighted mean and its limits about the first lot's mean. nil:
// fewer than two lots, or a first lot too small to say what the process is. The
// sentence says where the chart first signals.
func ChartFigure(feature string, sums []*lot.Summary) (*Figure, string) {
	if len(sums) < 2 || sums[0].N < chartFirst || sums[0].S == nil || !(*sums[0].S > 0) {
		return nil, ""
	}
	var x []float64
	var names []string
	var starts []int
	for _, s := range sums {
		starts = append(starts, len(x))
		for _, v := range s.Openings() {
			x, names = append(x, v), append(names, s.Group.Lot)
		}
	}
	points, err := lot.EWMA{Target: *sums[0].Mean, Sigma: *sums[0].S, Lambda: chartLambda, Width: chartWidth}.Points(x)
	if err != nil {
		return nil, ""
	}
	p := newPlot("shot, in the order of the lots", "pressure in bar gauge")
	p.Add(gridlines{})
	lo, hi := math.Inf(1), math.Inf(-1)
	d := &dots{c: faded(featureColour(feature), 130), r: 1.6}
	mean, up, down := &curve{c: ink0, width: 1.3}, &curve{c: orange, width: 0.9, dash: []vg.Length{5, 2}}, &curve{c: orange, width: 0.9, dash: []vg.Length{5, 2}}
	first := -1
	for i := range points {
		at := float64(i + 1)
		d.x, d.y, d.kind = append(d.x, at), append(d.y, x[i]/PaPerBar), append(d.kind, dotValid)
		mean.x, mean.y = append(mean.x, at), append(mean.y, points[i].Statistic/PaPerBar)
		up.x, up.y = append(up.x, at), append(up.y, points[i].High/PaPerBar)
		down.x, down.y = append(down.x, at), append(down.y, points[i].Low/PaPerBar)
		for _, v := range []float64{x[i], points[i].High, points[i].Low} {
			reach(&lo, &hi, v/PaPerBar)
		}
		if first < 0 && points[i].OutOfLimit {
			first = i
		}
	}
	p.Add(d, up, down, mean)
	for i, s := range sums {
		p.Add(upright{at: float64(starts[i]) + 0.5, label: s.Group.Lot, c: ink1, dash: []vg.Length{1.5, 1.5}, right: true})
	}
	if first >= 0 {
		p.Add(upright{at: float64(first + 1), label: "signal", c: orange, right: true, drop: 11})
	}
	chartAxes(p, len(x), lo, hi)
	f := &Figure{Plot: p, Height: 180, Alt: feature + ": control chart",
		Caption: fmt.Sprintf("%s, every valid shot (dots), exponentially weighted mean (line, weight %g) and its limits (dashed) about the mean of lot %s.", upper(plural(feature)), chartLambda, sums[0].Group.Lot)}
	if first < 0 {
		return f, fmt.Sprintf("Control chart: no shift against lot %s is signalled.", sums[0].Group.Lot)
	}
	to := "up"
	if points[first].Statistic < *sums[0].Mean {
		to = "down"
	}
	return f, fmt.Sprintf("Control chart: a shift %s against lot %s is signalled from valid shot %d of lot %s on.", to, sums[0].Group.Lot, first+1-firstOf(names, names[first]), names[first])
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
