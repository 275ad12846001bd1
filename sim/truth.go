package sim

// Truth is one thing that really happened. Times are ns of simulated time on
// the scale of Monotonic (in a played trace: ns from its start), pressures Pa
// gauge.
type Truth struct {
	Event   string `json:"event"` // vent-opening, rupture, reseal, dump, supply-step, leak, bulge, continuity-loss; of a cell: first-venting, second-venting, breach, self-heating, runaway
	Feature string `json:"feature,omitempty"`
	StartNS int64  `json:"start_ns"`
	// OnsetNS is the effective onset: half the opening width after the start.
	OnsetNS int64 `json:"onset_ns"`
	EndNS   int64 `json:"end_ns,omitempty"`
	// PressurePa is the true pressure's line before the event, at OnsetNS.
	PressurePa float64 `json:"pressure_Pa"`
	RampPaS    float64 `json:"ramp_Pa_s"`
	AreaM2     float64 `json:"area_m2,omitempty"`
	WidthS     float64 `json:"width_s,omitempty"`
	RatePaS    float64 `json:"rate_Pa_s,omitempty"`  // leak
	InsidePa   float64 `json:"inside_Pa,omitempty"`  // of a cell: its inside above the vessel
	AmbientPa  float64 `json:"ambient_Pa,omitempty"` // absolute
	SkinC      float64 `json:"skin_C,omitempty"`     // of a cell
	Specimen   string  `json:"specimen,omitempty"`
	Channel    string  `json:"channel,omitempty"` // of what happened to one sensor only
	Fault      string  `json:"fault,omitempty"`   // of a sensor-fault
}

// Opens tells whether the truth is an opening of the specimen.
func (t *Truth) Opens() bool { return t.Event == "vent-opening" || t.Event == "rupture" }
