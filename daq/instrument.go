package daq

// Port is a serial port's address and mode.
type Port struct {
	Path     string `json:"path"` // a stable path (/dev/serial/by-id/...)
	Baud     int    `json:"baud"`
	DataBits int    `json:"data_bits,omitempty"` // 0: 8
	Parity   string `json:"parity,omitempty"`    // none (default), even, odd
	StopBits int    `json:"stop_bits,omitempty"` // 0: 1
}

// Instrument is one device on one serial line.
type Instrument struct {
	Name     string  `json:"name"`
	Port     Port    `json:"port"`
	Protocol string  `json:"protocol"` // line, frame, modbus, query
	Columns  int     `json:"columns"`
	RateHz   float64 `json:"rate_hz"`            // rows a second
	TickHz   float64 `json:"tick_hz,omitempty"`  // device ticks a second; 0: no tick
	Polled   bool    `json:"polled,omitempty"`   // asked for each reading
	RenewS   float64 `json:"renew_s,omitempty"`  // how often one that is asked measures anew, s: an answer may be so old; 0: not known, taken as 1/RateHz
	SilentS  float64 `json:"silent_s,omitempty"` // after this long without a row the instrument is stale
}

// A Decoder turns a stream of bytes into batches. It is a pure state machine:
// no goroutine, no clock. It never fails: what it can't read it counts and
// skips, and it never waits for bytes that may not come.
type Decoder interface {
	// Feed takes the bytes of one read, completed at bench time at (ns), and
	// appends the batches they complete to out. Batches are freshly made; the
	// decoder keeps no reference to them. The last one of a Feed has Newest set.
	Feed(p []byte, at int64, out []*Batch) []*Batch
	// Reset forgets partial input after the port went away; the next batch
	// belongs to the next epoch.
	Reset()
	Counters() Counters
}

// An Asker is a request-and-answer protocol (modbus, query) as a pure state
// machine over bench time. Whoever owns the port's goroutine drives it: call
// Next; write what it returns and call Sent; then wait until bytes come (Feed),
// a demand comes (Demand) or the time it named is reached, and call Next again.
type Asker interface {
	// Next returns the bytes to write now (nil: nothing) and the bench time at
	// which to call Next again at the latest.
	Next(now int64) (send []byte, again int64)
	// Sent tells that the bytes were handed to the port (err nil) or not.
	Sent(now int64, err error)
	// Feed takes received bytes.
	Feed(p []byte, now int64)
	// Demand sets the newest wish for an output of this line; it goes out
	// before any poll, and is read back.
	Demand(d Demand)
	// Take returns what came since the last call. The slices are freshly made.
	Take() ([]*Batch, []Readback)
	// Reset tells that the port went away or came back: the state of every
	// output is unknown until it has been written and read back again.
	Reset(now int64)
	Counters() Counters
}
