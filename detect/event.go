package detect

import (
	"math"

	"ventward/daq"
)

// Kind is what happened.
type Kind string

const (
	VentOpening    Kind = "vent-opening"
	Rupture        Kind = "rupture"
	Reseal         Kind = "reseal"
	Leak           Kind = "leak"
	Bulge          Kind = "bulge"
	FirstVenting   Kind = "first-venting"
	Runaway        Kind = "runaway"
	ContinuityLoss Kind = "continuity-loss"
	SupplyStep     Kind = "supply-step"
	Dump           Kind = "dump"
	SensorFault    Kind = "sensor-fault"
)

// Fault tells what a sensor-fault is.
type Fault string

const (
	FaultSpike        Fault = "spike"
	FaultDropout      Fault = "dropout"
	FaultOpen         Fault = "open"
	FaultRail         Fault = "rail"
	FaultFrozen       Fault = "frozen"
	FaultGap          Fault = "gap"
	FaultThermalShock Fault = "thermal-shock"
	FaultReversed     Fault = "reversed" // the wires of a thermocouple
)

// Flag qualifies an event's figures.
type Flag string

const (
	FlagSaturated      Flag = "saturated"
	FlagLowerBound     Flag = "lower-bound"
	FlagGap            Flag = "gap"
	FlagUnsettledClock Flag = "unsettled-clock"
	FlagUncalibrated   Flag = "uncalibrated"
	FlagUnverifiedZero Flag = "unverified-zero"
	FlagOutOfOrder     Flag = "out-of-order"
	FlagOutsideRange   Flag = "outside-range"
	FlagSupplyRunning  Flag = "supply-running"
	FlagKindUncertain  Flag = "kind-uncertain"
	FlagLagUnknown     Flag = "lag-unknown"
)

// An Event is one thing that happened, however many channels saw it. Its
// revisions share ID; the last Rev holds. Pressures in Pa in the channel's own
// reference, times in ns of bench time, uncertainties expanded with k = 2.
//
// A pointer is nil where the figure was not computed; Absent then names the
// JSON field and the reason.
type Event struct {
	ID      int    `json:"id"`
	Rev     int    `json:"rev"`
	Kind    Kind   `json:"kind"`
	Fault   Fault  `json:"fault,omitempty"`
	Feature string `json:"feature,omitempty"` // label from the features' ranges, never the reason for a call

	Channel  daq.ChannelID   `json:"channel"`            // the channel the figures come from
	Channels []daq.ChannelID `json:"channels,omitempty"` // all that saw it

	Decided int64  `json:"decided"`         // sample time at which the online trigger fired
	Named   int64  `json:"named,omitempty"` // sample time at which the kind was settled; 0: not yet
	Index   uint64 `json:"index"`           // number of the deciding sample in its channel since the monitor was made

	Onset  int64  `json:"onset"`             // effective onset, t0 + w/2
	OnsetU *int64 `json:"onset_u,omitempty"` // ns
	Start  int64  `json:"start,omitempty"`   // t0
	StartU *int64 `json:"start_u,omitempty"` // ns
	End    int64  `json:"end,omitempty"`     // for what has an end
	// ClockU bounds the error that all times of the instrument share, ns: how
	// late bench time may tell its samples (daq.Stamp). OnsetU and StartU are
	// without it. 0: the samples brought their times with them.
	ClockU int64 `json:"clock_u,omitempty"`

	PressurePa  *float64 `json:"pressure_Pa,omitempty"`   // line fitted before the event, at Onset
	PressureUPa *float64 `json:"pressure_u_Pa,omitempty"` // fit and calibration combined
	FitDof      *float64 `json:"fit_dof,omitempty"`       // degrees of freedom of the fit's part of PressureUPa and AreaUM2; nil: infinite or not known
	PeakPa      *float64 `json:"peak_Pa,omitempty"`       // highest valid sample since the previous event; for the record only
	PeakLossPa  *float64 `json:"peak_loss_Pa,omitempty"`  // what the estimate may still miss, one-sided
	DropPa      *float64 `json:"drop_Pa,omitempty"`
	RampPaS     *float64 `json:"ramp_Pa_s,omitempty"` // achieved ramp before the event
	TauS        *float64 `json:"tau_s,omitempty"`     // time constant of the fall
	AreaM2      *float64 `json:"area_m2,omitempty"`   // effective area C_d A
	AreaUM2     *float64 `json:"area_u_m2,omitempty"`
	AreaLowerM2 *float64 `json:"area_lower_m2,omitempty"`

	RatePaS   *float64 `json:"rate_Pa_s,omitempty"` // leak
	StepPa    *float64 `json:"step_Pa,omitempty"`   // first venting
	DipC      *float64 `json:"dip_C,omitempty"`     // first venting
	Criterion string   `json:"criterion,omitempty"` // runaway

	Reference daq.Reference     `json:"reference,omitempty"`
	Flags     []Flag            `json:"flags,omitempty"`
	Absent    map[string]string `json:"absent,omitempty"`
}

// OnBench is the expanded uncertainty (ns) on bench time of a time of the event
// whose own is u (nil: nil): the clock's bound is joined in quadrature. For the
// time between two events of one instrument u alone counts.
func (e *Event) OnBench(u *int64) *int64 {
	if u == nil {
		return nil
	}
	return new(int64(math.Ceil(math.Hypot(float64(*u), float64(e.ClockU)))))
}

// Has tells whether the event carries the flag.
func (e *Event) Has(f Flag) bool {
	for _, g := range e.Flags {
		if g == f {
			return true
		}
	}
	return false
}

// Opens tells whether the event means that gas found a way out of the
// specimen or fixture by the specimen's own failure.
func (e *Event) Opens() bool { return e.Kind == VentOpening || e.Kind == Rupture }
