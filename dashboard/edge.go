package dashboard

import (
	"encoding/json"
	"math"
	"time"

	"ventward/daq"
	"ventward/guard"
	"ventward/report"
	"ventward/stream"
)

// An edge turns what the program knows (Pa, ns of bench time) into what users
// read (bar, RFC 3339, seconds of run time) for one envelope.
type edge struct {
	*stream.Envelope
	channels []daq.Channel
}

// utcLayout is RFC 3339 with all nine digits, so that stamps sort as text.
const utcLayout = "2006-01-02T15:04:05.000000000Z"

// utc is the wall clock at bench time t; empty where it isn't known or t is 0,
// which means "never".
func (e edge) utc(t int64) string {
	if e.Wall == 0 || t == 0 {
		return ""
	}
	return time.Unix(0, t+e.Wall).UTC().Format(utcLayout)
}

// runS is bench time t in s since the run's time zero.
func (e edge) runS(t int64) float64 { return float64(t-e.Start) / 1e9 }

// unitOf is a quantity's unit at the edge, its name in field names, and what
// divides the inner value.
func unitOf(q daq.Quantity) (name string, scale float64) {
	switch q {
	case daq.Pressure:
		return "bar", report.PaPerBar
	case daq.Temperature:
		return "C", 1
	case daq.Voltage:
		return "V", 1
	case daq.Current:
		return "A", 1
	case daq.Force:
		return "N", 1
	}
	return "", 1
}

// figure puts v into o under a name that ends in its unit. What is no finite
// number is left out: JSON can't say it.
func figure(o map[string]any, name string, v float64, q daq.Quantity) {
	unit, scale := unitOf(q)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	if unit != "" {
		name += "_" + unit
	}
	o[name] = v / scale
}

type channelJSON struct {
	ID        int     `json:"id"`
	Name      string  `json:"name"`
	Role      string  `json:"role,omitempty"`
	Quantity  string  `json:"quantity"`
	Unit      string  `json:"unit,omitempty"`
	PerUnit   float64 `json:"frame_per_unit"` // divides the values of sample frames
	Reference string  `json:"reference,omitempty"`
}

func channelTable(channels []daq.Channel) []channelJSON {
	out := make([]channelJSON, 0, len(channels))
	for i, c := range channels {
		unit, scale := unitOf(c.Quantity)
		out = append(out, channelJSON{ID: i, Name: c.Name, Role: string(c.Role), Quantity: string(c.Quantity), Unit: unit, PerUnit: scale, Reference: string(c.Reference)})
	}
	return out
}

func encodeHello(channels []daq.Channel, version string) []byte {
	b, err := json.Marshal(map[string]any{"type": "hello", "version": version, "channels": channelTable(channels), "bin_s": float64(stream.BinNs) / 1e9})
	if err != nil {
		return []byte(`{"type":"hello","channels":[]}`) // strings and numbers can't fail to be written
	}
	return b
}

type runJSON struct {
	ID          string  `json:"id"`
	Specimen    string  `json:"specimen"`
	Lot         string  `json:"lot,omitempty"`
	Shot        int     `json:"shot,omitempty"`
	StartUTC    string  `json:"start_utc"`
	StartBenchS float64 `json:"start_bench_s"`
	// EndBenchS is absent while the run is being recorded.
	EndBenchS *float64 `json:"end_bench_s,omitempty"`
}

func (e edge) run(r *stream.RunState, ended int64) *runJSON {
	if r == nil {
		return nil
	}
	out := &runJSON{ID: r.ID, Specimen: r.Specimen, Lot: r.Lot, Shot: r.Shot, StartUTC: r.StartUTC, StartBenchS: float64(r.Start) / 1e9}
	if ended != 0 {
		s := float64(ended) / 1e9
		out.EndBenchS = &s
	}
	return out
}

func (e edge) events() []report.Line {
	out := make([]report.Line, 0, len(e.Events))
	for _, ev := range e.Events {
		out = append(out, report.EventLine(ev, e.Start, e.channels))
	}
	return out
}

func (e edge) alarms() []map[string]any {
	out := make([]map[string]any, 0, len(e.Alarms))
	for i := range e.Alarms {
		out = append(out, e.alarm(&e.Alarms[i]))
	}
	return out
}

func (e edge) alarm(a *guard.Alarm) map[string]any {
	o := map[string]any{
		"id": a.ID, "rule": a.Rule, "priority": a.Priority, "state": a.State,
		"since_utc": e.utc(a.Since), "since_s": e.runS(a.Since), "changed_utc": e.utc(a.Changed),
		"message": a.Message, "text": a.Text, "first": a.First, "who": a.Who,
	}
	if a.Until != 0 {
		o["until_utc"] = e.utc(a.Until)
	}
	if a.Reason != "" {
		o["reason"] = a.Reason
	}
	if a.Count > 1 {
		o["count"] = a.Count
	}
	if a.Chatter {
		o["chatter"] = true
	}
	if int(a.Channel) < len(e.channels) {
		c := e.channels[a.Channel]
		unit, _ := unitOf(c.Quantity)
		o["channel"], o["unit"], o["reference"] = c.Name, unit, c.Reference
		if a.Value != 0 {
			figure(o, "value", a.Value, c.Quantity)
		}
	}
	return o
}

type outputJSON struct {
	Name     string `json:"name"`
	Role     string `json:"role,omitempty"`
	Demanded string `json:"demanded"` // on, off
	State    string `json:"state"`    // on, off, unknown
	Agrees   bool   `json:"agrees"`
	SinceUTC string `json:"since_utc"`
	Reason   string `json:"reason,omitempty"`
}

type watchdogJSON struct {
	Present bool   `json:"present"`
	Beating bool   `json:"beating"`
	LastUTC string `json:"last_utc,omitempty"`
	Why     string `json:"why,omitempty"`
}

type tripJSON struct {
	Rule     string   `json:"rule"`
	Tripped  bool     `json:"tripped"`
	Stands   bool     `json:"stands"`
	Past     bool     `json:"past,omitempty"` // what stands is only an event that was seen: a reset takes note of it
	SinceUTC string   `json:"since_utc,omitempty"`
	SinceS   *float64 `json:"since_s,omitempty"`
	Outputs  []string `json:"outputs"`
	First    bool     `json:"first,omitempty"` // no other trip was latched when it did

	Bypassed       bool   `json:"bypassed,omitempty"`
	BypassUntilUTC string `json:"bypass_until_utc,omitempty"`
	BypassWho      string `json:"bypass_who,omitempty"`
	BypassReason   string `json:"bypass_reason,omitempty"`
	ProofDue       string `json:"proof_due,omitempty"`
	Overdue        bool   `json:"overdue,omitempty"`
}

type lineJSON struct {
	Name      string       `json:"name"`
	Up        bool         `json:"up"`
	Reason    string       `json:"reason,omitempty"`
	Counters  daq.Counters `json:"counters"`
	AgeS      *float64     `json:"age_s,omitempty"`
	Settled   bool         `json:"settled"`
	ClockUS   *float64     `json:"clock_u_s,omitempty"`
	Checked   bool         `json:"checked"`
	Unchecked string       `json:"unchecked,omitempty"`
}

type featureJSON struct {
	Name     string   `json:"name"`
	LowBarg  *float64 `json:"low_barg,omitempty"`
	HighBarg *float64 `json:"high_barg,omitempty"`
}

type stateJSON struct {
	Bench         string               `json:"bench"`
	Rig           string               `json:"rig,omitempty"`
	Simulated     bool                 `json:"simulated"`
	Replay        bool                 `json:"replay"`
	Playing       *playingJSON         `json:"playing,omitempty"` // of a replay
	NowUTC        string               `json:"now_utc"`
	NowBenchS     float64              `json:"now_bench_s"`
	Phase         string               `json:"phase"`
	PhaseSinceUTC string               `json:"phase_since_utc,omitempty"`
	Run           *runJSON             `json:"run,omitempty"`
	Outputs       []outputJSON         `json:"outputs"`
	Watchdog      watchdogJSON         `json:"watchdog"`
	Trips         []tripJSON           `json:"trips"`
	Sensors       []map[string]any     `json:"sensors"`
	Instruments   []lineJSON           `json:"instruments"`
	Record        stream.RecordState   `json:"record"`
	Forward       *stream.ForwardState `json:"forward,omitempty"`
	LoopLagS      float64              `json:"loop_lag_s"`
	Refused       uint64               `json:"refused_entries"`
	Cautions      []string             `json:"cautions"`
	Features      []featureJSON        `json:"features"`
	Reference     string               `json:"reference,omitempty"` // of the pressures below
	PeakBar       *float64             `json:"peak_bar,omitempty"`
	PeakLossBar   *float64             `json:"peak_loss_bar,omitempty"`
	RampBarS      *float64             `json:"ramp_bar_s,omitempty"`
	TripBar       *float64             `json:"trip_bar,omitempty"`
	Guards        []guard.Check        `json:"guards,omitempty"` // what arming asks for
	Watch         []guard.Check        `json:"watch,omitempty"`  // what the pressure watch waits for; approach is never granted
	Held          *heldJSON            `json:"held,omitempty"`   // a specimen that did not open
	CutShort      *cutShortJSON        `json:"cut_short,omitempty"`
	AlarmLoad     guard.Load           `json:"alarm_load"`
	Names         []string             `json:"names"` // the persons named for arming
}

type playingJSON struct {
	Speed  float64  `json:"speed"` // run time to the clock's; 0: as fast as possible
	Paused bool     `json:"paused"`
	Over   bool     `json:"over"`
	AtS    float64  `json:"at_s"`
	EndS   *float64 `json:"end_s,omitempty"`
}

// cutShortJSON is the run before, where the program ended during it.
type cutShortJSON struct {
	Run      string `json:"run"`
	Specimen string `json:"specimen"`
}

type heldJSON struct {
	AtLeastBar  float64 `json:"at_least_bar"`
	Reference   string  `json:"reference"`
	Pressurised bool    `json:"pressurised"`
}

func (e edge) state() *stateJSON {
	s := e.State
	out := &stateJSON{
		Bench: s.Bench, Rig: s.Rig, Simulated: s.Simulated, Replay: s.Replay != nil,
		NowUTC: s.NowUTC, NowBenchS: float64(s.Now) / 1e9,
		Phase: s.Phase, PhaseSinceUTC: e.utc(s.PhaseAt), Run: e.run(s.Run, 0),
		Watchdog: watchdogJSON{Present: s.Watchdog.Present, Beating: s.Watchdog.Beating, LastUTC: e.utc(s.Watchdog.Last), Why: s.Watchdog.Why},
		Record:   s.Record, Forward: s.Forward, LoopLagS: finite(s.LoopLagS), Refused: s.Refused,
		Cautions: append([]string{}, s.Cautions...), Reference: specimenReference(e.channels),
		PeakBar: bar(s.PeakPa), PeakLossBar: bar(s.PeakLoss), RampBarS: bar(s.RampPaS), TripBar: bar(s.TripPa),
		Outputs: []outputJSON{}, Trips: []tripJSON{}, Sensors: []map[string]any{}, Instruments: []lineJSON{}, Features: []featureJSON{},
	}
	out.Playing = e.playing(s.Replay)
	out.Guards, out.Watch, out.AlarmLoad = s.Guards, s.Waits, s.Load
	out.Names = []string{}
	for _, n := range s.Names {
		if n != "" {
			out.Names = append(out.Names, n)
		}
	}
	if c := s.CutShort; c != nil {
		out.CutShort = &cutShortJSON{c.ID, c.Specimen}
	}
	if h := s.Held; h != nil {
		out.Held = &heldJSON{finite(h.AtLeastPa / report.PaPerBar), string(h.Reference), h.Pressurised}
	}
	out.Record.LagS = finite(out.Record.LagS)
	for i := range s.Outputs {
		o := &s.Outputs[i]
		out.Outputs = append(out.Outputs, outputJSON{Name: o.Name, Role: string(o.Role), Demanded: onOff(o.Demanded), State: string(o.State), Agrees: o.Agrees, SinceUTC: e.utc(o.Since), Reason: o.Reason})
	}
	for i := range s.Trips {
		out.Trips = append(out.Trips, e.trip(&s.Trips[i]))
	}
	for i := range s.Sensors {
		out.Sensors = append(out.Sensors, e.sensor(&s.Sensors[i]))
	}
	for i := range s.Lines {
		out.Instruments = append(out.Instruments, instrument(&s.Lines[i]))
	}
	for _, f := range s.Features {
		out.Features = append(out.Features, featureJSON{f.Name, bar(f.LowPa), bar(f.HighPa)})
	}
	return out
}

// playing is how a replay plays, in run time; nil: it is none.
func (e edge) playing(r *stream.ReplayState) *playingJSON {
	if r == nil {
		return nil
	}
	out := &playingJSON{Speed: finite(r.Speed), Paused: r.Paused, Over: r.Over, AtS: e.runS(r.At)}
	if r.End >= r.At {
		end := e.runS(r.End)
		out.EndS = &end
	}
	return out
}

func (e edge) trip(t *guard.Trip) tripJSON {
	out := tripJSON{Rule: t.Rule, Tripped: t.Tripped, Stands: t.Stands, Past: t.Past, Outputs: []string{}, First: t.First, ProofDue: t.ProofDue, Overdue: t.Overdue,
		Bypassed: t.Bypassed, BypassUntilUTC: e.utc(t.BypassUntil), BypassWho: t.BypassWho, BypassReason: t.BypassReason}
	if t.Tripped {
		s := e.runS(t.Since)
		out.SinceUTC, out.SinceS = e.utc(t.Since), &s
	}
	for _, i := range t.Outputs {
		if i >= 0 && i < len(e.State.Outputs) {
			out.Outputs = append(out.Outputs, e.State.Outputs[i].Name)
		}
	}
	return out
}

func (e edge) sensor(s *stream.SensorState) map[string]any {
	unit, _ := unitOf(s.Quantity)
	o := map[string]any{
		"name": s.Name, "role": s.Role, "quantity": s.Quantity, "unit": unit, "reference": s.Reference,
		"at_utc": e.utc(s.At), "quality": s.Quality, "zeroed": s.Zeroed, "cal_due": s.Due,
	}
	if s.Value != nil {
		figure(o, "value", *s.Value, s.Quantity)
	}
	if s.U != nil {
		figure(o, "u", *s.U, s.Quantity)
	}
	figure(o, "noise", s.Noise, s.Quantity)
	if s.Low != 0 || s.High != 0 {
		figure(o, "low", s.Low, s.Quantity)
		figure(o, "high", s.High, s.Quantity)
	}
	if v := known(s.AgeS); v != nil {
		o["age_s"] = *v
	}
	if v := known(s.RateHz); v != nil {
		o["rate_hz"] = *v
	}
	return o
}

func instrument(l *stream.LineState) lineJSON {
	out := lineJSON{Name: l.Name, Up: l.Up, Reason: l.Reason, Counters: l.Counters, AgeS: known(l.AgeS), Settled: l.Settled, ClockUS: known(l.ClockU), Checked: l.Checked}
	if !l.Checked {
		out.Unchecked = "this line has no checksum: a damaged byte may pass as a value"
	}
	return out
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

func bar(pa *float64) *float64 {
	if pa == nil {
		return nil
	}
	return known(*pa / report.PaPerBar)
}

// known is nil for what is no finite number.
func known(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func finite(v float64) float64 {
	if k := known(v); k != nil {
		return *k
	}
	return 0
}

// specimenReference is the reference of the first channel that watches the
// specimen.
func specimenReference(channels []daq.Channel) string {
	for i := range channels {
		if channels[i].IsPressure() {
			return string(channels[i].Reference)
		}
	}
	return ""
}

// encodeEnvelope writes an envelope as a message of the live feed.
func encodeEnvelope(env *stream.Envelope, channels []daq.Channel) ([]byte, error) {
	e := edge{env, channels}
	m := map[string]any{"type": env.Kind}
	switch env.Kind {
	case stream.KindRun:
		m["run"] = e.run(env.Run, env.Ended)
	case stream.KindEvent:
		m["event"] = report.EventLine(*env.Event, env.Start, channels)
	case stream.KindAlarm:
		m["alarm"] = e.alarm(env.Alarm)
	case stream.KindState:
		m["state"] = e.state()
	case stream.KindSnapshot:
		m["run"], m["events"], m["alarms"] = e.run(env.Run, env.Ended), e.events(), e.alarms()
		if env.State != nil {
			m["state"] = e.state()
		}
	}
	return json.Marshal(m)
}
