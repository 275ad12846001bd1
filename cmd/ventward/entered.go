package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"ventward/daq"
)

// enteredFile holds, a JSON line each, what persons did between tests and
// entered: leak checks, zeros, a dump valve's exercise, proof tests. Lines are
// only ever added. A daemon reads it at its start and follows it.
const enteredFile = "entered.jsonl"

// Bounds of what is read of it.
const (
	enteredMaxLine = 16 << 10
	enteredMaxFile = 16 << 20
	enteredEvery   = time.Second
)

// enteredLine is one line of it.
type enteredLine struct {
	At      string            `json:"at"` // RFC 3339, when it was entered
	Bench   string            `json:"bench"`
	Who     string            `json:"who"`
	Entered map[string]string `json:"entered"` // the arguments of the command enter, in SI
}

// notebook is the file as a daemon follows it.
type notebook struct {
	path, bench string
	log         zerolog.Logger

	mu sync.Mutex
	at int64 // read up to here
}

func newNotebook(dir, bench string, log zerolog.Logger) *notebook {
	return &notebook{path: filepath.Join(dir, enteredFile), bench: bench, log: log}
}

// run gives new lines to take until ctx is done.
func (e *notebook) run(ctx context.Context, take func(daq.Command)) {
	t := time.NewTicker(enteredEvery)
	defer t.Stop()
	for {
		if err := e.follow(take); err != nil {
			e.log.Warn().Err(err).Msg("what was entered can't be read")
		}
		select {
		case <-t.C:
		case <-ctx.Done():
			return
		}
	}
}

// follow takes the whole lines that were added since the last look.
func (e *notebook) follow(take func(daq.Command)) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	f, err := os.Open(e.path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	if _, err := f.Seek(e.at, io.SeekStart); err != nil {
		return err
	}
	data, err := io.ReadAll(io.LimitReader(f, enteredMaxFile))
	if err != nil {
		return err
	}
	for {
		i := bytes.IndexByte(data, '\n')
		if i < 0 {
			return nil // a line that is still being written
		}
		e.line(data[:i], take)
		data, e.at = data[i+1:], e.at+int64(i)+1
	}
}

func (e *notebook) line(p []byte, take func(daq.Command)) {
	var l enteredLine
	if err := json.Unmarshal(p, &l); len(p) > enteredMaxLine || err != nil || l.Entered == nil {
		e.log.Warn().Int64("at_byte", e.at).Str("file", e.path).Msg("a line of what was entered is damaged and is passed over")
		return
	}
	if l.Bench == e.bench {
		take(daq.Command{Verb: "enter", Who: l.Who, Args: l.Entered})
	}
}

// add appends one line that is already known to whoever follows through e.
func (e *notebook) add(c daq.Command) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	n, err := appendEntered(e.path, e.bench, c)
	if err == nil && n.from == e.at {
		e.at = n.to
	}
	return err
}

type written struct{ from, to int64 }

// appendEntered adds a line for a bench and has it on disk when it returns.
func appendEntered(path, bench string, c daq.Command) (written, error) {
	args := map[string]string{}
	for k, v := range c.Args {
		if k != "at" {
			args[k] = v
		}
	}
	line, err := json.Marshal(enteredLine{At: time.Now().UTC().Format(time.RFC3339), Bench: bench, Who: c.Who, Entered: args})
	if err != nil {
		return written{}, err
	}
	if len(line) > enteredMaxLine {
		return written{}, fmt.Errorf("%s: a line of %d bytes is more than %d: shorten the method", path, len(line), enteredMaxLine)
	}
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		return written{}, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return written{}, err
	}
	if st.Size() > enteredMaxFile/2 {
		return written{}, fmt.Errorf("%s is full: move it away, and enter what still counts", path)
	}
	line = append(line, '\n')
	if _, err := f.Write(line); err != nil {
		return written{}, err
	}
	return written{st.Size(), st.Size() + int64(len(line))}, f.Sync()
}
