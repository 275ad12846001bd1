package port

import (
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"syscall"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// maxDescriptor is the first file descriptor that select can't watch: the
// serial library's Read panics on it.
const maxDescriptor = unix.FD_SETSIZE

// A device is an opened port with its lock.
type device struct {
	path   string // resolved
	port   serial.Port
	handle int
	lock   *lock
}

// open opens the device that the options' path leads to now.
func open(o *Options) (*device, error) {
	path, err := filepath.EvalSymlinks(o.Path)
	if err != nil {
		return nil, fmt.Errorf("port: %s is not there: %w; plug the instrument in or correct the path", o.Path, err)
	}
	if path, err = filepath.Abs(path); err != nil {
		return nil, fmt.Errorf("port: %s: %w; give an absolute path", o.Path, err)
	}
	l, err := take(o.LockDir, path)
	if err != nil {
		return nil, err
	}
	d := &device{path: path, lock: l}
	if err := d.start(o); err != nil {
		l.drop()
		return nil, err
	}
	return d, nil
}

func (d *device) start(o *Options) error {
	// The library opens without close-on-exec: until that is set, no other
	// goroutine may start a program that would inherit the port.
	syscall.ForkLock.RLock()
	p, err := serial.Open(d.path, o.mode())
	if err != nil {
		syscall.ForkLock.RUnlock()
		return fmt.Errorf("port: can't open %s at %d baud: %w; check that it is a serial port, its permissions and its speed", d.path, o.Baud, err)
	}
	d.port = p
	fds, err := descriptors(p)
	for _, fd := range fds {
		unix.CloseOnExec(fd)
	}
	syscall.ForkLock.RUnlock()
	if err == nil {
		d.handle = fds[0]
		err = d.prepare(fds)
	}
	if err != nil {
		p.Close()
		return fmt.Errorf("port: %s: %w", d.path, err)
	}
	return nil
}

// prepare does what the library leaves out, before the first Read.
func (d *device) prepare(fds []int) error {
	for _, fd := range fds {
		if fd >= maxDescriptor {
			return fmt.Errorf("%w: file descriptor %d is beyond what select can watch (%d); this program has too many files open", errTooMany, fd, maxDescriptor-1)
		}
	}
	// Read selects first, so this only keeps Write from blocking for ever.
	if err := unix.SetNonblock(d.handle, true); err != nil {
		return fmt.Errorf("can't be made non-blocking: %w; use another port", err)
	}
	// The timeout is not guarded inside the library: it is set once.
	if err := d.port.SetReadTimeout(readTimeout); err != nil {
		return fmt.Errorf("can't set a read timeout: %w; use another port", err)
	}
	// What waited in the system's buffer before now has no arrival time.
	if err := d.port.ResetInputBuffer(); err != nil {
		return fmt.Errorf("can't empty its input buffer: %w; use another port", err)
	}
	return nil
}

var errTooMany = errors.New("too many open files")

// descriptors returns the port's own file descriptor and the ends of the pipe
// that wakes its Read. The library doesn't export them.
func descriptors(p serial.Port) ([]int, error) {
	v := reflect.ValueOf(p)
	if v.Kind() != reflect.Pointer {
		return nil, errUnknownLibrary
	}
	handle := v.Elem().FieldByName("handle")
	pipe := v.Elem().FieldByName("closeSignal")
	if !handle.IsValid() || !handle.CanInt() || !pipe.IsValid() || pipe.Kind() != reflect.Pointer || pipe.IsNil() {
		return nil, errUnknownLibrary
	}
	fds := []int{int(handle.Int())}
	for _, name := range []string{"rd", "wr"} {
		end := pipe.Elem().FieldByName(name)
		if !end.IsValid() || !end.CanInt() {
			return nil, errUnknownLibrary
		}
		fds = append(fds, int(end.Int()))
	}
	return fds, nil
}

var errUnknownLibrary = errors.New("the serial library is another version than this program was written for; build with the version in go.mod")

func (d *device) close() error {
	err := d.port.Close()
	d.lock.drop()
	return err
}
