package stream

import (
	"ventward/daq"
	"ventward/guard"
)

// State is what a viewer needs to know of the bench besides samples, events
// and alarms. The loop publishes it a few times a second and on every change.
// Times are bench time in ns unless the name ends in _s (run time) or _utc.
type State struct {
	Bench     string         `json:"bench"`
	Rig       string         `json:"rig,omitempty"`   // burst or runaway
	Simulated bool           `json:"simulated"`       // a simulated bench: say so on the page
	Replay    *ReplayState   `json:"replay"`          // caution 8: how a stored run plays; nil: this is the bench
	Now       int64          `json:"now"`             // bench time of this state
	NowUTC    string         `json:"now_utc"`         // RFC 3339 with ns
	Phase     string         `json:"phase"`           // at rest, preparing, armed, under test, holding pressure, making safe, pressure watch
	PhaseAt   int64          `json:"phase_since"`     //
	Run       *RunState      `json:"run,omitempty"`   // the run being recorded
	Outputs   []OutputState  `json:"outputs"`         //
	Watchdog  WatchdogState  `json:"watchdog"`        //
	Trips     []guard.Trip   `json:"trips"`           //
	Sensors   []SensorState  `json:"sensors"`         // one for each channel
	Lines     []LineState    `json:"instruments"`     // one for each instrument
	Record    RecordState    `json:"record"`          //
	LoopLagS  float64        `json:"loop_lag_s"`      // age of the entry last taken
	Refused   uint64         `json:"refused_entries"` // entries refused because a queue was full
	Forward   *ForwardState  `json:"forward,omitempty"`
	Cautions  []string       `json:"cautions,omitempty"` // cautions that apply now
	Features  []FeatureState `json:"features,omitempty"`
	PeakLoss  *float64       `json:"peak_loss_Pa,omitempty"` // caution 5 at the ramp on which the peak was reached
	RampPaS   *float64       `json:"ramp_Pa_s,omitempty"`
	PeakPa    *float64       `json:"peak_Pa,omitempty"` // highest valid sample since arming
	TripPa    *float64       `json:"trip_Pa,omitempty"` // nearest high limit that trips
	// Guards is what arming asks for and what is missing; Waits what the
	// pressure watch waits for, never a grant of approach; Held a specimen that
	// did not open.
	Guards   []guard.Check `json:"guards,omitempty"`
	Waits    []guard.Check `json:"watch,omitempty"`
	Held     *guard.Held   `json:"held,omitempty"`
	CutShort *RunState     `json:"cut_short,omitempty"` // the run before, where the program ended during it: its specimen may be under pressure
	Load     guard.Load    `json:"alarm_load"`
	Names    [2]string     `json:"names"` // the two persons named for arming; empty: not named
	Commands []daq.Command `json:"-"`
}

// ReplayState is how a replay plays.
type ReplayState struct {
	Speed  float64 // bench time to the clock's; 0: as fast as possible
	Paused bool
	Over   bool  // the record has ended
	At     int64 // bench time that is shown
	End    int64 // bench time at which the record ends; before At where that isn't known
}

// RunState names the run being recorded.
type RunState struct {
	ID       string `json:"id"`
	Specimen string `json:"specimen"`
	Lot      string `json:"lot,omitempty"`
	Shot     int    `json:"shot,omitempty"`
	Start    int64  `json:"start"` // bench time of run time zero
	StartUTC string `json:"start_utc"`
}

// OutputState is a demand beside what was read back.
type OutputState struct {
	Name     string          `json:"name"`
	Role     daq.Role        `json:"role,omitempty"`
	Demanded bool            `json:"demanded"`
	State    daq.OutputState `json:"state"`
	Since    int64           `json:"since"`
	Agrees   bool            `json:"agrees"` // read back as demanded
	Reason   string          `json:"reason,omitempty"`
}

// WatchdogState tells of the edges sent to the hard watchdog relay.
type WatchdogState struct {
	Present bool   `json:"present"`
	Beating bool   `json:"beating"` // an edge was confirmed within two periods
	Last    int64  `json:"last"`
	Why     string `json:"why,omitempty"` // why no edge is sent
}

// SensorState is a channel's newest value and health.
type SensorState struct {
	Name      string        `json:"name"`
	Role      daq.Role      `json:"role,omitempty"`
	Quantity  daq.Quantity  `json:"quantity"`
	Reference daq.Reference `json:"reference,omitempty"`
	Value     *float64      `json:"value,omitempty"` // Pa, °C, V, ...; nil: no reading
	U         *float64      `json:"u,omitempty"`     // expanded, k = 2, calibration
	At        int64         `json:"at"`              // sample time of Value
	AgeS      float64       `json:"age_s"`
	Quality   string        `json:"quality"` // daq.Quality as words
	Noise     float64       `json:"noise"`   // standard deviation of a sample
	Low       float64       `json:"low"`
	High      float64       `json:"high"`
	RateHz    float64       `json:"rate_Hz"`
	Due       string        `json:"cal_due,omitempty"`
	Zeroed    bool          `json:"zeroed"`
}

// LineState is an instrument's health.
type LineState struct {
	Name     string       `json:"name"`
	Up       bool         `json:"up"`
	Reason   string       `json:"reason,omitempty"`
	Counters daq.Counters `json:"counters"`
	AgeS     float64      `json:"age_s"` // since the last row
	Settled  bool         `json:"settled"`
	ClockU   float64      `json:"clock_u_s"`
	Checked  bool         `json:"checked"` // the protocol has a checksum; false is said on screen
}

// RecordState tells what is safe on disk.
type RecordState struct {
	Recording bool    `json:"recording"`
	Run       string  `json:"run,omitempty"`
	LagS      float64 `json:"lag_s"` // age of the oldest entry not yet committed
	Error     string  `json:"error,omitempty"`
	Lost      uint64  `json:"lost_entries"`
	FreeBytes uint64  `json:"free_bytes"`
}

// ForwardState tells how far the copy to the time-series database is.
type ForwardState struct {
	Up      bool    `json:"up"`
	LagS    float64 `json:"lag_s"`
	Points  uint64  `json:"points"`
	Refused uint64  `json:"refused"`
	Error   string  `json:"error,omitempty"`
}

// FeatureState is a feature under watch, for the chart and the margin.
type FeatureState struct {
	Name   string   `json:"name"`
	LowPa  *float64 `json:"low_Pa,omitempty"`
	HighPa *float64 `json:"high_Pa,omitempty"`
}
