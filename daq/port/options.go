package port

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"go.bug.st/serial"
)

// Options describes one port. Zero values of the optional fields take the
// defaults named beside them.
type Options struct {
	Path     string // stable path, for example below /dev/serial/by-id
	Baud     int    // line speed, above 0
	DataBits int    // 5 to 8; 0: 8
	Parity   string // none, even, odd; empty: none
	StopBits int    // 1 or 2; 0: 1

	// Now returns bench time in ns, monotonic. Nil: ns since the program started.
	Now func() int64
	// LockDir holds one lock file for each device in use. Programs that share
	// a machine must share it. Empty: ventward-locks in the folder for
	// temporary files.
	LockDir string
	// WriteTimeout bounds a Write. 0: 500 ms.
	WriteTimeout time.Duration
	// ReopenMin and ReopenMax bound the wait between attempts to reopen a port
	// that went away; it doubles from one to the other. 0: 50 ms and 2 s.
	ReopenMin, ReopenMax time.Duration
	// Patient makes Open succeed on a device that isn't there, or that another
	// program uses: the Link keeps trying, as if it had gone away.
	Patient bool
}

const (
	readTimeout  = 100 * time.Millisecond
	writeTimeout = 500 * time.Millisecond
	reopenMin    = 50 * time.Millisecond
	reopenMax    = 2 * time.Second
	maxBaud      = 20_000_000
)

var start = time.Now()

// sinceStart is the default of Options.Now.
func sinceStart() int64 { return int64(time.Since(start)) }

// Check returns what is wrong with the options, nil for nothing.
func (o *Options) Check() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf("port: "+format, args...)) }
	if o.Path == "" {
		bad("no path is given; name the device, for example below /dev/serial/by-id")
	}
	if o.Baud <= 0 || o.Baud > maxBaud {
		bad("%s: a speed of %d baud can't be; state 1 to %d", o.Path, o.Baud, maxBaud)
	}
	if o.DataBits != 0 && (o.DataBits < 5 || o.DataBits > 8) {
		bad("%s: %d data bits can't be; state 5 to 8", o.Path, o.DataBits)
	}
	if _, ok := parities[o.Parity]; !ok {
		bad("%s: parity %q is not known; write none, even or odd", o.Path, o.Parity)
	}
	if o.StopBits < 0 || o.StopBits > 2 {
		bad("%s: %d stop bits can't be; state 1 or 2", o.Path, o.StopBits)
	}
	if o.WriteTimeout < 0 || o.ReopenMin < 0 || o.ReopenMax < 0 {
		bad("%s: a time below zero can't be; leave it 0 for the default", o.Path)
	}
	return errors.Join(errs...)
}

func (o *Options) setDefaults() {
	if o.DataBits == 0 {
		o.DataBits = 8
	}
	if o.Now == nil {
		o.Now = sinceStart
	}
	if o.LockDir == "" {
		o.LockDir = filepath.Join(os.TempDir(), "ventward-locks")
	}
	if o.WriteTimeout == 0 {
		o.WriteTimeout = writeTimeout
	}
	if o.ReopenMin == 0 {
		o.ReopenMin = reopenMin
	}
	if o.ReopenMax == 0 {
		o.ReopenMax = reopenMax
	}
	o.ReopenMax = max(o.ReopenMax, o.ReopenMin)
}

var parities = map[string]serial.Parity{"": serial.NoParity, "none": serial.NoParity, "even": serial.EvenParity, "odd": serial.OddParity}

// mode leaves InitialStatusBits nil: setting them fails on ports without modem
// lines, and a port should be opened with as little done to it as can be.
func (o *Options) mode() *serial.Mode {
	m := &serial.Mode{BaudRate: o.Baud, DataBits: o.DataBits, Parity: parities[o.Parity], StopBits: serial.OneStopBit}
	if o.StopBits == 2 {
		m.StopBits = serial.TwoStopBits
	}
	return m
}
