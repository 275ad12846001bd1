package dashboard

import (
	"encoding/json"
	"reflect"
	"testing"
)

// A stretch's least and greatest sample in the channel's unit, null where none
// is; the very end belongs to the last stretch.
func TestCurvesAtTheEdge(t *testing.T) {
	r := newRig()
	type got struct {
		Width    float64 `json:"width_s"`
		Last     float64 `json:"last_s"`
		Channels []struct {
			Name, Unit, Reference string
			Min, Max              []*float64
		}
	}
	of := func(v ...float64) (out []*float64) {
		for _, x := range v {
			if x < 0 { // here: none
				out = append(out, nil)
				continue
			}
			out = append(out, &x)
		}
		return out
	}
	for query, want := range map[string]struct {
		width    float64
		min, max []*float64
	}{
		"?bins=4":                   {2, of(0, 2, 5, 6), of(1, 3, 5, 7)},
		"?from_s=3&to_s=6&bins=3":   {1, of(3, -1, 5), of(3, -1, 6)},
		"?from_s=20&to_s=22&bins=2": {1, of(-1, -1), of(-1, -1)},
	} {
		w := r.ask("GET", "/api/v1/runs/r1/curves"+query, "")
		var c got
		if err := json.Unmarshal(w.Body.Bytes(), &c); err != nil || w.Code != 200 || len(c.Channels) != 1 {
			t.Fatalf("%s: %d %s (%v)", query, w.Code, w.Body, err)
		}
		x := c.Channels[0]
		if c.Width != want.width || c.Last != 8 || x.Name != "p1" || x.Unit != "bar" || x.Reference != "gauge" || !reflect.DeepEqual(x.Min, want.min) || !reflect.DeepEqual(x.Max, want.max) {
			t.Errorf("%s: %s", query, w.Body)
		}
	}
	for path, code := range map[string]int{"r1/curves?bins=0": 400, "r1/curves?bins=4001": 400, "r1/curves?from_s=x": 400, "r1/curves?from_s=NaN": 400, "r1/curves?from_s=2&to_s=2": 400, "r2/curves": 404} {
		if w := r.ask("GET", "/api/v1/runs/"+path, ""); w.Code != code || fields(t, w)["next"] == "" {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	r.o.Archive = archive{"open": nil}
	if w := r.ask("GET", "/api/v1/runs/open/curves", ""); w.Code != 409 {
		t.Errorf("a run that is being recorded: %d %s", w.Code, w.Body)
	}
}
