package sim

// Feature is one pressure-release feature of a specimen as it really is: what
// it will do, which no instrument knows.
type Feature struct {
	Name string `json:"name" toml:"name"` // top vent, bottom vent, housing
	// Event is what its opening is called: vent-opening or rupture.
	Event   string  `json:"event"`
	OpensPa float64 `json:"opens_Pa"` // difference to the outside at which it opens
	WidthS  float64 `json:"width_s"`  // time the opening takes
	AreaM2  float64 `json:"area_m2"`  // effective area C_d A when open
	// ResealsPa is the difference below which it closes again, once; 0: never.
	ResealsPa float64 `json:"reseals_Pa,omitempty"`
	// AtS opens it at a time of the rig instead of at a pressure; 0: by pressure.
	AtS float64 `json:"at_s,omitempty"`
}

// shut, opened and resealed are the states of an opening.
const (
	shut = iota
	opened
	resealed
)

// opening is a feature in play.
type opening struct {
	Feature
	state int
	t0    float64 // start of the opening, s of the rig
	t1    float64 // start of the closing
}

// area is the effective area at time t.
func (o *opening) area(t float64) float64 {
	switch o.state {
	case opened:
		return o.AreaM2 * rise((t-o.t0)/o.WidthS)
	case resealed:
		return o.AreaM2 * (1 - rise((t-o.t1)/o.WidthS))
	}
	return 0
}

// moving tells whether the area is changing at time t.
func (o *opening) moving(t float64) bool {
	return o.state == opened && t < o.t0+o.WidthS || o.state == resealed && t < o.t1+o.WidthS
}

// rise goes smoothly from 0 at x = 0 to 1 at x = 1. It is symmetric, so that
// its effective onset is x = 1/2.
func rise(x float64) float64 {
	if x <= 0 {
		return 0
	}
	if x >= 1 {
		return 1
	}
	return x * x * (3 - 2*x)
}
