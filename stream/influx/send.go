package influx

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	apihttp "github.com/influxdata/influxdb-client-go/v2/api/http"
)

// verdict is what is to be done after a write.
type verdict uint8

const (
	accepted verdict = iota
	hold             // try the same again, later
	objects          // the server objects to lines: find them
	tooMuch          // send less at once
)

// classify turns a write's error into what is to be done. after is the pause
// that the server asks for, 0 for none.
func classify(err error) (v verdict, reason string, after time.Duration) {
	if err == nil {
		return accepted, "", 0
	}
	var he *apihttp.Error
	if !errors.As(err, &he) {
		return hold, "can't reach the server: " + clip(err.Error()) + "; check its address and that it runs", 0
	}
	after = time.Duration(min(he.RetryAfter, 3600)) * time.Second
	said := clip(he.Error())
	switch he.StatusCode {
	case 0:
		return hold, "can't reach the server: " + said + "; check its address and that it runs", after
	case http.StatusBadRequest, http.StatusUnprocessableEntity:
		return objects, said, 0
	case http.StatusRequestEntityTooLarge:
		return tooMuch, said, 0
	case http.StatusUnauthorized, http.StatusForbidden:
		return hold, fmt.Sprintf("the server refuses the token (%d): %s; check token_env and the user's rights", he.StatusCode, said), after
	case http.StatusNotFound:
		return hold, fmt.Sprintf("the server knows no such bucket (404): %s; create the bucket (of a 1.8 server the database) or mend bucket and org", said), after
	case http.StatusTooManyRequests:
		return hold, "the server asks for a pause (429): " + said, after
	}
	return hold, fmt.Sprintf("the server can't write (%d): %s", he.StatusCode, said), after
}

// strict takes only 204 for a yes: a web server that is no InfluxDB may say 200
// to anything, and the points would be gone.
type strict struct{ next http.RoundTripper }

func (s strict) RoundTrip(r *http.Request) (*http.Response, error) {
	resp, err := s.next.RoundTrip(r)
	if err == nil && resp.StatusCode < 400 && resp.StatusCode != http.StatusNoContent {
		err = fmt.Errorf("it answered %q where an InfluxDB server says 204 No Content", resp.Status)
		return nil, errors.Join(err, resp.Body.Close())
	}
	return resp, err
}

// writer sends line protocol, once.
type writer struct {
	client influxdb2.Client
	api    api.WriteAPIBlocking
}

func newWriter(o Options) *writer {
	opts := influxdb2.DefaultOptions().SetPrecision(time.Nanosecond).SetLogLevel(0).
		SetHTTPClient(&http.Client{Timeout: o.Timeout, Transport: strict{&http.Transport{MaxIdleConns: 1, IdleConnTimeout: time.Minute}}})
	c := influxdb2.NewClientWithOptions(o.URL, o.Token, opts)
	return &writer{client: c, api: c.WriteAPIBlocking(o.Org, o.Bucket)}
}

func (w *writer) write(ctx context.Context, text []byte) error {
	return w.api.WriteRecord(ctx, string(text))
}

// sendAll sends the lines from i up to j, however long that takes. It returns
// an error only when ctx ends.
func (f *Forwarder) sendAll(ctx context.Context, l *lines, i, j int) error {
	for i < j {
		k := min(j, i+f.atOnce)
		if err := f.sendPart(ctx, l, i, k); err != nil {
			return err
		}
		i = k
	}
	return nil
}

// sendPart sends one request's lines. Halving ends: a single line is accepted,
// held or put into quarantine.
func (f *Forwarder) sendPart(ctx context.Context, l *lines, i, j int) error {
	v, reason := f.persist(ctx, l.part(i, j))
	switch v {
	case accepted:
		f.accept(j - i)
		return nil
	case tooMuch, objects:
		if j-i == 1 {
			return f.refuse(ctx, l.part(i, j), reason)
		}
		middle := i + (j-i)/2
		if v == tooMuch {
			f.atOnce = max(1, min(f.atOnce, (j-i+1)/2))
		}
		if err := f.sendPart(ctx, l, i, middle); err != nil {
			return err
		}
		return f.sendPart(ctx, l, middle, j)
	}
	return ctx.Err()
}

// persist writes the text until the server takes a decision on it or ctx ends
// (verdict hold).
func (f *Forwarder) persist(ctx context.Context, text []byte) (verdict, string) {
	pause := f.o.MinPause
	for {
		v, reason, after := classify(f.w.write(ctx, text))
		if v != hold {
			return v, reason
		}
		if ctx.Err() != nil {
			return hold, reason
		}
		f.holding(reason)
		if !sleep(ctx, max(pause, after)) {
			return hold, reason
		}
		pause = min(2*pause, f.o.MaxPause)
	}
}

// refuse puts a line into quarantine; while that fails it holds, as the line
// would be lost.
func (f *Forwarder) refuse(ctx context.Context, line []byte, reason string) error {
	pause := f.o.MinPause
	for {
		err := f.q.add(string(line[:len(line)-1]), reason)
		if err == nil {
			f.refused(reason)
			return nil
		}
		f.holding(err.Error())
		if !sleep(ctx, pause) {
			return ctx.Err()
		}
		pause = min(2*pause, f.o.MaxPause)
	}
}

// sleep waits; false when ctx ended first.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
