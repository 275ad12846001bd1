package sim

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestTerminal: rows are counted as unheard while nobody listens, as sent when
// somebody does, as overrun when he does not read, as lost when the terminal
// is away; nothing waits; the name stays.
func TestTerminal(t *testing.T) {
	dir := t.TempDir()
	x, err := openTerminal("fast", dir)
	if err != nil {
		t.Fatal(err)
	}
	defer x.close()
	msg := bytes.Repeat([]byte("abcdefg\n"), 100)
	for range 1000 { // 800 kB that nobody hears
		x.send(msg, 10)
		x.flush()
	}
	if x.sent.Unheard != 10000 || x.sent.Rows != 0 {
		t.Errorf("with nobody there: %+v", x.sent)
	}
	f, err := os.OpenFile(filepath.Join(dir, "fast"), os.O_RDWR|0x100, 0)
	if err != nil {
		t.Fatal(err)
	}
	x.send(msg, 10)
	if !x.flush() {
		t.Error("800 bytes don't go to a waiting reader")
	}
	got := make([]byte, len(msg))
	if _, err := io.ReadFull(f, got); err != nil || !bytes.Equal(got, msg) {
		t.Errorf("the reader got %q, %v; old bytes must not wait for him", got[:20], err)
	}
	if _, err := f.Write([]byte{0, 3, 13, 10, 17, 19, 255}); err != nil { // control characters pass
		t.Fatal(err)
	}
	buf := make([]byte, 64)
	var back []byte
	for range 200 {
		if back = append(back, x.receive(buf)...); len(back) >= 7 {
			break
		}
		time.Sleep(time.Millisecond)
	}
	if !bytes.Equal(back, []byte{0, 3, 13, 10, 17, 19, 255}) {
		t.Errorf("the device got % x", back)
	}
	begin := time.Now()
	for range 1000 { // a reader who does not read
		x.send(msg, 10)
		x.flush()
	}
	if x.sent.Overrun == 0 || time.Since(begin) > 5*time.Second {
		t.Errorf("a reader who does not read: %+v after %v", x.sent, time.Since(begin))
	}
	old, _ := os.Readlink(filepath.Join(dir, "fast"))
	x.unplug()
	if _, err := os.Lstat(filepath.Join(dir, "fast")); err == nil {
		t.Error("the name stays when the terminal is away")
	}
	if n, err := f.Read(make([]byte, 1<<20)); err == nil && n == 0 {
		t.Error("the reader is not told that the terminal went away")
	}
	f.Close()
	x.send(msg, 10)
	x.flush()
	if x.sent.Lost != 10 || x.receive(buf) != nil {
		t.Errorf("while it is away: %+v", x.sent)
	}
	if err := x.plug(); err != nil {
		t.Fatal(err)
	}
	now, _ := os.Readlink(filepath.Join(dir, "fast"))
	if now == "" {
		t.Errorf("the name leads to %q (before: %q)", now, old)
	}
	s := x.sent
	if all := s.Rows + s.Unheard + s.Overrun + s.Lost + s.Cut; all != 10*(1000+1+1000+1) {
		t.Errorf("%d rows are accounted for of 20020: %+v", all, s)
	}
}
