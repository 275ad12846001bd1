package analysis

import (
	"math"
	"slices"
)

// Quantities of a course.
const (
	ofVessel = iota // Pa
	ofSkin          // °C
	ofGas           // °C
	courseKinds
)

const (
	courseWidth = int64(250e6) // ns, of a cell of the course at first
	courseMost  = 16384        // cells; then their width doubles
)

// A cell of a course holds sums of what fell into it.
type courseCell struct {
	n   [courseKinds]int32
	sum [courseKinds]float64
}

// mean is the mean of a quantity; ok is false where nothing fell in.
func (c *courseCell) mean(kind int) (float64, bool) {
	if c.n[kind] == 0 {
		return 0, false
	}
	return c.sum[kind] / float64(c.n[kind]), true
}

// A course is a test in means over equal times, from its first sample on. It
// never holds more than courseMost cells.
type meanCourse struct {
	from  int64 // ns, of the first cell's begin
	width int64 // ns
	cells []courseCell
}

func (c *meanCourse) add(t int64, kind int, v float64) {
	if c.width == 0 {
		c.width, c.from = courseWidth, t
	}
	if t < c.from { // a slower channel's first sample
		t = c.from
	}
	i := (t - c.from) / c.width
	for i >= courseMost {
		c.fold()
		i = (t - c.from) / c.width
	}
	for int64(len(c.cells)) <= i {
		c.cells = append(c.cells, courseCell{})
	}
	c.cells[i].n[kind]++
	c.cells[i].sum[kind] += v
}

// fold doubles the width.
func (c *meanCourse) fold() {
	half := (len(c.cells) + 1) / 2
	for i := range half {
		a := c.cells[2*i]
		if 2*i+1 < len(c.cells) {
			b := &c.cells[2*i+1]
			for k := range a.n {
				a.n[k] += b.n[k]
				a.sum[k] += b.sum[k]
			}
		}
		c.cells[i] = a
	}
	c.cells = c.cells[:half]
	c.width *= 2
}

// at is the middle of cell i, ns.
func (c *meanCourse) at(i int) int64 { return c.from + int64(i)*c.width + c.width/2 }

// index is the cell of a time, within the course.
func (c *meanCourse) index(t int64) int {
	if c.width == 0 {
		return 0
	}
	return int(max(0, min(int64(len(c.cells)-1), (t-c.from)/c.width)))
}

// seconds is a cell's width in s.
func (c *meanCourse) seconds() float64 { return float64(c.width) * 1e-9 }

// line fits a straight line through a quantity in cells [from, to): its value
// at the middle, its slope a second, and how many cells it rests on.
func (c *meanCourse) line(kind, from, to int) (mean, slope float64, n int) {
	from, to = max(0, from), min(len(c.cells), to)
	var s, st, stt, sv, stv float64
	for i := from; i < to; i++ {
		v, ok := c.cells[i].mean(kind)
		if !ok {
			continue
		}
		t := float64(i)
		s++
		st += t
		stt += t * t
		sv += v
		stv += t * v
	}
	if s == 0 {
		return 0, 0, 0
	}
	mean = sv / s
	if d := s*stt - st*st; d > 0 {
		slope = (s*stv - st*sv) / d / c.seconds()
	}
	return mean, slope, int(s)
}

// scatter is the standard uncertainty of line's mean, and that of its slope a
// second, from the values about the line: what is left of white noise, and more
// where neighbouring values go together (by (1+r)/(1-r) of its variance, for an
// autocorrelation r of first order).
func (c *meanCourse) scatter(kind, from, to int) (mean, slope float64) {
	from, to = max(0, from), min(len(c.cells), to)
	m, b, n := c.line(kind, from, to)
	if n < 4 {
		return 0, 0
	}
	var st, stt float64
	for i := from; i < to; i++ {
		if c.cells[i].n[kind] > 0 {
			st += float64(i)
			stt += float64(i) * float64(i)
		}
	}
	mid := st / float64(n)
	var square, along, last float64
	for i := from; i < to; i++ {
		v, ok := c.cells[i].mean(kind)
		if !ok {
			continue
		}
		e := v - m - b*(float64(i)-mid)*c.seconds()
		square += e * e
		along += e * last
		last = e
	}
	if square == 0 {
		return 0, 0
	}
	r := math.Min(math.Max(0, along/square), 0.9)
	variance := square / float64(n-2) * (1 + r) / (1 - r)
	return math.Sqrt(variance / float64(n)), math.Sqrt(variance/(stt-st*mid)) / c.seconds()
}

// noise is the standard deviation of a quantity's means by noise, from their
// second differences: 1.4826 median magnitudes over the root of six.
func (c *meanCourse) noise(kind int) float64 {
	var d []float64
	for i := 2; i < len(c.cells); i++ {
		x, ok := c.cells[i-2].mean(kind)
		y, ok1 := c.cells[i-1].mean(kind)
		z, ok2 := c.cells[i].mean(kind)
		if ok && ok1 && ok2 {
			d = append(d, math.Abs(x-2*y+z))
		}
	}
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return 1.4826 * d[len(d)/2] / math.Sqrt(6)
}

// top is the first cell of [from, to) that is as high as any but for slack.
func (c *meanCourse) top(kind, from, to int, slack float64) int {
	most := math.Inf(-1)
	for i := from; i < to; i++ {
		if v, ok := c.cells[i].mean(kind); ok {
			most = math.Max(most, v)
		}
	}
	for i := from; i < to; i++ {
		if v, ok := c.cells[i].mean(kind); ok && v >= most-slack {
			return i
		}
	}
	return from
}
