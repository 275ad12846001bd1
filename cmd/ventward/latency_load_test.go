package main

import (
	"fmt"
	"net"
	"path/filepath"
	"testing"
	"time"

	"ventward/config"
	"ventward/daq"
	"ventward/guard"
)

// What newLoaded puts on a stand-in.
const (
	loadColumns = 10 // channels of each line beside the first, which has four
	loadRules   = 200
	loadViewers = 50
	loadDisk    = 256 << 20 // bytes
)

// newLoaded is a stand-in under load, with so many lines beside the first: see
// BenchmarkDemand.
func newLoaded(b testing.TB, lines int) *standIn {
	b.Helper()
	bench := exampleBench(b)
	dir := filepath.Join(b.TempDir(), "data")
	own := smallDisk(b, dir, loadDisk)
	bench.Record.MinFreeBytes = 0
	bench.Record.IdleS = 20
	bench.Influx = &config.Influx{URL: "http://" + neverAnswers(b), Bucket: "bench/autogen", Token: "user:password"}
	s := standInFor(b, bench, daemonOptions{Bench: bench, Listen: "127.0.0.1:0"}, dir, lines)
	s.before = 20 * time.Second
	for range loadViewers {
		stall(b, s.d.addr)
	}
	if own {
		s.fill = func() func() { return s.takeRoom(b, dir) }
	}
	return s
}

// addLine gives a bench one more instrument with loadColumns channels, and
// rules that trip as the first one does, until there are most.
func addLine(b *config.Bench, name, path string, most int) {
	in := b.Instruments[0]
	f := *in.Frame
	f.Columns = loadColumns
	in.Name, in.Frame, in.Columns, in.Port.Path = name, &f, loadColumns, path
	b.Instruments = append(b.Instruments, in)
	for i := range loadColumns {
		c := b.Channels[0]
		c.Name, c.Role, c.Instrument, c.Column = fmt.Sprintf("%s-%d", name, i+1), "", len(b.Instruments)-1, i
		b.Channels = append(b.Channels, c)
		b.Detect.RateHz = append(b.Detect.RateHz, in.RateHz)
		now := most - (most-len(b.Guard.Rules))*(loadColumns-1-i)/(loadColumns-i)
		for kind := 0; len(b.Guard.Rules) < now; kind++ {
			r := b.Guard.Rules[0]
			r.Name, r.Channels = fmt.Sprintf("%s of %d", r.Name, len(b.Guard.Rules)), []daq.ChannelID{daq.ChannelID(len(b.Channels) - 1)}
			r.Kind = []guard.RuleKind{guard.LimitHigh, guard.Faulty, guard.Stale}[kind%3]
			r.StaleS = 2 // the stand-in itself may have to wait for a processor
			b.Guard.Rules = append(b.Guard.Rules, r)
		}
	}
	b.Detect.Channels, b.Guard.Channels = b.Channels, b.Channels
}

// neverAnswers is the address of a server that takes connections and no more.
func neverAnswers(b testing.TB) string {
	b.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { ln.Close() })
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			defer c.Close()
		}
	}()
	return ln.Addr().String()
}

// stall joins the live feed and reads nothing; when it was thrown out it comes
// again.
func stall(b testing.TB, addr string) {
	done := make(chan struct{})
	b.Cleanup(func() { close(done) })
	go func() {
		for {
			c, err := net.Dial("tcp", addr)
			if err != nil {
				return
			}
			fmt.Fprintf(c, "GET /api/v1/live HTTP/1.1\r\nHost: %s\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"+
				"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n", addr)
			select {
			case <-done:
				c.Close()
				return
			case <-time.After(8 * time.Second):
				c.Close()
			}
		}
	}()
}

// takeRoom takes the disk's room, and what is given back meanwhile, until the
// record can't be written.
func (s *standIn) takeRoom(b testing.TB, dir string) (empty func()) {
	b.Helper()
	f := newFilling(b, dir)
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		f.more(b)
		if st := s.d.loop.status.Load(); st != nil && st.Record.Error != "" {
			return f.empty
		}
		if time.Now().After(end) {
			b.Fatal("the record does not notice that the disk is full")
		}
	}
}
