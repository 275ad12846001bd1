package detect

import "ventward/daq"

// A Window is a finished stretch of one pressure channel round an event: what
// the fit of an opening needs, copied out so that it can be fitted elsewhere
// while the monitor goes on. A Window is a function of the monitor's input, so
// a replay asks for the same windows in the same order.
type Window struct {
	Event   int           // id of the event
	Serial  int           // number of the window since the monitor was made, from 1
	Final   bool          // no later window will be asked for this event
	Rise    bool          // the event is a rise, a first venting: only its onset is asked for
	Channel daq.ChannelID //
	T       []int64       // sample times, ns, increasing; may have gaps
	V       []float64     // Pa in the channel's own reference
	Q       []daq.Quality // samples with a Bad flag are not measurements
	Decided int           // index in T of the sample at which the trigger fired
	// From is the index in T from which the ramp before the event is free of
	// earlier events; Until the index up to which (not including) the fall is
	// free of later ones.
	From, Until int
	// After tells that an earlier opening, however long ago, has left the gas
	// warmer or colder than the walls.
	After      bool
	NoisePa    float64 // robust standard deviation of one sample as the monitor saw it
	StepPa     float64 // quantisation step; 0: not known
	PeakPa     float64 // highest valid sample since the previous event
	Periodic   []Tone  // hum and pump pulsation as the monitor tracks them
	SupplyOpen int8    // supply valve: 1 open, 0 shut, -1 not known
	// Others are the same stretch of redundant sensors of the same volume.
	Others []Window
}

// Tone is a periodic disturbance: the frequency at which it comes back, and the
// amplitude of a sine of the same power.
type Tone struct {
	HzNominal   float64
	AmplitudePa float64
}

// A Finding is what the fit of a window found. It enters the loop as an entry
// and revises the event. Fields as in Event; nil where not computed.
type Finding struct {
	Event  int  `json:"event"`
	Serial int  `json:"serial"` // of the window
	Final  bool `json:"final"`
	// Kind is the kind that the fit supports; empty: no opinion.
	Kind  Kind  `json:"kind,omitempty"`
	Fault Fault `json:"fault,omitempty"`

	Onset       *int64   `json:"onset,omitempty"`
	OnsetU      *int64   `json:"onset_u,omitempty"`
	Start       *int64   `json:"start,omitempty"`
	StartU      *int64   `json:"start_u,omitempty"`
	PressurePa  *float64 `json:"pressure_Pa,omitempty"`
	PressureUPa *float64 `json:"pressure_u_Pa,omitempty"`
	FitDof      *float64 `json:"fit_dof,omitempty"`
	PeakLossPa  *float64 `json:"peak_loss_Pa,omitempty"`
	DropPa      *float64 `json:"drop_Pa,omitempty"`
	RampPaS     *float64 `json:"ramp_Pa_s,omitempty"`
	TauS        *float64 `json:"tau_s,omitempty"`
	AreaM2      *float64 `json:"area_m2,omitempty"`
	AreaUM2     *float64 `json:"area_u_m2,omitempty"`
	AreaLowerM2 *float64 `json:"area_lower_m2,omitempty"`

	Flags  []Flag            `json:"flags,omitempty"`
	Absent map[string]string `json:"absent,omitempty"`
}
