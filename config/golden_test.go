package config_test

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ventward/config"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference before committing it")

const benches = "../testdata/bench"

// TestMessages compares every message of the damaged descriptions in
// testdata/bench/bad with what stands beside them: the messages are an
// interface that people read at the bench.
func TestMessages(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(benches, "bad", "*.toml"))
	if err != nil || len(files) < 8 {
		t.Fatalf("found %d damaged descriptions, want at least 8 (%v)", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			_, err := config.Load(file)
			if filepath.Base(file) == "features.toml" {
				_, err = config.Features(file)
			}
			var ps config.Problems
			if !errors.As(err, &ps) {
				t.Fatalf("got %v, want Problems", err)
			}
			golden(t, strings.TrimSuffix(file, ".toml")+".golden", ps.Error()+"\n")
			for _, p := range ps {
				if p.Message == "" || p.File == "" {
					t.Errorf("a problem without file or message: %+v", p)
				}
			}
		})
	}
}

// TestWarnings compares the warnings of a bench that is allowed but doubtful.
func TestWarnings(t *testing.T) {
	b, err := config.Load(filepath.Join(benches, "doubtful.toml"))
	if err != nil {
		t.Fatalf("doubtful.toml is to be accepted:\n%v", err)
	}
	golden(t, filepath.Join(benches, "doubtful.golden"), b.Warnings("2026-11-25").Error()+"\n")
}

func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; run go test ./config -update and read what it wrote", err)
	}
	if got != string(want) {
		t.Errorf("messages differ from %s\n--- got\n%s--- want\n%s", file, got, want)
	}
}
