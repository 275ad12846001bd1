package dashboard

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"

	"ventward/daq"
	"ventward/report"
)

// Curves are what a stored run's channels read, as the least and the greatest
// sample of each of a number of equal stretches of time.
type Curves struct {
	Run         string
	First, Last float64 // of all that was recorded, s from the run's time zero
	From, To    float64 // of what is given, s
	Bins        int     // stretches from From to To
	Channels    []daq.Channel
	Traces      []*report.Envelope // by channel; nil: not drawn
}

type curvesJSON struct {
	Run      string      `json:"run"`
	FirstS   float64     `json:"first_s"`
	LastS    float64     `json:"last_s"`
	FromS    float64     `json:"from_s"`
	ToS      float64     `json:"to_s"`
	WidthS   float64     `json:"width_s"`
	Channels []curveJSON `json:"channels"`
}

type curveJSON struct {
	channelJSON
	Min column `json:"min"`
	Max column `json:"max"`
}

// A column of figures; NaN, where there is no sample, is written as null.
type column []float64

// MarshalJSON writes seven digits: a picture needs no more.
func (c column) MarshalJSON() ([]byte, error) {
	b := []byte{'['}
	for i, v := range c {
		if i > 0 {
			b = append(b, ',')
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			b = append(b, "null"...)
			continue
		}
		b = strconv.AppendFloat(b, v, 'g', 7, 64)
	}
	return append(b, ']'), nil
}

const (
	curveBins = 800
	mostBins  = 4000
)

// getCurves gives the readings of a stored run for a picture that can be looked
// into: the narrower the time asked for, the finer the stretches.
func (s *Server) getCurves(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	bins, err := intQuery(r, "bins", curveBins)
	if err != nil || bins < 1 || bins > mostBins {
		problem(w, http.StatusBadRequest, fmt.Sprintf("bins %.40q is not a number from 1 to %d", r.URL.Query().Get("bins"), mostBins), fmt.Sprintf("give such a number, or leave it out for %d", curveBins))
		return
	}
	from, wrongFrom := secondsQuery(r, "from_s")
	to, wrongTo := secondsQuery(r, "to_s")
	if err := errors.Join(wrongFrom, wrongTo); err != nil || from >= to {
		problem(w, http.StatusBadRequest, fmt.Sprintf("from_s %.40q and to_s %.40q are no stretch of time", r.URL.Query().Get("from_s"), r.URL.Query().Get("to_s")), "give seconds from the run's time zero, from_s before to_s, or leave both out for the whole run")
		return
	}
	c, err := (*Curves)(nil), ErrNoRun
	if s.o.Archive != nil {
		c, err = s.o.Archive.Curves(r.Context(), id, from, to, bins)
	}
	switch {
	case errors.Is(err, ErrNoRun):
		noRun(w, id)
	case err != nil:
		s.refused(w, r, err, "reading the curves of run "+id)
	default:
		answer(w, http.StatusOK, c.edge())
	}
}

// secondsQuery reads a time in s; NaN: left out.
func secondsQuery(r *http.Request, key string) (float64, error) {
	v := r.URL.Query().Get(key)
	if v == "" {
		return math.NaN(), nil
	}
	x, err := strconv.ParseFloat(v, 64)
	if err != nil || math.IsNaN(x) || math.Abs(x) > 1e9 {
		return 0, fmt.Errorf("%s %.40q is no time in seconds", key, v)
	}
	return x, nil
}

func (c *Curves) edge() *curvesJSON {
	out := &curvesJSON{Run: c.Run, FirstS: c.First, LastS: c.Last, FromS: c.From, ToS: c.To, WidthS: (c.To - c.From) / float64(c.Bins), Channels: []curveJSON{}}
	for i, row := range channelTable(c.Channels) {
		if i >= len(c.Traces) || c.Traces[i] == nil {
			continue
		}
		x := curveJSON{channelJSON: row}
		x.Min, x.Max = make(column, c.Bins), make(column, c.Bins)
		for k := range x.Min {
			lo, hi := c.Traces[i].Bounds(k)
			x.Min[k], x.Max[k] = lo/row.PerUnit, hi/row.PerUnit
		}
		out.Channels = append(out.Channels, x)
	}
	return out
}
