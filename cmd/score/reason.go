package main

// reasons tell of families of traces why detection or measurement falls short of
// the limit there, as far as that is known. The limits know white noise, a known
// line and nothing else that moves.
var reasons = map[string]string{
	"balanced-ramp":     "two slopes that nearly cancel: the flow through the second hole is a difference of large figures, and its line is short",
	"still-rising":      "the ramp bends before the second opening, and its line is taken after the bend only",
	"bulge":             "a bulge is a bend of the ramp by as little as its noise and curvature; one that can't be told from a regulator's creep is left alone",
	"bulge-vent":        "the ramp bends before the opening, as it does where a hole begins to open slowly",
	"cid-vent":          "an opening like that of vent",
	"dump-then-vent":    "the vessel empties through the dump valve already: what is told late may be the valve's own opening",
	"hum-vent":          "hum of many standard deviations has to be told from a fall: the limit counts the white noise alone",
	"pump-vent":         "strokes change from one to the next and their gas warms the vessel: the limit counts the white noise alone",
	"leak":              "the slope of cooling gas after a ramp hides a slow leak until it has eased",
	"liquid":            "the drop falls inside one sample: its time is known to within that sample, and a liquid's line rings",
	"long-lag":          "the fixture empties within the lag: vent and rupture look alike, and the area is a lower bound",
	"lost-frames":       "the samples of the onset are not there: its interval is the hole's",
	"noise":             "the noise grows faster than its estimate follows",
	"reseal-small":      "a small opening that shuts again gives few samples above the noise, and gas that warms up again hides what came back",
	"rupture":           "the vessel is empty within the lag: what counts is how well the lag is known",
	"saturated-vent":    "the transducer's end hides the pressure at the opening: what is told is a bound",
	"slow-vent":         "a hole that opens over many samples bends the trace as a ramp's curvature does, and its width takes information from its onset",
	"spike-then-vent":   "the first samples after a spike are left out: they may be its own",
	"spikes-40":         "with a spike every 250 samples at 10 kHz, every 25 at 1 kHz, some fall on the samples that decide",
	"spikes-vent":       "with a spike every 250 samples at 10 kHz, every 25 at 1 kHz, some fall on the samples that decide",
	"step-then-vent":    "25 ms after a step of the supply the line before is that long and still settling",
	"thermal-shock":     "hot gas on the diaphragm reads as a fall and a recovery, as a small opening that shuts does",
	"two-openings":      "5 ms are 50 samples at 10 kHz and 5 at 1 kHz, within the lag of most transducers: the line before the second is that of a blow-down",
	"vent":              "as the limit has it, but for the transducer's lag and the line's ringing, which the fit has to find as well",
	"ramp-stop":         "gas cools when the ramp stops: the trace falls by itself",
	"regulator-step":    "a regulator overshoots and comes back",
	"pump":              "strokes change from one to the next",
	"hum":               "hum that begins is a fall for half a period",
	"fill-start":        "the first gas heats up, then the slope eases",
	"power-gap":         "the ramp may have changed where nothing was recorded",
	"water-hammer":      "a knock in the line falls before it rings",
	"post-fill-cooling": "the gas cools by itself, at a pace that the wall sets",
}
