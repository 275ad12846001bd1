package influx

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// state is what the forwarder keeps on disk: the cursor, and each channel's
// newest stamp, without which a batch sent again after a crash might get other
// stamps than the first time and stand there twice.
type state struct {
	Cursor Cursor           `json:"cursor"`
	Last   map[string]int64 `json:"last,omitempty"` // channel -> newest stamp of Cursor.Run, ns
	Points uint64           `json:"points"`         // points sent since the file was made
}

// cursorFile is the state's file in the forwarder's folder.
const cursorFile = "forward.json"

func loadState(dir string) (state, error) {
	s := state{Last: map[string]int64{}}
	data, err := os.ReadFile(filepath.Join(dir, cursorFile))
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return s, fmt.Errorf("influx: reading the cursor: %w; make the folder readable", err)
	}
	if err := json.Unmarshal(data, &s); err != nil {
		return s, fmt.Errorf("influx: the cursor %s is damaged: %w; move it away to send every stored run again, which overwrites itself", filepath.Join(dir, cursorFile), err)
	}
	if s.Last == nil {
		s.Last = map[string]int64{}
	}
	return s, nil
}

// saveState writes the state so that a crash leaves the old one or the new
// one: a temporary file, fsync, rename, fsync of the folder.
func saveState(dir string, s state) error {
	data, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("influx: writing the cursor: %w", err)
	}
	temp := filepath.Join(dir, cursorFile+".new")
	if err := writeSynced(temp, data); err != nil {
		return fmt.Errorf("influx: writing the cursor: %w; free space or mend the folder's rights", err)
	}
	if err := os.Rename(temp, filepath.Join(dir, cursorFile)); err != nil {
		return fmt.Errorf("influx: writing the cursor: %w; mend the folder's rights", err)
	}
	return syncFolder(dir)
}

func writeSynced(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("influx: %w; mend the folder's rights", err)
	}
	return errors.Join(d.Sync(), d.Close())
}
