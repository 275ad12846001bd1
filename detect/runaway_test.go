package detect

import (
	"strings"
	"testing"
)

// The rule of the regulation over every combination of its criteria: a runaway
// is a and c, or b and c (GB 38031-2025 C.5.3.7, fetched text).
func TestRunawayCriteria(t *testing.T) {
	for i := range 8 {
		a, b, c := i&1 != 0, i&2 != 0, i&4 != 0
		var k criteria
		for range voltageSamples {
			v := 3.2 // down by 24 %
			if a {
				v = 3.1 // 26 %
			}
			k.voltage(v, 4.2)
		}
		k.temperature(59.9, 0)
		if b {
			k.temperature(60.1, 0)
		}
		if c {
			k.rising(5e9, 8e9, 1, 3)
		}
		words, got := k.verdict()
		if want := a && c || b && c; got != want {
			t.Errorf("a %v, b %v, c %v: runaway %v", a, b, c, got)
		}
		if got && (strings.Contains(words, "a:") != a || strings.Contains(words, "b:") != b || !strings.Contains(words, "c:")) {
			t.Errorf("a %v, b %v: %q", a, b, words)
		}
	}
}

func TestCriterionALastsAndBIsTheMakers(t *testing.T) {
	var k criteria
	for range 10 { // single outliers are no drop
		k.voltage(0.1, 4.2)
		k.voltage(4.2, 4.2)
	}
	if k.a {
		t.Error("single low readings count as a voltage drop")
	}
	k.temperature(75, 80)
	if k.b {
		t.Error("75 °C counts though the maker allows 80 °C")
	}
	k.temperature(80, 80)
	if !k.b {
		t.Error("80 °C does not count")
	}
}

// What has been met stays met, and the first onset of c counts.
func TestCriteriaStay(t *testing.T) {
	var k criteria
	k.rising(7e9, 10e9, 1, 3)
	k.rising(9e9, 12e9, 1, 3)
	k.expire(40e9)
	if _, ok := k.verdict(); ok || k.from != 7e9 {
		t.Errorf("c alone is a runaway, or its onset moved: %+v", k)
	}
	for range voltageSamples {
		k.voltage(0, 4)
	}
	k.voltage(4, 4)
	if _, ok := k.verdict(); !ok {
		t.Error("a came back and was forgotten")
	}
	if k.expire(43e9); k.from != 0 {
		t.Error("a rise that ended half a minute ago still waits")
	}
}
