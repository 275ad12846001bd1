package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// writeWhole has a file written beside out and renames it once it is on the
// disk, so that there is a whole file under that name or what was there before.
func writeWhole(out string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(out), ".ventward-*")
	if err != nil {
		return fmt.Errorf("-o %s: %w: name a folder that is there and can be written", out, err)
	}
	defer func() {
		if err != nil {
			os.Remove(f.Name())
		}
	}()
	w := bufio.NewWriterSize(f, 1<<18)
	if err = write(w); err == nil {
		err = w.Flush()
	}
	err = errors.Join(err, f.Chmod(0o644))
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), out)
	}
	if err != nil {
		return fmt.Errorf("-o %s: %w", out, err)
	}
	return nil
}
