package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A shot is a made-up course of a burst test: a ramp of 2 bar/s with noise, read
// at 1 kHz, and a blow-down with a time constant of 80 ms.
type shot struct {
	column string  // its header
	zero   float64 // bar that the column reads in open air
	opens  float64 // s
	end    float64 // bar where the transducer's range ends; 0: nowhere
	stuck  float64 // s from which it keeps one value, until 6 s; 0: never
	lost   float64 // s from which it reads nought for 0.3 s; 0: never
}

func (s shot) write(t *testing.T) string {
	const seed = 11
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0))
	var b bytes.Buffer
	fmt.Fprintf(&b, "t_s,%s\n", s.column)
	kept := 0.0
	for i := range 7000 {
		at := float64(i) / 1000
		p := 10 + 2*min(at, s.opens)
		if at > s.opens {
			p *= math.Exp(-(at - s.opens) / 0.08)
		}
		p += s.zero + 0.01*rnd.NormFloat64()
		if s.end > 0 {
			p = min(p, s.end)
		}
		if s.stuck > 0 && at >= s.stuck && at < 6 {
			if kept == 0 {
				kept = p
			}
			p = kept
		}
		if s.lost > 0 && at >= s.lost && at < s.lost+0.3 {
			p = 0
		}
		fmt.Fprintf(&b, "%.3f,%.3f\n", at, p)
	}
	file := filepath.Join(t.TempDir(), "shot.csv")
	if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// said runs analyze and returns its events and its notes.
func said(t *testing.T, args ...string) (events []map[string]any, notes string) {
	t.Helper()
	out, errs, code := program(t, append([]string{"analyze", "--json"}, args...)...)
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		var m map[string]any
		if err := json.Unmarshal([]byte(l), &m); err != nil {
			t.Fatalf("%q: %v", l, err)
		}
		if s, ok := m["summary"].(map[string]any); ok {
			notes = fmt.Sprint(s["notes"])
		} else {
			events = append(events, m)
		}
	}
	return events, notes
}

// A trace in which nothing is odd has no notes; what a person must look at is
// noted, in the summary and in the text.
func TestAnalyzeNotes(t *testing.T) {
	for _, c := range []struct {
		shot shot
		args []string
		want string
	}{
		{shot: shot{column: "p_barg", opens: 5}, want: "<nil>"},
		{shot: shot{column: "p_bara", zero: 1.013, opens: 5}, want: "<nil>"},
		{shot: shot{column: "p_barg", opens: 9, lost: 3}, want: "<nil>"},
		{shot: shot{column: "p_bara", opens: 5}, want: "as a gauge does in open air"},
		{shot: shot{column: "p_barg", zero: 1.013, opens: 5}, want: "what an absolute transducer reads in open air"},
		{shot: shot{column: "pressure_barg", opens: 5}, want: "--map"},
		{shot: shot{column: "pressure_barg", opens: 5}, args: []string{"--map", "pressure=p1"}, want: "<nil>"},
		{shot: shot{column: "p_barg", opens: 0.02}, want: "no opening, leak or dump was told of there"},
		{shot: shot{column: "p_barg", opens: 5, end: 18}, want: "rests at its highest reading, 18 bar"},
		{shot: shot{column: "p_barg", opens: 5, end: 18}, args: []string{"--full-scale-bar", "18"}, want: "<nil>"},
	} {
		file := c.shot.write(t)
		_, notes := said(t, append([]string{file}, c.args...)...)
		if !strings.Contains(notes, c.want) {
			t.Errorf("%+v %v: notes %q, want %q", c.shot, c.args, notes, c.want)
		}
	}
	const want = "as a gauge does in open air"
	if text, _, _ := program(t, "analyze", shot{column: "p_bara", opens: 5}.write(t)); !strings.Contains(text, want) {
		t.Errorf("the text misses %q:\n%s", want, text)
	}
}

// A transducer that was at its end when the specimen opened gives a lower bound,
// whether its full scale is stated or shows in the trace (common practice, no
// source). A stuck one gives none.
func TestAnalyzeTellsAnOpeningAtTheEndOfTheRange(t *testing.T) {
	for _, args := range [][]string{nil, {"--full-scale-bar", "18"}} {
		events, _ := said(t, append(args, shot{column: "p_barg", opens: 5, end: 18}.write(t))...)
		bounds := 0
		for _, e := range events {
			if e["event"] == "vent-opening" && strings.Contains(fmt.Sprint(e["flags"]), "lower-bound") && math.Abs(e["pressure_bar"].(float64)-18) < 0.01 {
				bounds++
			}
		}
		if bounds != 1 || len(events) != 1 {
			t.Errorf("%v: %v, want one opening at 18 bar or more", args, events)
		}
	}
	events, _ := said(t, shot{column: "p_barg", opens: 5, stuck: 4}.write(t))
	for _, e := range events {
		if strings.Contains(fmt.Sprint(e["flags"]), "saturated") {
			t.Errorf("a stuck transducer is taken for one at its end: %v", e)
		}
	}
}

// Rows a second apart show no opening: mostly their times are milliseconds.
func TestAnalyzeNotesTimesInMilliseconds(t *testing.T) {
	b, err := os.ReadFile(shot{column: "p_barg", opens: 5}.write(t))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(b), "\n")
	for i, l := range lines[1 : len(lines)-1] {
		_, p, _ := strings.Cut(l, ",")
		lines[i+1] = fmt.Sprintf("%d,%s", i, p)
	}
	file := filepath.Join(t.TempDir(), "ms.csv")
	if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, notes := said(t, file); !strings.Contains(notes, "milliseconds") {
		t.Errorf("notes %q say nothing of milliseconds", notes)
	}
}

// What was not looked at is said: a trace of too few readings, and an option that
// the bench description beside it overrules.
func TestNotesSayWhatWasNotUsed(t *testing.T) {
	short := filepath.Join(t.TempDir(), "short.csv")
	if err := os.WriteFile(short, []byte("t_s,p1_barg\n0,5.01\n0.001,5.00\n0.002,5.02\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		want string
		args []string
	}{
		{"nothing was looked for", []string{short}},
		{"--volume-ml", []string{traces + "burst.csv", "--bench", "../../config/kiln2.toml", "--volume-ml", "20"}},
	} {
		out, errs, code := program(t, append([]string{"analyze"}, c.args...)...)
		if code != 0 || !strings.Contains(out, c.want) {
			t.Errorf("%v: exit %d, %s; %q misses %q", c.args, code, errs, out, c.want)
		}
	}
	out, _, _ := program(t, "analyze", traces+"burst.csv", "--bench", "../../config/kiln2.toml")
	if strings.Contains(out, "Not used") {
		t.Errorf("a note on options that nobody gave: %q", out)
	}
}

// Each option that can't be so is named with its value.
func TestAnalyzeNamesTheWrongOption(t *testing.T) {
	for option, value := range map[string]string{"temperature-C": "-300", "ambient-bar": "0", "false-alarm-hours": "-1", "reference": "x", "lag-ms": "-1"} {
		_, errs, code := program(t, "analyze", traces+"burst.csv", "--"+option, value)
		if code != exitWrong || !strings.Contains(errs, "--"+option) || !strings.Contains(errs, value) || strings.Contains(errs, "of ,") {
			t.Errorf("--%s %s: exit %d, %q", option, value, code, errs)
		}
	}
}
