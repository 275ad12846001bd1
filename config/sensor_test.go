package config_test

import (
	"math"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"ventward/config"
	"ventward/daq"
	"ventward/daq/calib"
	"ventward/daq/wire"
	"ventward/guard"
)

func sensors(t *testing.T) *config.Bench {
	t.Helper()
	b, err := config.Load(filepath.Join(benches, "sensors.toml"))
	if err != nil {
		t.Fatalf("sensors.toml is to be accepted:\n%v", err)
	}
	return b
}

func channelOf(t *testing.T, b *config.Bench, name string) *daq.Channel {
	t.Helper()
	for i := range b.Channels {
		if b.Channels[i].Name == name {
			return &b.Channels[i]
		}
	}
	t.Fatalf("no channel %q", name)
	return nil
}

// Readings that a person would check with a meter and the certificates.
func TestSensorLaws(t *testing.T) {
	b := sensors(t)
	n, err := calib.ThermocoupleType("N")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		channel     string
		raw, helper float64
		want        float64
		fault       calib.Fault
	}{
		{"p1", 9500, 9.5, 30e5 + 1.01e5, calib.Sound},            // 1 mV/V is half of full scale; the barometer's part comes from its channel
		{"p2", 5000, 0, (0.2+30-0.25)*1e5 - 0.98e5, calib.Sound}, // 5 V
		{"p2", 10300, 0, 0, calib.AboveRange},                    // beyond the certificate
		{"skin", 1e5 * n.EMF(0), 0, 0, calib.Sound},              // nothing over nothing
		{"skin", -500, 25, 0, calib.Reversed},                    // -5 mV
		{"clamp", 10000, 0, 5000, calib.Sound},                   // 1 mV/V
		{"cid", 12, 0, 1, calib.Sound},                           // pulled down: whole
		{"cid", 3300, 0, 0, calib.Sound},                         // broken
		{"cold junction", 100250 + 9734.7, 0, 25, calib.Sound},   // 109.7347 ohm and the leads (IEC 60751, from memory)
		{"barometer", 101325, 0, 101325, calib.Sound},            // "1013.25"
		{"cell", 36512, 0, 3.6512, calib.Sound},                  // "3.6512"
		{"estop", 0b0111, 0, 1, calib.Sound},                     // bit 3 clear: healthy
		{"estop", 0b1000, 0, 0, calib.Sound},                     // set
		{"shield", 1, 0, 1, calib.Sound}, {"shield", 0, 0, 0, calib.Sound},
	} {
		law, err := calib.Compile(channelOf(t, b, c.channel).Curve)
		if err != nil {
			t.Fatal(err)
		}
		v, f := law.Value(c.raw, c.helper)
		if f != c.fault || c.fault == calib.Sound && math.Abs(v-c.want) > 1e-3*(1+1e-3*math.Abs(c.want)) {
			t.Errorf("%s: raw %v gives %v (%v), want %v (%v)", c.channel, c.raw, v, f, c.want, c.fault)
		}
	}
}

// What the file says against what the packages get, converted by hand.
func TestSensorValues(t *testing.T) {
	b := sensors(t)
	p1, p2, skin := channelOf(t, b, "p1"), channelOf(t, b, "p2"), channelOf(t, b, "skin")
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"sealed pressure, Pa", p1.Curve.SealPa, 101e3},
		{"its standard uncertainty, Pa", p1.Curve.SealU, 300},
		{"barometer's standard uncertainty, Pa", p1.Curve.AmbientU, 25},
		{"excitation's standard uncertainty, V", p1.Curve.ExcitationU, 0.01},
		{"p1 u at 50 bar, Pa", p1.Curve.U(50e5), math.Sqrt(3000*3000 + 300*300 + 25*25 + 5000*5000)},
		{"p1 step, Pa", p1.Step, 0.001 / 10 * 30e5},
		{"p1 resonance, Hz", p1.ResonanceHz, 820},
		{"p2 ambient, Pa", p2.Curve.AmbientPa, 98e3},
		{"p2 step, Pa", p2.Step, 0.001 * (6 - 0.02*5.1) * 1e5},
		{"skin reversed below, K", skin.Curve.ReversedK, 20},
		{"skin open above, counts", skin.OpenAbove, 7000},
		{"skin junction, standard uncertainty, K", skin.Curve.JunctionU, 0.3},
		{"cold junction step, °C", channelOf(t, b, "cold junction").Step, 0.001 / (100 * (3.9083e-3 - 2*5.775e-7*30))},
		{"cell step, V", channelOf(t, b, "cell").Step, 1e-4},
		{"leak, Pa/s", *b.Guard.LeakPaS, 0.2},
		{"leak, standard uncertainty, Pa/s", b.Fixture.LeakUPaS, 0.05},
		{"highest leak, Pa/s", b.Guard.LeakMaxPaS, 1},
		{"deviation, Pa", b.Guard.Rules[1].Limit, 0.8e5},
		{"slope, Pa/s", b.Guard.Rules[2].Limit, -100e5},
		{"space, bytes", b.Guard.Rules[5].Limit, 500e6},
		{"watch wait, s", b.Guard.WatchWaitS, 300},
		{"expected peak, Pa", b.Guard.ExpectPa, 45e5},
		{"shelving, s", b.Guard.ShelveMaxS, 1800},
		{"adapter, s", b.Instruments[2].AdapterS, 0.001},
	} {
		if math.Abs(c.got-c.want) > 2e-4*math.Abs(c.want) {
			t.Errorf("%s: got %v, want %v", c.what, c.got, c.want)
		}
	}
	if p1.Curve.Barometer != "barometer" || p2.Curve.Ambient != calib.SubtractAmbient || skin.Curve.Class != 1 || b.Fixture.VolumeDate != "2026-10-12" {
		t.Errorf("%+v, %+v, %+v, %+v", p1.Curve, p2.Curve, skin.Curve, b.Fixture)
	}
	if !channelOf(t, b, "estop").Floats || !channelOf(t, b, "cell").Floats || p1.Floats {
		t.Error("floats and counts are mixed up")
	}
}

func TestQueryOptions(t *testing.T) {
	b := sensors(t)
	want := &wire.QueryOptions{PollS: 0.5, TimeoutS: 0.15, QuarantineS: 0.3, VerifyS: 1, GapS: 0.005, Baud: 19200, End: "\r", AnswerEnd: "\r\n", Checksum: "xor", Refusal: "ERR",
		Questions: []wire.Question{{Ask: "READ? 1", Prefix: "1:", Suffix: "E", Delimiter: ";", Decimals: []int{3, -1, 2}}, {Ask: "READ? 2", Decimals: []int{4}}},
		Switches:  []wire.Switch{{On: "OUT 1,1", Off: "OUT 1,0", OnAnswer: "OK", OffAnswer: "OK", Ask: "OUT? 1", IsOn: "1", IsOff: "0"}}}
	if got := b.Instruments[0].Query; !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
	if n := b.Instruments[0].Columns; n != 3 || !b.Instruments[0].Polled {
		t.Errorf("%d columns", n)
	}
	if c := b.Instruments[1].Modbus.Coils; len(c) != 1 || c[0].Function != 6 || c[0].Address != 40 || !c[0].Heartbeat {
		t.Errorf("%+v", c)
	}
	if r := b.Guard.Rules; r[0].Vote != guard.OneOfTwo || !r[0].Latching || r[0].ProofDue != "2027-05-01" || r[3].AlarmOn != "0" || len(r[6].Instruments) != 1 || len(r[2].Phases) != 2 {
		t.Errorf("%+v", r)
	}
}

// An emergency stop or a shield whose polarity nobody stated is warned of, and a
// line of text without checksum.
func TestSensorWarnings(t *testing.T) {
	b := sensors(t)
	w := b.Warnings("").Error()
	if !strings.Contains(w, `channel "shield": one_when`) || strings.Contains(w, `channel "estop": one_when`) || strings.Contains(w, `instrument "meter": checksum`) {
		t.Error(w)
	}
	b.Instruments[0].Query.Checksum = "none"
	if w := b.Warnings("").Error(); !strings.Contains(w, `instrument "meter": checksum`) {
		t.Error(w)
	}
}
