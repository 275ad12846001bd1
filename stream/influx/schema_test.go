package influx

import (
	"os"
	"strings"
	"testing"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

// What docs/influx.md says of marks and of the bits of quality is what is
// written: queries are made from that page.
func TestSchemaIsDocumented(t *testing.T) {
	text, err := os.ReadFile("../../docs/influx.md")
	if err != nil {
		t.Fatal(err)
	}
	said := strings.Join(strings.Fields(string(text)), " ")
	u := int64(1)
	for _, m := range []Mark{EventMark(Place{}, detect.Event{OnsetU: &u}), AlarmMark(Place{}, guard.Alarm{}), RunMark(Place{}, Run{End: 1})} {
		_, row, ok := strings.Cut(said, "| `"+m.Measurement+"` | bench")
		row, _, _ = strings.Cut(row, " | | ")
		if !ok {
			t.Errorf("no row of %s", m.Measurement)
		}
		for _, f := range m.Fields {
			if !strings.Contains(row, "`"+f.Name+"`") {
				t.Errorf("%s: field %s is not documented", m.Measurement, f.Name)
			}
		}
	}
	var names []string
	for b := daq.Quality(1); b != 0 && b.String() != "" && len(names) < 16; b <<= 1 {
		names = append(names, b.String())
	}
	if list := strings.Join(names, ", "); len(names) < 14 || !strings.Contains(said, "its bits, from the lowest: "+list+".") {
		t.Errorf("the bits are %s", list)
	}
}
