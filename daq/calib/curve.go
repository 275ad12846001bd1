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
	// polynomial (value = sum of Coefficients[i]*signal^i, from a certificate),
	// current-loop (4-20 mA: 4 mA -> LoopLow, 20 mA -> LoopHigh; signal in mA),
	// bridge (value = Gain*(signal/excitation) + Offset; signal in mV, excitation
	// in V, or signal in mV/V and no excitation), thermocouple (signal in mV, cold
	// junction compensated in EMF), platinum (signal in ohm, IEC 60751) or digital
	// (0 or 1).
	Kind string `json:"kind"`

	ScaleGain   float64 `json:"scale_gain"` // signal per raw count; 0 is read as 1
	ScaleOffset float64 `json:"scale_offset,omitempty"`

	Gain   float64 `json:"gain,omitempty"`   // linear, bridge: unit per signal unit (bridge: per mV/V)
	Offset float64 `json:"offset,omitempty"` // linear, bridge: unit

	// Coefficients of a polynomial, constant first, at most MaxCoefficients. It
	// rises or falls all the way from SignalLow to SignalHigh, the certificate's
	// range; beyond it the value goes on along the tangent, with a fault.
	Coefficients []float64 `json:"coefficients,omitempty"`
	SignalLow    float64   `json:"signal_low,omitempty"`
	SignalHigh   float64   `json:"signal_high,omitempty"`

	// ExcitationV is a bridge's excitation in V (nominal where Excitation names the
	// channel that measures it); 0: the converter itself gives mV/V. ExcitationU is
	// its standard uncertainty in V.
	ExcitationV float64 `json:"excitation_V,omitempty"`
	Excitation  string  `json:"excitation,omitempty"`
	ExcitationU float64 `json:"excitation_u_V,omitempty"`
	// ShuntMVV is the change in mV/V that the bridge's calibration shunt makes
	// (certificate or ShuntSignal), ShuntTolerance the part of it by which a check
	// may miss it. 0: there is no shunt.
	ShuntMVV       float64 `json:"shunt_mV_V,omitempty"`
	ShuntTolerance float64 `json:"shunt_tolerance,omitempty"`

	// R0 is the resistance in ohm of a platinum thermometer at 0 °C (100 for
	// Pt100), LeadOhm the resistance of its leads that the converter measures with
	// it (0 for four wires), PlatinumClass its tolerance class (AA, A, B or C).
	R0            float64 `json:"r0_ohm,omitempty"`
	LeadOhm       float64 `json:"lead_ohm,omitempty"`
	PlatinumClass string  `json:"platinum_class,omitempty"`

	// A digital input is 1 where a bit of Mask is set in the raw reading (Mask 0:
	// where the reading isn't 0), or, with Threshold not nil, where the signal is
	// at or above it. Inverted turns that round.
	Mask      uint32   `json:"mask,omitempty"`
	Threshold *float64 `json:"threshold,omitempty"`
	Inverted  bool     `json:"inverted,omitempty"`

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
	// ReversedK: a hot junction this many K colder than the cold one is taken for
	// reversed wires. 0: never.
	ReversedK float64 `json:"reversed_K,omitempty"`
	// Class is the thermocouple's tolerance class (1, 2 or 3); it states the
	// uncertainty where no certificate does (UOffset and UGain 0). 0: none.
	Class int `json:"class,omitempty"`

	// Where a pressure transducer counts from something else than its channel:
	// SealPa is the absolute pressure that was sealed into it (sealed gauge), added
	// to the value, SealU its standard uncertainty. Ambient is add (a gauge
	// transducer on an absolute channel) or subtract (an absolute or sealed one on
	// a gauge channel): the ambient pressure is what the channel named by Barometer
	// reads, or AmbientPa where it names none; AmbientU is its standard
	// uncertainty. Pa.
	SealPa    float64 `json:"seal_Pa,omitempty"`
	SealU     float64 `json:"seal_u_Pa,omitempty"`
	Ambient   string  `json:"ambient,omitempty"`
	Barometer string  `json:"barometer,omitempty"`
	AmbientPa float64 `json:"ambient_Pa,omitempty"`
	AmbientU  float64 `json:"ambient_u_Pa,omitempty"`

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

// Words of Curve.Ambient.
const (
	AddAmbient      = "add"
	SubtractAmbient = "subtract"
)

// Helper returns the name of the channel whose newest reading this curve's law
// asks for beside the raw reading: a thermocouple's cold junction (°C) or a
// bridge's excitation (V). Empty: none.
func (c Curve) Helper() string {
	switch c.Kind {
	case ThermocoupleCurve:
		return c.Junction
	case Bridge:
		return c.Excitation
	}
	return ""
}
