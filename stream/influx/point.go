package influx

import (
	"context"

	"ventward/daq"
)

// A Series is a channel as the database sees it.
type Series struct {
	Channel   string
	Quantity  daq.Quantity
	Reference daq.Reference
}

// A Point is one sample of a series.
type Point struct {
	Series int     // index in the batch's Series
	T      int64   // UTC, ns since 1970
	V      float64 // unit of the series' quantity; NaN: no value
	Q      daq.Quality
}

// A Field is one named figure or word of a mark: float64, int64, bool or
// string. A nil value and a NaN are left out.
type Field struct {
	Name  string
	Value any
}

// A Mark is a point of the measurements event, alarm and run.
type Mark struct {
	Measurement string
	Channel     string // empty: of the whole bench
	T           int64  // UTC, ns since 1970
	Fields      []Field
}

// A Cursor is a place in what is stored: everything of the runs before Run and
// the entries of Run up to N, N included, is behind it. The zero Cursor is the
// very beginning.
type Cursor struct {
	Run string `json:"run"`
	N   uint64 `json:"n"`
	// Done tells that Run is closed and all of it is behind.
	Done bool `json:"done,omitempty"`
}

// A Batch is what a Source has after a cursor. It holds points and marks of one
// run only, that of Upto; points of one series are in the order of their
// samples.
type Batch struct {
	Series []Series
	Points []Point
	Marks  []Mark
	// Upto is the cursor when the batch is sent. A batch may move the cursor
	// without holding a point. Upto equal to the cursor that was asked for
	// means that nothing new is stored yet.
	Upto Cursor
	// BehindS is the age of the oldest point that is stored but not in this or an
	// earlier batch, in s; 0: none.
	BehindS float64
}

// A Source reads stored runs in the order in which they began. It returns
// about max points at most and never waits for new ones.
type Source interface {
	Next(ctx context.Context, after Cursor, max int) (Batch, error)
}
