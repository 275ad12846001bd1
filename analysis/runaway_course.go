package analysis

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
