package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ventward/daq/trace"
)

// A run that leaves as CSV and comes back through analyze has the same events
// with the same figures.
func TestExportedTraceHasTheSameEvents(t *testing.T) {
	dir := t.TempDir()
	run := imported(t, dir, traces+"burst.csv", "--volume-ml", "50")
	out := filepath.Join(dir, "out.csv")
	done := exportOf(t, dir, run, "csv", out)
	was := readTrace(t, traces+"burst.csv")
	if done.Rows != len(was.T) || done.LeftOut != 0 {
		t.Errorf("%+v, want %d rows", done, len(was.T))
	}
	before, _, _ := program(t, "analyze", traces+"burst.csv", "--volume-ml", "50", "--json")
	after, errs, code := program(t, "analyze", out, "--volume-ml", "50", "--json")
	if a, b := eventsOf(t, before), eventsOf(t, after); code != 0 || a != b || a == "" {
		t.Errorf("exit %d %s\nbefore:\n%s\nafter:\n%s", code, errs, a, b)
	}
}

// Slower channels keep all their readings, each in the row of its time, and a
// selection leaves out the rest.
func TestExportedTraceKeepsSlowChannels(t *testing.T) {
	dir := t.TempDir()
	var s strings.Builder
	s.WriteString("t_s,p1_bara,skin temperature_K,level,dump_valve\n")
	for k := range 400 {
		slow := ","
		if k%40 == 3 {
			slow = fmt.Sprintf("%d,%d", 300+k, k)
		}
		fmt.Fprintf(&s, "%d.%02d,1.%03d,%s,%d\n", k/100, k%100, k%7, slow, k/200)
	}
	in := filepath.Join(dir, "in.csv")
	if err := os.WriteFile(in, []byte(s.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	run := imported(t, dir, in, "--map", "skin temperature_K=t_skin")
	out := filepath.Join(dir, "out.csv")
	exportOf(t, dir, run, "csv", out)
	was, now := readTrace(t, in), readTrace(t, out)
	if len(now.Columns) != 4 || now.Columns[0].Header != "p1_bara" {
		t.Fatalf("%d columns", len(now.Columns))
	}
	for _, names := range [][2]string{{"p1", "p1"}, {"skin temperature", "t_skin"}, {"level", "level"}, {"dump_valve", "dump_valve"}} {
		a, b := columnOf(t, was, names[0]), columnOf(t, now, names[1])
		for k := range a.Values {
			if x, y := a.Values[k], b.Values[k]; x != y && (x == x || y == y) {
				t.Fatalf("%s, row %d: %g was exported as %g", names[0], k, x, y)
			}
		}
	}
	if done := exportOf(t, dir, run, "csv", out, "--channels", "p1", "--from-s", "1", "--to-s", "1.5"); done.Rows != 51 {
		t.Errorf("%+v, want the 51 rows from 1 s to 1.5 s", done)
	}
	if now = readTrace(t, out); len(now.Columns) != 1 || now.T[0] != 1e9 || now.T[50] != 15e8 {
		t.Errorf("%d columns from %d to %d ns", len(now.Columns), now.T[0], now.T[len(now.T)-1])
	}
}

// One row a sample, whatever the rate.
func TestExportParquet(t *testing.T) {
	dir := t.TempDir()
	run := imported(t, dir, traces+"burst.csv")
	out := filepath.Join(dir, "out.parquet")
	done := exportOf(t, dir, run, "parquet", out)
	was := readTrace(t, traces+"burst.csv")
	if want := len(was.T) * len(was.Columns); done.Rows != want {
		t.Errorf("%d rows, want %d", done.Rows, want)
	}
	b, err := os.ReadFile(out)
	if err != nil || !bytes.HasPrefix(b, []byte("PAR1")) || !bytes.HasSuffix(b, []byte("PAR1")) {
		t.Errorf("%v: no Parquet file", err) // the magic of the Apache Parquet format
	}
	for _, want := range []string{"vent-opening", run, `"name":"p1"`} {
		if !bytes.Contains(b, []byte(want)) {
			t.Errorf("the metadata do not hold %q", want)
		}
	}
}

// What can't be exported says so and leaves what was there.
func TestExportRefuses(t *testing.T) {
	dir := t.TempDir()
	run := imported(t, dir, traces+"burst.csv")
	out := filepath.Join(dir, "out.csv")
	if err := os.WriteFile(out, []byte("kept"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{run, "--format", "xls", "-o", out}, {run, "-o", out}, {run, "--format", "csv"}, {"no-such-run", "--format", "csv", "-o", out},
		{run, "--format", "csv", "-o", out, "--channels", "p9"}, {run, "--format", "csv", "-o", out, "--from-s", "2", "--to-s", "1"}, {run, "--format", "csv", "-o", out, "--from-s", "1e6"}} {
		if _, errs, code := program(t, append([]string{"--data", dir, "export"}, args...)...); code != exitWrong || errs == "" {
			t.Errorf("%v: exit %d, %q", args, code, errs)
		}
	}
	if _, errs, code := program(t, "--data", dir, "export", run, "--format", "csv", "-o", filepath.Join(dir, "no", "such", "folder.csv")); code != exitWrong || !strings.Contains(errs, "name a folder") {
		t.Errorf("no folder: exit %d, %q", code, errs)
	}
	if b, err := os.ReadFile(out); err != nil || string(b) != "kept" {
		t.Errorf("a refused export left %q, %v", b, err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".ventward-*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

func imported(t *testing.T, data, path string, more ...string) string {
	t.Helper()
	out, errs, code := program(t, append([]string{"--data", data, "import", path}, more...)...)
	var r struct{ Run string }
	if err := json.Unmarshal([]byte(out), &r); code != 0 || err != nil || r.Run == "" {
		t.Fatalf("import: exit %d, %q: %s", code, out, errs)
	}
	return r.Run
}

func exportOf(t *testing.T, data, run, format, path string, more ...string) (done exported) {
	t.Helper()
	out, errs, code := program(t, append([]string{"--data", data, "export", run, "--format", format, "-o", path, "--json"}, more...)...)
	if err := json.Unmarshal([]byte(out), &done); code != 0 || err != nil || done.Run != run || done.File != path {
		t.Fatalf("export: exit %d, %q: %s", code, out, errs)
	}
	return done
}

func readTrace(t *testing.T, path string) *trace.Trace {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	tr, err := trace.Read(f, trace.Options{Name: path})
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func columnOf(t *testing.T, tr *trace.Trace, name string) *trace.Column {
	t.Helper()
	for i := range tr.Columns {
		if tr.Columns[i].Name == name {
			return &tr.Columns[i]
		}
	}
	t.Fatalf("%s has no column %s", tr.Name, name)
	return nil
}
