package config

import (
	"fmt"
	"net/url"

	"ventward/daq"
	"ventward/detect"
)

// test reads what is tested how: rig, medium and fixture.
func (r *reading) test(s *section) {
	o := &r.bench.Detect
	o.Rig = detect.Rig(s.choice("rig", string(detect.BurstRig), string(detect.BurstRig), string(detect.RunawayRig)))
	o.Medium = detect.Medium(s.choice("medium", string(detect.Gas), string(detect.Gas), string(detect.Liquid)))
	o.FalseAlarmS = 3600 * s.real("false_alarm_hours", 1000, 1, 1e6)
	o.Fixture = detect.Fixture{
		Gas:          s.choice("gas", "N2", "N2", "air", "Ar", "CO2"),
		VolumeM3:     s.real("volume_ml", 0, 0, 1e7) * 1e-6,
		VolumeUM3:    s.real("volume_u_ml", 0, 0, 1e7) * 1e-6 / 2,
		TemperatureK: s.real("temperature_C", 23, -100, 1200) + zeroCelsiusK,
		TemperatureU: s.real("temperature_u_C", 0, 0, 500) / 2,
		AmbientPa:    ambient(s),
	}
	if ramp, ok := s.rate("ramp", daq.Pressure); ok {
		r.bench.RampPaS = ramp
	}
	s.close()
}

// standardAtmospherePa is the standard atmosphere, exact by definition.
const standardAtmospherePa = 101325

// ambient reads ambient_bara (or another absolute unit).
func ambient(s *section) float64 {
	pa, u, ok := s.value("ambient", daq.Pressure)
	if !ok {
		return standardAtmospherePa
	}
	key := "ambient_" + u.name
	if u.reference != daq.Absolute {
		s.problemIn(key, u.name, "an ambient pressure is absolute", "write ambient_bara = 1.01325")
	} else if pa < 30e3 || pa > 120e3 {
		s.problemIn(key, u.name, "is no ambient pressure on earth (0.3 to 1.2 bar absolute)", "give the barometer's reading, not reduced to sea level")
	}
	return pa
}

// rate reads STEM_UNIT_s, a rate of q in SI per second.
func (s *section) rate(stem string, q daq.Quantity) (float64, bool) {
	for _, u := range differences(q) {
		key := stem + "_" + u.name + "_s"
		if !s.has(key) {
			continue
		}
		x, _, ok := s.scaled(key, u)
		if ok && x <= 0 {
			s.problemIn(key, u.name+"/s", "is not positive", "give the intended rate")
			return 0, false
		}
		return x, ok
	}
	return 0, false
}

func (r *reading) record(s *section) {
	r.bench.Record = Record{
		PreTriggerS:  s.real("pre_trigger_s", 120, 1, 120),
		IdleS:        60 * s.real("idle_min", 15, 1, 120),
		CommitS:      s.real("commit_ms", 200, 20, 5000) / 1000,
		MinFreeBytes: uint64(1e6 * s.real("min_free_MB", 1000, 10, 1e7)),
	}
	s.close()
}

func (r *reading) watch(s *section) {
	w := Watch{SafePa: 0.5e5, ForS: s.real("for_s", 10, 1, 7200)}
	if pa, u, ok := s.value("safe", daq.Pressure); ok {
		w.SafePa = pa
		if key := "safe_" + u.name; u.reference != daq.Gauge || pa <= 0 {
			s.problemIn(key, u.name, "is not a positive gauge pressure", "write safe_barg = 0.5")
		}
	}
	r.bench.Watch = w
	s.close()
}

// Secret is the database's token: Token itself, or the value of the variable
// that TokenEnv names, read through getenv.
func (in *Influx) Secret(getenv func(string) string) (string, error) {
	if in.TokenEnv == "" {
		return in.Token, nil
	}
	t := getenv(in.TokenEnv)
	if t == "" {
		return "", fmt.Errorf("influx: the variable %s named by token_env is empty; set it to the token, for a 1.8 server \"user:password\"", in.TokenEnv)
	}
	return t, nil
}

func (r *reading) influx(root *section) {
	if !root.has("influx") {
		return
	}
	s := root.table("influx")
	in := &Influx{
		URL:      s.needText("url", "the server's address, http://HOST:PORT"),
		Bucket:   s.needText("bucket", "the bucket; of a 1.8 server \"database/retention\""),
		Org:      s.text("org", ""),
		Token:    s.text("token", ""),
		TokenEnv: s.text("token_env", ""),
	}
	if u, err := url.Parse(in.URL); in.URL != "" && (err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https")) {
		s.problem("url", "is no web address", "write it as http://HOST:PORT")
	}
	if in.Token != "" && in.TokenEnv != "" {
		s.problem("token", "stands beside token_env", "keep one of the two, best token_env")
	}
	r.bench.Influx = in
	s.close()
}
