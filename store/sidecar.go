package store

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"os"
	"syscall"
)

// seal is a link of the chain of hashes over a run's content (FORMAT.md).
type seal [32]byte

const (
	slotSize    = 512
	sidecarSize = 2 * slotSize
)

// mark is what the sidecar says of a commit.
type mark struct {
	commit uint64
	entry  uint64
	seal   seal
}

// sidecar is the file run.commit, open for writing.
type sidecar struct {
	f *os.File
}

// openSidecar opens or makes the file and locks it for the run's writer.
func openSidecar(path string) (*sidecar, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	if err := flock(f, syscall.LOCK_EX); err != nil {
		f.Close()
		return nil, fmt.Errorf("store: %s is being written by another program: %w", path, ErrLocked)
	}
	return &sidecar{f: f}, nil
}

// write puts the mark into its slot and syncs it.
func (s *sidecar) write(m mark) error {
	slot := formatMark(m)
	at := int64(0)
	if m.commit%2 == 0 {
		at = slotSize
	}
	if _, err := s.f.WriteAt(slot, at); err != nil {
		return err
	}
	return s.f.Sync()
}

func (s *sidecar) close() error { return s.f.Close() }

func formatMark(m mark) []byte {
	line := fmt.Appendf(make([]byte, 0, slotSize), "ventward-commit 1 commit=%d entry=%d seal=%x", m.commit, m.entry, m.seal)
	line = fmt.Appendf(line, " crc=%08x", crc32.Checksum(line, castagnoli))
	for len(line) < slotSize-1 {
		line = append(line, ' ')
	}
	return append(line, '\n')
}

// parseMark reads a slot; a torn or empty one, or one in another spelling, is
// not valid.
func parseMark(slot []byte) (m mark, ok bool) {
	var sum, crc string
	n, _ := fmt.Sscanf(string(slot), "ventward-commit 1 commit=%d entry=%d seal=%64s crc=%8s\n", &m.commit, &m.entry, &sum, &crc)
	raw, err := hex.DecodeString(sum)
	if n != 4 || err != nil || len(raw) != len(m.seal) {
		return mark{}, false
	}
	copy(m.seal[:], raw)
	if !bytes.Equal(slot, formatMark(m)) { // the checksum among the rest
		return mark{}, false
	}
	return m, true
}

// readMark returns the newest valid mark of a sidecar file; none: commit 0.
func readMark(path string) (mark, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return mark{}, err
	}
	var best mark
	for i := 0; i+slotSize <= len(b) && i < sidecarSize; i += slotSize {
		if m, ok := parseMark(b[i : i+slotSize]); ok && m.commit >= best.commit {
			best = m
		}
	}
	return best, nil
}
