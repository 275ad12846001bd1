package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"ventward/config"
	"ventward/daq"
	"ventward/guard"
)

// What one process enters another takes, once, in its order; what it adds
// itself it doesn't take again; damaged lines, other benches' and half a line
// are passed over.
func TestNotebookIsFollowed(t *testing.T) {
	dir := t.TempDir()
	n := newNotebook(dir, "Kiln 2", zerolog.Nop())
	var got []string
	follow := func(want ...string) {
		t.Helper()
		got = nil
		if err := n.follow(func(c daq.Command) { got = append(got, c.Who+" "+c.Args["what"]) }); err != nil {
			t.Fatal(err)
		}
		if strings.Join(got, ",") != strings.Join(want, ",") {
			t.Errorf("taken %q, want %q", got, want)
		}
	}
	add := func(bench, what string) {
		t.Helper()
		if _, err := appendEntered(n.path, bench, daq.Command{Who: "A", Args: map[string]string{"what": what, "at": "bench"}}); err != nil {
			t.Fatal(err)
		}
	}
	raw := func(s string) {
		t.Helper()
		f, err := os.OpenFile(n.path, os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if _, err := f.WriteString(s); err != nil {
			t.Fatal(err)
		}
	}
	follow()
	add("Kiln 2", "leak")
	add("Oven 3", "leak")
	follow("A leak")
	raw("{\"bench\":\"Kiln 2\"}\nnonsense\n{\"bench\":\"Kiln 2\",\"who\":\"B\",")
	follow()
	raw("\"entered\":{\"what\":\"dump\"}}\n")
	follow("B dump")
	if err := n.add(daq.Command{Who: "C", Args: map[string]string{"what": "zero"}}); err != nil {
		t.Fatal(err)
	}
	follow()
	add("Kiln 2", "proof")
	follow("A proof")
	if got := newNotebook(dir, "Kiln 2", zerolog.Nop()); got.follow(func(c daq.Command) {
		if c.Args["at"] != "" {
			t.Errorf("where it was entered is kept: %v", c.Args)
		}
	}) != nil {
		t.Error("a second reader fails")
	}
}

func TestEnterRefusesWhatCantBe(t *testing.T) {
	dir := t.TempDir()
	bench := filepath.Join(dir, "kiln2.toml")
	if err := os.WriteFile(bench, config.Example(), 0o644); err != nil {
		t.Fatal(err)
	}
	file := func(name, text string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return p
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"proof", "Specimen pressure high"}, "until is missing"},
		{[]string{"proof", "Supply low", "--until", "2099-01-01"}, "no rule that trips"},
		{[]string{"zero", "supply"}, "no specimen pressure"},
		{[]string{"leak"}, "no value"},
		{[]string{"leak", "--mbar-s", "1", "--date", "2099-01-01"}, "still to come"},
		{[]string{"leak", "--mbar-s", "1", "--date", "today"}, "is no date"},
		{[]string{"volume"}, "can't be entered"},
		{[]string{"leak", "--from", file("no.json", `{"ok":false,"result":{"rate_bar_s":1}}`)}, "answer was no"},
		{[]string{"leak", "--from", file("odd.json", `{"ok":true,"result":{}}`)}, "no leak rate"},
		{[]string{"zero", "--from", file("none.json", `{"ok":true,"result":[{"channel":"supply"}]}`)}, "no zero of a specimen"},
		{[]string{"dump", "--from", file("text.json", `x`)}, "give what procedure printed"},
	} {
		args := append([]string{"--data", dir, "enter"}, append(c.args, "--bench", bench, "--who", "A. Rahn")...)
		if _, errs, code := program(t, args...); code != exitWrong || !strings.Contains(errs, c.says) {
			t.Errorf("%v: exit %d, %q, want %q", c.args, code, errs, c.says)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, enteredFile)); err == nil {
		t.Error("something was entered")
	}
}

// What a procedure printed goes into the notebook, and from there into the
// guard as the value that was found.
func TestProcedureIsEntered(t *testing.T) {
	dir := t.TempDir()
	bench := filepath.Join(dir, "kiln2.toml")
	if err := os.WriteFile(bench, config.Example(), 0o644); err != nil {
		t.Fatal(err)
	}
	hold := writeTrace(t, "t_s,p1_barg,t_gas_C", 100, 6000, func(s float64) []float64 { return []float64{4 - 2e-5*s, 23} })
	result, errs, code := program(t, "procedure", "leak", hold, "--volume-ml", "50", "--limit-mbar-s", "0.05", "--json")
	if code != 0 {
		t.Fatal(errs)
	}
	from := filepath.Join(dir, "leak.json")
	if err := os.WriteFile(from, []byte(result), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, errs, code := program(t, "--data", dir, "enter", "leak", "--from", from, "--bench", bench, "--who", "A. Rahn"); code != 0 {
		t.Fatalf("exit %d: %s%s", code, out, errs)
	}
	g, err := guard.New(exampleBench(t).Guard)
	if err != nil {
		t.Fatal(err)
	}
	g.Wall(1e9, time.Now().UnixNano())
	if err := newNotebook(dir, "Kiln 2", zerolog.Nop()).follow(func(c daq.Command) {
		if err := g.Command(c, 1e9); err != nil {
			t.Error(err)
		}
	}); err != nil {
		t.Fatal(err)
	}
	for _, k := range g.Guards() {
		if k.Name == guard.GuardLeak && !k.OK {
			t.Errorf("after the procedure was entered: %+v", k)
		}
	}
}
