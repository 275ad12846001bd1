package sim

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestPage: two mappings of one file see each other's counters.
func TestPage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clock")
	a, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	b, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if d := Monotonic() - a.Now(); d < 0 || d > int64(time.Minute) || a.Progress() != a.Now() {
		t.Errorf("a new page says now %d, progress %d at %d", a.Now(), a.Progress(), Monotonic())
	}
	a.SetNow(123)
	b.SetProgress(77)
	if b.Now() != 123 || a.Progress() != 77 {
		t.Errorf("now %d, progress %d, want 123 and 77", b.Now(), a.Progress())
	}
	for _, bad := range []string{"", "short", strings.Repeat("x", pageSize)} {
		other := filepath.Join(t.TempDir(), "other")
		if err := os.WriteFile(other, []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(other); err == nil {
			t.Errorf("a file of %d bytes is taken for a page", len(bad))
		}
	}
	if _, err := Open(filepath.Join(t.TempDir(), "absent")); err == nil {
		t.Error("an absent file is taken for a page")
	}
	if _, err := Create(filepath.Join(t.TempDir(), "no", "folder")); err == nil {
		t.Error("a page is made in no folder")
	}
}

func TestMonotonic(t *testing.T) {
	a := Monotonic()
	time.Sleep(2 * time.Millisecond)
	if d := Monotonic() - a; d < 2e6 || d > int64(time.Minute) {
		t.Errorf("2 ms take %d ns", d)
	}
}
