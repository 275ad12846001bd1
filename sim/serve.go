package sim

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"
)

// Options are what Serve needs.
type Options struct {
	Bench Bench
	World *World // specimens that can be loaded by id; nil: only pieces sent along
	Seed  uint64 // of everything that is drawn
	Links string // folder of stable names for the terminals; empty: none
	// Speed is simulated seconds a second. 0 or 1: real time. math.Inf(1): as
	// fast as the daemon keeps up. Other speeds than 1 need a Page.
	Speed float64
	Page  *Page
	Lead  time.Duration // how far simulated time may run ahead of the daemon's progress; 0: 20 ms
}

// Bounds of the pace. All real time.
const (
	chunk     = time.Millisecond       // simulated time done at once; twice that at other speeds than 1
	idle      = 100 * time.Microsecond // sleep when there is nothing to do yet
	patience  = time.Second            // a daemon that makes no progress for so long is taken for dead: time goes on at speed 1
	sentEvery = 5 * time.Second        // simulated time between reports of what was sent
	maxBehind = 500 * time.Millisecond // a fixed speed is not made up for beyond this
)

// server plays a stand on terminals.
type server struct {
	opts   Options
	stand  *stand
	terms  []*terminal
	out    *json.Encoder
	outErr error

	start    int64 // Monotonic time of the rig's 0
	per      int   // base steps in a chunk
	next     *Specimen
	present  Specimen
	nextSent float64 // s of the rig
	supply   bool
	relay    bool
	dumped   bool
	plugAt   map[int]float64 // terminals that are away: when they come back
	buf      [4096]byte

	lastMove     int64 // Monotonic, ns: when the daemon's progress last moved
	lastProgress int64
	freeFrom     int64 // simulated ns and Monotonic ns at which a free run began
	freeAt       int64
	paceFrom     int64 // the same for a fixed speed
	paceAt       int64
}

// Serve plays the bench on pseudo-terminals until ctx ends or it is told to
// stop: it reads commands (one JSON object a line) from in and writes reports
// (the same) to out. The first report tells the terminals. It returns nil when
// it was stopped, also by the end of in.
func Serve(ctx context.Context, o Options, in io.Reader, out io.Writer) error {
	v, err := newServer(o, out)
	if err != nil {
		return err
	}
	defer v.close()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	cmds := commands(ctx, in)
	v.ready()
	for ctx.Err() == nil && v.outErr == nil {
		select {
		case get, ok := <-cmds:
			if !ok {
				v.finish()
				return v.outErr
			}
			c, err := get()
			if err == nil {
				err = v.do(c)
			}
			if errors.Is(err, errStop) {
				v.finish()
				return v.outErr
			}
			if err != nil {
				v.report(Report{Error: err.Error()})
			}
			continue
		default:
		}
		if wait := v.wait(); wait > 0 {
			time.Sleep(wait)
			continue
		}
		v.chunk()
	}
	v.finish()
	return v.outErr
}

func newServer(o Options, out io.Writer) (*server, error) {
	if o.Speed == 0 {
		o.Speed = 1
	}
	if o.Speed != 1 && o.Page == nil {
		return nil, fmt.Errorf("speed %g needs a clock page: name its file, the same for simulator and daemon", o.Speed)
	}
	if !(o.Speed > 0) {
		return nil, fmt.Errorf("speed %g: give a positive number or max", o.Speed)
	}
	if o.Lead == 0 {
		o.Lead = 20 * time.Millisecond
	}
	o.Bench.Fixture = o.Bench.Fixture.today(stream(o.Seed, forWorld, 1<<21))
	s, err := newStand(&o.Bench, standOptions{seed: o.Seed, calibration: 1})
	if err != nil {
		return nil, err
	}
	v := &server{opts: o, stand: s, out: json.NewEncoder(out), plugAt: map[int]float64{}}
	v.per = max(1, int(math.Round(chunk.Seconds()/s.base)))
	if o.Speed != 1 {
		v.per *= 2
	}
	for i := range o.Bench.Instruments {
		t, err := openTerminal(o.Bench.Instruments[i].Name, o.Links)
		if err != nil {
			v.close()
			return nil, err
		}
		v.terms = append(v.terms, t)
	}
	v.start = Monotonic()
	v.lastMove = v.start
	if o.Page != nil {
		o.Page.SetNow(v.start)
		o.Page.SetProgress(v.start)
	}
	return v, nil
}

func (v *server) close() {
	for _, t := range v.terms {
		t.close()
	}
}

func (v *server) ready() {
	r := &Ready{Ports: map[string]string{}, Terminals: map[string]string{}}
	for _, t := range v.terms {
		r.Ports[t.name], r.Terminals[t.name] = t.path, t.path
		if t.link != "" {
			r.Ports[t.name] = t.link
		}
	}
	v.report(Report{Ready: r})
}

// at is a time of the rig on the scale of Monotonic.
func (v *server) at(t float64) int64 { return v.start + ns(t) }

func (v *server) report(r Report) {
	r.AtNS = v.at(v.stand.rig.t)
	if err := v.out.Encode(r); err != nil && v.outErr == nil {
		v.outErr = fmt.Errorf("control channel: %w", err)
	}
}

func (v *server) reportSent() {
	m := map[string]Sent{}
	for i, t := range v.terms {
		sent := t.sent
		sent.Asked = v.stand.devices[i].questions()
		m[t.name] = sent
	}
	v.report(Report{Sent: m})
	v.nextSent = v.stand.rig.t + sentEvery.Seconds()
}

func (v *server) reportState() {
	r := v.stand.rig
	inside := r.inside() - r.ambient
	if r.cell != nil {
		inside = r.cell.p - r.ambient
	}
	v.report(Report{Results: r.results(), State: &State{PressurePa: r.p - r.ambient, AmbientPa: r.ambient, InsidePa: inside, GasC: r.temp - kelvin, Loading: v.next != nil,
		Specimen: v.present.ID, SupplyOpen: r.supply.pos > 0, Watchdog: v.stand.relay.closed}})
	v.reportSent()
}

func (v *server) finish() {
	v.reportSent()
	v.report(Report{Stopped: true})
}

// wait is how long the next chunk's time has not come yet, in real time as far
// as that is known; 0: it has.
func (v *server) wait() time.Duration {
	now := Monotonic()
	end := v.at(float64(v.stand.steps+int64(v.per)) * v.stand.base)
	if v.opts.Speed == 1 {
		return max(0, time.Duration(end-now))
	}
	if p := v.opts.Page.Progress(); p != v.lastProgress {
		v.lastProgress, v.lastMove = p, now
		v.freeAt = 0
	}
	if now-v.lastMove > int64(patience) { // nobody is there: time goes on as on the wall
		if v.freeAt == 0 {
			v.freeAt, v.freeFrom = now, v.at(v.stand.rig.t)
		}
		return max(0, time.Duration((end-v.freeFrom)-(now-v.freeAt)))
	}
	if end > v.lastProgress+int64(v.opts.Lead) || !v.drained() {
		return idle
	}
	return v.pace(end, now)
}

// pace holds a fixed speed. What was lost because the daemon did not keep up
// is made up for only as far as maxBehind.
func (v *server) pace(end, now int64) time.Duration {
	x := v.opts.Speed
	if math.IsInf(x, 1) {
		return 0
	}
	if v.paceAt == 0 {
		v.paceAt, v.paceFrom = now, end
	}
	want := v.paceFrom + int64(x*float64(now-v.paceAt))
	if float64(want-end) > x*float64(maxBehind) {
		v.paceAt, v.paceFrom = now, end
	}
	return max(0, time.Duration(float64(end-want)/x))
}

// drained hands on what waits and tells whether the terminals took it all. At
// other speeds than 1 the device waits for its reader instead of overrunning.
func (v *server) drained() bool {
	all := true
	for i, t := range v.terms {
		if v.stand.devices[i].fault.on("stall", v.stand.rig.t) {
			continue
		}
		all = t.flush() && all
	}
	return all
}

// chunk advances simulated time by one chunk and sends what was due in it.
func (v *server) chunk() {
	s := v.stand
	s.advance(v.per)
	t := s.rig.t
	if v.opts.Page != nil {
		v.opts.Page.SetNow(v.at(t)) // before the bytes, so that none is older than its sample
	}
	for i, d := range s.devices {
		v.ports(i, d, t)
	}
	v.change(t)
	v.changes()
	for _, h := range s.rig.takeTruth() {
		h.StartNS, h.OnsetNS = h.StartNS+v.start, h.OnsetNS+v.start
		if h.EndNS != 0 {
			h.EndNS += v.start
		}
		h.Specimen = v.present.ID
		v.report(Report{Truth: &h})
	}
	if t >= v.nextSent {
		v.reportSent()
	}
}

// ports serves one device's terminal.
func (v *server) ports(i int, d *device, t float64) {
	term := v.terms[i]
	v.plugs(i, d, t)
	send := func(msg []byte, rows int, damaged bool) {
		if damaged {
			term.sent.Damaged++
		}
		term.send(msg, rows)
	}
	d.emit(t, send, func(rows int) { term.sent.Lost += uint64(rows) })
	if d.asked() {
		d.ask(term.receive(v.buf[:]), t)
		d.due(t, send)
	}
	if !d.fault.on("stall", t) {
		term.flush()
	}
}

// plugs takes the terminal away and brings it back as its fault wants.
func (v *server) plugs(i int, d *device, t float64) {
	term := v.terms[i]
	away := d.fault.on("unplug", t)
	switch {
	case away && term.fd >= 0:
		term.unplug()
		v.report(Report{Port: &PortChange{Instrument: term.name}})
	case !away && term.fd < 0:
		if err := term.plug(); err != nil {
			d.fault.start("unplug", t, 1, 0) // try again in a second
			v.report(Report{Error: err.Error()})
			return
		}
		v.report(Report{Port: &PortChange{Instrument: term.name, Up: true, Terminal: term.path}})
	}
}

// change puts the next specimen in once the supply is shut and the fixture,
// dumped by hand, is without pressure and at room temperature.
func (v *server) change(t float64) {
	r := v.stand.rig
	if v.next == nil || r.supply.pos > 0 || r.heater {
		return
	}
	r.dump.want = true
	if r.p-r.ambient > 500 || r.cell == nil && math.Abs(r.temp-r.wall) > 0.5 {
		return
	}
	if x := r.results(); x != nil {
		v.report(Report{Results: x})
	}
	r.handDump, r.handShut, r.fillP, r.pulse = false, false, 0, nil
	r.dump.want, r.dump.pos = false, 0
	v.stand.drive()
	v.stand.armed = nil
	v.present, v.next = *v.next, nil
	r.take(&v.present)
	p := v.present
	v.report(Report{Loaded: &p})
}

// changes reports what the valves and the relay did.
func (v *server) changes() {
	s := v.stand
	if on := s.relay.closed; on != v.relay {
		v.relay = on
		why := "heartbeat"
		if !on {
			why = "no edge in time"
		}
		v.report(Report{Watchdog: &Switch{Open: !on, Why: why}})
	}
	if open := s.rig.supply.want; open != v.supply {
		v.supply = open
		why := "coil"
		if !open && s.guarded() && !s.relay.closed {
			why = "watchdog"
		}
		v.report(Report{Supply: &Switch{Open: open, Why: why}})
	}
	if open := s.rig.dump.want; open != v.dumped {
		v.dumped = open
		why := "coil"
		if s.rig.handDump || v.next != nil || !s.hasDump() {
			why = "hand"
		}
		v.report(Report{Dump: &Switch{Open: open, Why: why}})
	}
}
