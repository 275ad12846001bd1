package lot_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// TestOraclesAnswerTheSame runs SciPy and R again on the questions whose
// answers are committed: another version, another machine, the same numbers. It
// needs Debian's python3-scipy and r-base-core (make needs).
func TestOraclesAnswerTheSame(t *testing.T) {
	python := "/usr/bin/python3"
	if _, err := os.Stat(python); err != nil {
		python = "python3"
	}
	for _, o := range []struct {
		file string
		args []string
	}{{"oracle-scipy.json", []string{python, "oracle.py", "--quick"}}, {"oracle-r.json", []string{"Rscript", "oracle.R", "--quick"}}} {
		t.Run(o.file, func(t *testing.T) {
			dir := t.TempDir()
			for _, name := range []string{"oracle.py", "oracle.R", "oracle-scipy.json"} {
				b, err := os.ReadFile(filepath.Join(testdata, name))
				if err == nil {
					err = os.WriteFile(filepath.Join(dir, name), b, 0o644)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			c := exec.Command(o.args[0], o.args[1:]...)
			c.Dir = dir
			if out, err := c.CombinedOutput(); err != nil {
				t.Fatalf("%v: %v: %s\nmake needs installs python3-scipy and r-base-core, which this check needs", o.args, err, out)
			}
			var kept, fresh any
			load(t, o.file, &kept)
			b, err := os.ReadFile(filepath.Join(dir, o.file))
			if err == nil {
				err = json.Unmarshal(b, &fresh)
			}
			if err != nil {
				t.Fatal(err)
			}
			if n := same(t, "", kept, fresh); n < 50 {
				t.Errorf("%d numbers compared, want fifty and more", n)
			}
		})
	}
}

// same compares two answers place by place and counts the numbers; null was
// not computed.
func same(t *testing.T, at string, kept, fresh any) (n int) {
	switch k := kept.(type) {
	case map[string]any:
		f, ok := fresh.(map[string]any)
		if !ok {
			if fresh != nil {
				t.Errorf("%s: %v, committed %v", at, fresh, kept)
			}
			return 0
		}
		for name, v := range k {
			if name != "made_by" {
				n += same(t, at+"."+name, v, f[name])
			}
		}
	case []any:
		f, ok := fresh.([]any)
		if !ok || len(f) != len(k) {
			if fresh != nil {
				t.Errorf("%s: %v, committed %v", at, fresh, kept)
			}
			return 0
		}
		for i := range k {
			n += same(t, fmt.Sprintf("%s[%d]", at, i), k[i], f[i])
		}
	case float64:
		f, ok := fresh.(float64)
		if !ok || math.Abs(f-k) > 1e-6*math.Abs(k)+1e-9 {
			t.Errorf("%s: %v, committed %v", at, fresh, k)
		}
		return 1
	}
	return n
}
