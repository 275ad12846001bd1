package main

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"

	"ventward/config"
	"ventward/daq"
	"ventward/store"
	"ventward/stream"
	"ventward/stream/influx"
)

// storeSource reads stored runs for the forwarder: entries are replayed, for
// samples are derived and not stored.
type storeSource struct {
	st   *store.Store
	at   influx.Cursor // where the reader stands
	rd   *store.Reader
	meta store.Meta
	eng  *engine
	set  setup
}

// Next returns up to about limit points after a cursor.
func (s *storeSource) Next(ctx context.Context, after influx.Cursor, limit int) (influx.Batch, error) {
	if s.rd == nil || s.at != after {
		if err := s.seek(ctx, after); err != nil || s.rd == nil {
			return influx.Batch{Upto: after}, err
		}
	}
	b := influx.Batch{Upto: after, Series: s.series()}
	for len(b.Points) < limit {
		en, err := s.rd.Next()
		if errors.Is(err, io.EOF) {
			return b, s.finish(&b)
		}
		if err != nil {
			s.close()
			return b, err
		}
		s.take(&b, &en)
		if ctx.Err() != nil {
			break
		}
	}
	s.at = b.Upto
	if n := len(b.Points); n > 0 { // there is more
		b.BehindS = max(0, seconds(time.Now().UnixNano()-b.Points[n-1].T))
	}
	return b, nil
}

// series lists the channels of the run in hand.
func (s *storeSource) series() []influx.Series {
	var out []influx.Series
	for i := range s.set.Bench.Channels {
		c := &s.set.Bench.Channels[i]
		out = append(out, influx.Series{Channel: c.Name, Quantity: c.Quantity, Reference: c.Reference})
	}
	return out
}

func (s *storeSource) place() influx.Place {
	return influx.Place{Run: s.meta.ID, EpochUTC: s.meta.EpochUTC, Channels: s.set.Bench.Channels}
}

// take turns one entry into points and marks.
func (s *storeSource) take(b *influx.Batch, en *daq.Entry) {
	b.Upto = influx.Cursor{Run: s.meta.ID, N: en.N}
	out := s.eng.take(en)
	for _, ch := range s.eng.touched {
		for _, v := range s.eng.samples[ch] {
			b.Points = append(b.Points, influx.Point{Series: int(ch), T: s.meta.EpochUTC + v.T, V: v.V, Q: v.Q})
		}
	}
	for i := range out.Events {
		b.Marks = append(b.Marks, influx.EventMark(s.place(), out.Events[i]))
	}
	for i := range out.Alarms {
		b.Marks = append(b.Marks, influx.AlarmMark(s.place(), out.Alarms[i]))
	}
}

// finish is called where a run has nothing more for now: when it is no longer
// being written, the run's own mark goes out and the next run is looked for.
func (s *storeSource) finish(b *influx.Batch) error {
	m, err := s.st.Meta(s.meta.ID)
	if err != nil {
		return err
	}
	s.at = b.Upto
	if m.State == store.StateOpen || m.Last > s.at.N {
		return nil
	}
	s.meta = m
	b.Marks = append(b.Marks, influx.RunMark(s.place(), influx.Run{Kind: string(m.Kind), Specimen: m.Specimen, Lot: m.Lot, Shot: m.Shot, Feature: m.Feature,
		State: string(m.State), Start: m.Start, End: m.End}))
	b.Upto.Done = true
	s.close()
	return nil
}

func (s *storeSource) close() {
	if s.rd != nil {
		s.rd.Close()
	}
	s.rd, s.eng = nil, nil
}

// seek opens the run that a cursor is in, or the one after it, and brings the
// engine to the cursor. No run: rd stays nil.
func (s *storeSource) seek(ctx context.Context, after influx.Cursor) error {
	s.close()
	ms, err := s.st.Runs(store.Filter{})
	if err != nil {
		return err
	}
	for i := range ms {
		if ms[i].Kind == store.KindIdle || ms[i].ID < after.Run || (ms[i].ID == after.Run && after.Done) {
			continue
		}
		if err := s.open(ctx, ms[i], after); err != nil || s.rd != nil {
			return err
		}
		if ms[i].State == store.StateOpen {
			return nil // begun, nothing committed yet
		}
		// Closed without an entry: refused before it began. It is passed over.
	}
	return nil
}

func (s *storeSource) open(ctx context.Context, m store.Meta, after influx.Cursor) error {
	rd, err := s.st.Reader(m.ID)
	if err != nil {
		return err
	}
	first, err := rd.Next()
	if err != nil {
		rd.Close()
		if errors.Is(err, io.EOF) {
			return nil // nothing is in it
		}
		return err
	}
	s.set = setup{}
	if err := json.Unmarshal(first.Body, &s.set); err != nil || s.set.Bench == nil {
		rd.Close()
		return errNoSetup
	}
	if s.eng, err = newEngine(s.set); err != nil {
		rd.Close()
		return err
	}
	s.rd, s.meta, s.at = rd, m, after
	if after.Run != m.ID {
		return nil
	}
	for n := first.N; n < after.N; {
		en, err := rd.Next()
		if err != nil {
			s.close()
			return err
		}
		s.eng.take(&en)
		n = en.N
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
	return nil
}

// newForwarder follows the store to the bench's time-series database.
func newForwarder(b *config.Bench, st *store.Store, log zerolog.Logger) (*influx.Forwarder, error) {
	token, err := b.Influx.Secret(os.Getenv)
	if err != nil {
		return nil, wrongUse{err}
	}
	up := true
	return influx.New(influx.Options{URL: b.Influx.URL, Token: token, Org: b.Influx.Org, Bucket: b.Influx.Bucket, Bench: b.Name,
		Dir: filepath.Join(st.Dir(), "forward"), Notice: func(s influx.Status) {
			if s.Up != up {
				up = s.Up
				log.Warn().Bool("up", s.Up).Str("error", s.Error).Msg("time-series database")
			}
		}}, &storeSource{st: st})
}

func (l *loop) showForward(s *stream.State) {
	if l.forward == nil {
		return
	}
	f := l.forward.Status()
	s.Forward = &stream.ForwardState{Up: f.Up, LagS: f.BehindS, Points: f.Points, Refused: f.Refused, Error: f.Error}
}
