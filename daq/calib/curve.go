package calib

// Curve is an option struct: how one channel's raw reading becomes a value in
// its unit, and how uncertain that is. Config fills it; it travels in the
// record as JSON.
//
// The way is raw -> signal -> value: signal = ScaleGain*raw + ScaleOffset (the
// converter: counts to mA, mV, V or straight to the unit), then the kind's own
// law, then the zero correction is subtracted.
type Curve struct {
	// Kind is linear (value = Gain*signal + Offset, from a certificate),
	// current-loop (4-20 mA: 4 mA -> LoopLow, 20 mA -> LoopHigh; signal in mA)
	// or thermocouple (signal in mV, cold junction compensated in EMF).
	Kind string `json:"kind"`

	ScaleGain   float64 `json:"scale_gain"` // signal per raw count; 0 is read as 1
	ScaleOffset float64 `json:"scale_offset,omitempty"`

	Gain   float64 `json:"gain,omitempty"`   // linear: unit per signal unit
	Offset float64 `json:"offset,omitempty"` // linear: unit

	LoopLow  float64 `json:"loop_low,omitempty"`  // current-loop: value at 4 mA
	LoopHigh float64 `json:"loop_high,omitempty"` // current-loop: value at 20 mA

	// Thermocouple is the letter of the type (K).
	Thermocouple string `json:"thermocouple,omitempty"`
	// Junction is the name of the channel that measures the cold junction;
	// empty: JunctionC holds.
	Junction  string  `json:"junction,omitempty"`
	JunctionC float64 `json:"junction_C,omitempty"`
	// JunctionU is the standard uncertainty of the cold junction, °C.
	JunctionU float64 `json:"junction_u_C,omitempty"`
	// Class is the thermocouple's tolerance class (1, 2 or 3); it states the
	// uncertainty where no certificate does (UOffset and UGain 0). 0: none.
	Class int `json:"class,omitempty"`

	// Zero is subtracted from the value: the reading with the line open to air
	// (gauge) or minus the barometer (absolute). ZeroLimit is the largest
	// magnitude that may be taken as a zero; ZeroSlopeLimit the largest drift
	// per second while it is taken. Channel's unit.
	Zero           float64 `json:"zero,omitempty"`
	ZeroLimit      float64 `json:"zero_limit,omitempty"`
	ZeroSlopeLimit float64 `json:"zero_slope_limit,omitempty"`

	// UOffset (channel's unit) and UGain (relative) are standard uncertainties
	// (k = 1) of the certificate, fully correlated along a run: they belong to
	// the channel and are combined at the result, never divided by sqrt(M).
	UOffset float64 `json:"u_offset,omitempty"`
	UGain   float64 `json:"u_gain,omitempty"`
}
