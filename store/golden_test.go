package store

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
)

var writeGolden = flag.Bool("golden", false, "write testdata/v1 anew: only before version 1 was ever released")

// A run written by the first program of version 1 must be read for ever: the
// promise of FORMAT.md. The entries in it are those of generator seed 1.
func TestGoldenRunIsRead(t *testing.T) {
	golden := filepath.Join("testdata", "v1")
	if *writeGolden {
		s, err := Open(t.TempDir(), quick())
		if err != nil {
			t.Fatal(err)
		}
		r := mustCreate(t, s, "golden")
		for _, e := range newGenerator(1).entries(100) {
			r.Append(e)
			if e.N%40 == 0 {
				committed(t, r.Health, e.N)
			}
		}
		mustClose(t, r)
		s.Close()
		os.RemoveAll(golden)
		if err := os.CopyFS(golden, os.DirFS(filepath.Join(s.Dir(), "runs", "golden"))); err != nil {
			t.Fatal(err)
		}
	}
	for _, mode := range []os.FileMode{0o444, 0o644} { // as closed, and as copied by hand
		readGolden(t, golden, mode)
	}
}

func readGolden(t *testing.T, golden string, mode os.FileMode) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "runs"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(filepath.Join(dir, "runs", "golden"), os.DirFS(golden)); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Join(dir, "runs", "golden", runFile), mode); err != nil {
		t.Fatal(err)
	}
	s := mustOpen(t, dir, quick())
	if rec := s.Recovered(); len(rec) != 1 || rec[0].Err != nil || rec[0].State != StateClosed {
		t.Fatalf("recovered: %+v", rec)
	}
	if got := readAll(t, s, "golden"); !sameEntries(got, newGenerator(1).entries(100)) {
		t.Error("the entries differ from those written")
	}
	if err := s.Check("golden"); err != nil {
		t.Error(err)
	}
}
