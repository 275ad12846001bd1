package config

import (
	"fmt"
	"net/url"
	"strings"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
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
	r.determined(s)
	s.close()
}

// determined reads what was determined of the fixture, as the program's own
// procedures print it.
func (r *reading) determined(s *section) {
	b := r.bench
	b.Fixture.VolumeDate = s.date("volume_date")
	b.Fixture.VolumeMethod = s.text("volume_method", "")
	b.Fixture.LeakDate = s.date("leak_date")
	if x, ok := s.signedRate("leak", daq.Pressure); ok {
		b.Guard.LeakPaS = &x
	}
	if x, ok := s.signedRate("leak_u", daq.Pressure); ok {
		b.Fixture.LeakUPaS = x / 2
	}
	b.Guard.LeakDate, b.Guard.VolumeDate = b.Fixture.LeakDate, b.Fixture.VolumeDate
	if x, ok := s.rate("leak_max", daq.Pressure); ok {
		b.Guard.LeakMaxPaS = x
	}
	if b.Fixture.VolumeDate != "" && b.Detect.Fixture.VolumeM3 == 0 {
		s.problem("volume_date", "stands without a volume", "add volume_ml and volume_u_ml")
	}
	if b.Fixture.LeakDate != "" && b.Guard.LeakPaS == nil {
		s.problem("leak_date", "stands without a leak rate", "add leak_mbar_s")
	}
}

// cell reads what is known of a runaway rig's cells.
func (r *reading) cell(s *section) {
	r.bench.Detect.Cell = detect.Cell{
		CapacityAh: s.real("capacity_Ah", 0, 0.001, 1e4),
		MaxC:       s.real("max_operating_C", 0, 20, 300),
	}
	if !s.absent && r.bench.Detect.Rig != detect.RunawayRig {
		s.problem("", "belongs to a runaway rig", "set rig = \"runaway\" in [test], or remove [cell]")
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

// signedRate is rate for a value that may be zero or negative.
func (s *section) signedRate(stem string, q daq.Quantity) (float64, bool) {
	for _, u := range differences(q) {
		if key := stem + "_" + u.name + "_s"; s.has(key) {
			x, _, ok := s.scaled(key, u)
			return x, ok
		}
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
	g := &r.bench.Guard
	g.WatchMaxC = s.real("max_C", 0, 0, 2000)
	g.WatchWaitS = 60 * s.real("wait_min", 0, 0, 1e5)
	g.WatchBinds = s.yes("binds")
	s.close()
}

// arming reads what arming asks for beyond fresh readings and no trip.
func (r *reading) arming(s *section) {
	g := &r.bench.Guard
	for _, name := range s.texts("require") {
		if !contains(guard.ArmingGuards(), name) {
			s.problem("require", fmt.Sprintf("%q is nothing that arming can ask for", name), "use "+strings.Join(guard.ArmingGuards(), ", "))
			continue
		}
		g.Arming = append(g.Arming, name)
	}
	if pa, u, ok := s.value("expect", daq.Pressure); ok {
		if g.ExpectPa = pa; u.reference != daq.Gauge {
			s.problemIn("expect_"+u.name, u.name, "is not gauge", "write expect_barg = 45.0")
		}
	}
	for _, f := range []struct {
		stem string
		to   *float64
	}{{"peak_loss", &g.PeakLossPa}, {"plausible", &g.PlausiblePa}, {"agree", &g.AgreePa}} {
		if x, ok := s.difference(f.stem, daq.Pressure); ok {
			*f.to = x
		}
	}
	for _, f := range []struct {
		key string
		to  *int
	}{{"zero_days", &g.ZeroDays}, {"leak_days", &g.LeakDays}, {"volume_days", &g.VolumeDays}, {"dump_days", &g.DumpDays}} {
		*f.to = int(s.whole(f.key, 0, 0, 3650))
	}
	s.close()
}

// hold reads when a test counts as holding pressure.
func (r *reading) hold(s *section) {
	g := &r.bench.Guard
	g.HoldAfterS = s.real("after_s", 0, 0, 1e5)
	if x, ok := s.difference("rise", daq.Pressure); ok {
		g.HoldRisePa = x
	}
	s.close()
}

// alarms reads the bounds of shelving and bypassing.
func (r *reading) alarms(s *section) {
	g := &r.bench.Guard
	g.ShelveMaxS = 60 * s.real("shelve_max_min", 0, 0, 1440)
	g.ShelveMax = int(s.whole("shelved_at_once", 0, 0, 1000))
	g.BypassMaxS = 60 * s.real("bypass_max_min", 0, 0, 480)
	g.BypassMax = int(s.whole("bypassed_at_once", 0, 0, 100))
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
