package port

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

const patience = 10 * time.Second // for what must happen; no test waits for it to pass

// recorder is an Owner that keeps what it is told.
type recorder struct {
	mu     sync.Mutex
	got    []byte
	times  []int64
	events chan string
	bytes  chan struct{}
}

func newRecorder() *recorder {
	return &recorder{events: make(chan string, 64), bytes: make(chan struct{}, 1)}
}

func (r *recorder) Bytes(p []byte, at int64) {
	r.mu.Lock()
	r.got = append(r.got, p...)
	r.times = append(r.times, at)
	r.mu.Unlock()
	select {
	case r.bytes <- struct{}{}:
	default:
	}
}
func (r *recorder) Up()            { r.events <- "up" }
func (r *recorder) Down(err error) { r.events <- "down: " + err.Error() }

func (r *recorder) taken() []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	return bytes.Clone(r.got)
}

func (r *recorder) expect(t *testing.T, prefix string) {
	t.Helper()
	select {
	case e := <-r.events:
		if !strings.HasPrefix(e, prefix) {
			t.Fatalf("told %q, want %q", e, prefix)
		}
	case <-time.After(patience):
		t.Fatalf("not told %q", prefix)
	}
}

func (r *recorder) expectBytes(t *testing.T, want string) {
	t.Helper()
	end := time.After(patience)
	for string(r.taken()) != want {
		select {
		case <-r.bytes:
		case <-end:
			t.Fatalf("read %q, want %q", r.taken(), want)
		}
	}
}

// terminal returns the master of a new pseudo-terminal and its slave's path.
func terminal(t *testing.T) (*os.File, string) {
	t.Helper()
	m, s, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close(); s.Close() })
	return m, s.Name()
}

func options(t *testing.T, path string) Options {
	return Options{Path: path, Baud: 115200, LockDir: filepath.Join(t.TempDir(), "locks"), ReopenMin: 5 * time.Millisecond, ReopenMax: 20 * time.Millisecond}
}

func mustOpen(t *testing.T, o Options, r *recorder) *Link {
	t.Helper()
	l, err := Open(o, r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	r.expect(t, "up")
	return l
}

func TestBytesPassBothWays(t *testing.T) {
	m, path := terminal(t)
	o := options(t, path)
	now := int64(0)
	o.Now = func() int64 { now++; return now }
	r := newRecorder()
	l := mustOpen(t, o, r)
	all := make([]byte, 256) // no byte may be altered: no echo, no newline translation
	for i := range all {
		all[i] = byte(i)
	}
	m.Write(all)
	r.expectBytes(t, string(all))
	if err := l.Write(all); err != nil {
		t.Fatal(err)
	}
	back := make([]byte, 0, 256)
	buf := make([]byte, 256)
	for len(back) < 256 {
		n, err := m.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		back = append(back, buf[:n]...)
	}
	if !bytes.Equal(back, all) {
		t.Fatalf("wrote % x", back)
	}
	r.mu.Lock()
	for i := 1; i < len(r.times); i++ {
		if r.times[i] <= r.times[i-1] {
			t.Errorf("times %v", r.times)
		}
	}
	r.mu.Unlock()
	if s := l.Stats(); s.BytesIn != 256 || s.BytesOut != 256 || s.Opens != 1 || s.Losses != 0 {
		t.Fatalf("%+v", s)
	}
	if l.Device() != path {
		t.Fatalf("device %q, want %q", l.Device(), path)
	}
}

func TestUnplugAndReplug(t *testing.T) {
	m, path := terminal(t)
	link := filepath.Join(t.TempDir(), "fast")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	r := newRecorder()
	l := mustOpen(t, options(t, link), r)
	m.Write([]byte("before "))
	r.expectBytes(t, "before ")
	m.Close()
	os.Remove(link)
	r.expect(t, "down: port: "+path+" went away")
	if err := l.Write([]byte("x")); !errors.Is(err, ErrDown) {
		t.Fatalf("write while away: %v", err)
	}
	m2, path2 := terminal(t)
	if err := os.Symlink(path2, link); err != nil {
		t.Fatal(err)
	}
	r.expect(t, "up")
	m2.Write([]byte("after"))
	r.expectBytes(t, "before after")
	if err := l.Write([]byte("ok")); err != nil {
		t.Fatal(err)
	}
	s := l.Stats()
	if s.Opens != 2 || s.Losses != 1 {
		t.Fatalf("%+v", s)
	}
	if l.Device() != path2 {
		t.Fatalf("device %q, want %q", l.Device(), path2)
	}
}

func TestManyUnplugs(t *testing.T) {
	link := filepath.Join(t.TempDir(), "fast")
	m, path := terminal(t)
	os.Symlink(path, link)
	r := newRecorder()
	l := mustOpen(t, options(t, link), r)
	want := ""
	for i := range 20 {
		msg := fmt.Sprintf("%d,", i)
		want += msg
		m.Write([]byte(msg))
		r.expectBytes(t, want)
		os.Remove(link)
		m.Close()
		r.expect(t, "down")
		m, path = terminal(t)
		os.Symlink(path, link)
		r.expect(t, "up")
	}
	if s := l.Stats(); s.Losses != 20 || s.Opens != 21 {
		t.Fatalf("%+v", s)
	}
}

func TestBlockedWriteEnds(t *testing.T) {
	_, path := terminal(t) // nobody reads the master
	o := options(t, path)
	o.WriteTimeout = 50 * time.Millisecond
	r := newRecorder()
	l := mustOpen(t, o, r)
	err := l.Write(make([]byte, 1<<20))
	if !errors.Is(err, ErrTimeout) {
		t.Fatalf("write to a full port: %v", err)
	}
	if s := l.Stats(); s.WriteTimeouts != 1 || s.WriteErrors != 1 {
		t.Fatalf("%+v", s)
	}
}

func TestCloseFreesBlockedWrite(t *testing.T) {
	_, path := terminal(t)
	o := options(t, path)
	o.WriteTimeout = time.Hour
	r := newRecorder()
	l := mustOpen(t, o, r)
	ended := make(chan error)
	go func() { ended <- l.Write(make([]byte, 1<<20)) }()
	for l.Stats().BytesOut == 0 {
		time.Sleep(time.Millisecond)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-ended:
		if !errors.Is(err, ErrClosed) {
			t.Fatalf("blocked write ended with %v", err)
		}
	case <-time.After(patience):
		t.Fatal("the write is still blocked")
	}
}

func TestWriteAfterCloseHitsNoOtherFile(t *testing.T) {
	_, path := terminal(t)
	r := newRecorder()
	l := mustOpen(t, options(t, path), r)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	var files []*os.File // one of them has the port's old descriptor
	for range 16 {
		f, err := os.CreateTemp(t.TempDir(), "victim")
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		files = append(files, f)
	}
	if err := l.Write([]byte("stray")); !errors.Is(err, ErrClosed) {
		t.Fatalf("write after close: %v", err)
	}
	if err := l.SetRTS(true); !errors.Is(err, ErrClosed) {
		t.Fatalf("RTS after close: %v", err)
	}
	for _, f := range files {
		if st, err := f.Stat(); err != nil || st.Size() != 0 {
			t.Fatalf("%s was written to (%v)", f.Name(), err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatalf("second close: %v", err)
	}
}

// Writers, reopening and Close at once: nothing to see but the race detector
// and the descriptors of other files.
func TestWriteRacesUnplugAndClose(t *testing.T) {
	link := filepath.Join(t.TempDir(), "p")
	m, path := terminal(t)
	os.Symlink(path, link)
	r := newRecorder()
	l := mustOpen(t, options(t, link), r)
	var writers sync.WaitGroup
	for range 3 {
		writers.Go(func() {
			for !errors.Is(l.Write([]byte("abc")), ErrClosed) {
				_ = l.Stats()
				time.Sleep(100 * time.Microsecond)
			}
		})
	}
	for range 5 {
		os.Remove(link)
		m.Close()
		r.expect(t, "down")
		m, path = terminal(t)
		os.Symlink(path, link)
		r.expect(t, "up")
	}
	l.Close()
	writers.Wait()
}

func TestSecondOpenIsRefused(t *testing.T) {
	_, path := terminal(t)
	o := options(t, path)
	r := newRecorder()
	l := mustOpen(t, o, r)
	alias := filepath.Join(t.TempDir(), "alias") // another name of the same device
	os.Symlink(path, alias)
	o2 := o
	o2.Path, o2.Baud = alias, 9600
	_, err := Open(o2, newRecorder())
	if !errors.Is(err, ErrBusy) {
		t.Fatalf("second open: %v", err)
	}
	for _, part := range []string{path, fmt.Sprint("process ", os.Getpid()), "end that program"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%q does not say %q", err, part)
		}
	}
	l.Close()
	r2 := newRecorder()
	mustOpen(t, o2, r2)
}

// Another process must be kept out too: the test runs itself as one.
func TestSecondProcessIsRefused(t *testing.T) {
	if path := os.Getenv("PORT_TEST_OPEN"); path != "" {
		_, err := Open(Options{Path: path, Baud: 9600, LockDir: os.Getenv("PORT_TEST_LOCKS")}, newRecorder())
		fmt.Println("child:", err)
		return
	}
	_, path := terminal(t)
	o := options(t, path)
	mustOpen(t, o, newRecorder())
	cmd := exec.Command(os.Args[0], "-test.run=^TestSecondProcessIsRefused$", "-test.v")
	cmd.Env = append(os.Environ(), "PORT_TEST_OPEN="+path, "PORT_TEST_LOCKS="+o.LockDir)
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(out), "in use by process") {
		t.Fatalf("child: %v: %s", err, out)
	}
}

// A program started while a port is open must not inherit it.
func TestPortIsNotInherited(t *testing.T) {
	_, path := terminal(t)
	mustOpen(t, options(t, path), newRecorder())
	out, err := exec.Command("ls", "-l", "/proc/self/fd").CombinedOutput()
	if err != nil || strings.Contains(string(out), path+"\n") {
		t.Fatalf("%v: a child holds the port:\n%s", err, out)
	}
}

func TestHighDescriptorIsRefused(t *testing.T) {
	var lim unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &lim); err != nil {
		t.Fatal(err)
	}
	if lim.Max < 1200 {
		t.Fatalf("the hard limit of open files is %d; raise it to 1200 (ulimit -Hn) to run this test", lim.Max)
	}
	old := lim
	lim.Cur = max(lim.Cur, 1200)
	if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &lim); err != nil {
		t.Fatal(err)
	}
	defer unix.Setrlimit(unix.RLIMIT_NOFILE, &old)
	_, path := terminal(t)
	// Leave room for the lock file and the port, not for the pipe of its Read:
	// it alone would make the library panic.
	for _, free := range []int{0, 2, 3, 4} {
		held := fill(t, maxDescriptor-free)
		l, err := Open(options(t, path), newRecorder())
		if err == nil {
			l.Close()
		}
		for _, fd := range held {
			unix.Close(fd)
		}
		if free < 4 && !errors.Is(err, errTooMany) {
			t.Fatalf("with %d descriptors below the limit: %v", free, err)
		}
		if free == 4 && err != nil {
			t.Fatalf("with 4 descriptors below the limit (lock, port, pipe): %v", err)
		}
	}
}

// fill opens files until every descriptor below limit is taken.
func fill(t *testing.T, limit int) (held []int) {
	t.Helper()
	for {
		fd, err := unix.Open("/dev/null", unix.O_RDONLY|unix.O_CLOEXEC, 0)
		if err != nil {
			t.Fatal(err)
		}
		if fd >= limit {
			unix.Close(fd)
			return held
		}
		held = append(held, fd)
	}
}

func TestPatientOpen(t *testing.T) {
	link := filepath.Join(t.TempDir(), "later")
	o := options(t, link)
	if _, err := Open(o, newRecorder()); err == nil || !strings.Contains(err.Error(), "is not there") {
		t.Fatalf("open of an absent device: %v", err)
	}
	o.Patient = true
	r := newRecorder()
	l, err := Open(o, r)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	r.expect(t, "down: port: "+link+" is not there")
	for l.Stats().Attempts < 3 {
		time.Sleep(time.Millisecond)
	}
	m, path := terminal(t)
	os.Symlink(path, link)
	r.expect(t, "up")
	m.Write([]byte("hello"))
	r.expectBytes(t, "hello")
}

func TestBytesBeforeOpenAreThrownAway(t *testing.T) {
	m, path := terminal(t)
	m.Write([]byte("stale\n"))
	r := newRecorder()
	mustOpen(t, options(t, path), r)
	m.Write([]byte("fresh\n"))
	r.expectBytes(t, "fresh\n")
}

func TestModemLinesOnPseudoTerminal(t *testing.T) {
	_, path := terminal(t)
	l := mustOpen(t, options(t, path), newRecorder())
	for _, set := range []func(bool) error{l.SetRTS, l.SetDTR} {
		if err := set(true); !errors.Is(err, ErrNotSupported) {
			t.Fatalf("modem line of a pseudo-terminal: %v", err)
		}
	}
}

func TestOptionsAreChecked(t *testing.T) {
	good := Options{Path: "/dev/null", Baud: 9600}
	for name, c := range map[string]struct {
		change func(*Options)
		says   string
	}{
		"no path":         {func(o *Options) { o.Path = "" }, "no path"},
		"negative speed":  {func(o *Options) { o.Baud = -9600 }, "-9600 baud"},
		"no speed":        {func(o *Options) { o.Baud = 0 }, "0 baud"},
		"absurd speed":    {func(o *Options) { o.Baud = 1 << 30 }, "1073741824 baud"},
		"data bits":       {func(o *Options) { o.DataBits = 9 }, "9 data bits"},
		"parity":          {func(o *Options) { o.Parity = "mark" }, `"mark"`},
		"stop bits":       {func(o *Options) { o.StopBits = 3 }, "3 stop bits"},
		"negative time":   {func(o *Options) { o.WriteTimeout = -1 }, "below zero"},
		"no serial port":  {func(o *Options) {}, "can't open /dev/null"},
		"no lock folder":  {func(o *Options) { o.LockDir = "/dev/null/locks" }, "lock files"},
		"several at once": {func(o *Options) { o.Baud, o.StopBits = 0, 7 }, "7 stop bits"},
	} {
		o := good
		o.LockDir = t.TempDir()
		c.change(&o)
		l, err := Open(o, newRecorder())
		if err == nil {
			l.Close()
			t.Errorf("%s: opened", name)
		} else if !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %q does not say %q", name, err, c.says)
		}
	}
}

// After a failed Open nothing may stay behind: no lock, no descriptor.
func TestFailedOpenReleasesAll(t *testing.T) {
	o := Options{Path: "/dev/null", Baud: 9600, LockDir: t.TempDir()}
	before := openFiles(t)
	for range 5 {
		if _, err := Open(o, newRecorder()); err == nil || errors.Is(err, ErrBusy) {
			t.Fatalf("open of no serial port: %v", err)
		}
	}
	if after := openFiles(t); after > before {
		t.Fatalf("%d files open, %d before", after, before)
	}
}

func openFiles(t *testing.T) int {
	t.Helper()
	d, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(d)
}

func TestNothingIsLeftRunning(t *testing.T) {
	goroutines, files := runtime.NumGoroutine(), openFiles(t)
	for range 10 {
		m, s, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		r := newRecorder()
		l, err := Open(options(t, s.Name()), r)
		if err != nil {
			t.Fatal(err)
		}
		r.expect(t, "up")
		m.Close() // away, and trying to reopen
		s.Close()
		r.expect(t, "down")
		l.Close()
	}
	end := time.Now().Add(patience)
	for runtime.NumGoroutine() > goroutines || openFiles(t) > files {
		if time.Now().After(end) {
			t.Fatalf("%d goroutines and %d files, %d and %d before", runtime.NumGoroutine(), openFiles(t), goroutines, files)
		}
		time.Sleep(time.Millisecond)
	}
}

// BenchmarkLink measures the bytes a link reads from a pseudo-terminal.
func BenchmarkLink(b *testing.B) {
	m, s, err := pty.Open()
	if err != nil {
		b.Fatal(err)
	}
	defer m.Close()
	defer s.Close()
	sink := &counter{all: make(chan struct{}), want: b.N * 4096}
	l, err := Open(Options{Path: s.Name(), Baud: 115200, LockDir: b.TempDir()}, sink)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	p := bytes.Repeat([]byte{0x55}, 4096)
	b.SetBytes(4096)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		m.Write(p)
	}
	<-sink.all
}

type counter struct {
	got, want int
	all       chan struct{}
}

func (c *counter) Up()        {}
func (c *counter) Down(error) {}
func (c *counter) Bytes(p []byte, _ int64) {
	c.got += len(p)
	if c.got == c.want {
		close(c.all)
	}
}
