package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"ventward/config"
	"ventward/sim"
)

// simProcess is the simulated bench running as a process of its own.
type simProcess struct {
	cmd   *exec.Cmd
	in    io.WriteCloser
	mu    sync.Mutex
	truth []sim.Truth
	sent  map[string]sim.Sent
	cell  chan *sim.Results // of a runaway rig's cell, told with its state
	ready chan *sim.Ready
	load  chan *sim.Specimen
	gone  chan struct{}
	err   error // valid once gone is closed
	told  []string
	all   []sim.Report // the newest reports, bounded
}

// maxReports bounds the reports that are remembered.
const maxReports = 1024

// startSim starts `ventward sim` for a bench description with its terminals
// under dir.
func startSim(bench []byte, dir, speed, page string, seed uint64) (*simProcess, error) {
	file := filepath.Join(dir, "bench.toml")
	if err := os.WriteFile(file, bench, 0o644); err != nil {
		return nil, err
	}
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	args := []string{"sim", "--bench", file, "--links", filepath.Join(dir, "ports"), "--speed", speed, "--seed", fmt.Sprint(seed)}
	if page != "" {
		args = append(args, "--clock", page)
	}
	p := &simProcess{cmd: exec.Command(self, args...), ready: make(chan *sim.Ready, 1), load: make(chan *sim.Specimen, 8), cell: make(chan *sim.Results, 1), gone: make(chan struct{})}
	p.cmd.Stderr = os.Stderr
	if p.in, err = p.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("simulated bench: %w", err)
	}
	go p.listen(out)
	select {
	case <-p.ready:
		return p, nil
	case <-p.gone:
		return nil, fmt.Errorf("simulated bench ended before it was ready: %w", p.err)
	case <-time.After(20 * time.Second):
		p.cmd.Process.Kill()
		return nil, fmt.Errorf("simulated bench was not ready within 20 s")
	}
}

// listen reads what the simulator reports.
func (p *simProcess) listen(out io.Reader) {
	sc := bufio.NewScanner(out)
	sc.Buffer(make([]byte, 0, 64<<10), 4<<20)
	for sc.Scan() {
		var r sim.Report
		if err := json.Unmarshal(sc.Bytes(), &r); err != nil {
			continue
		}
		p.take(&r)
	}
	p.err = p.cmd.Wait()
	close(p.gone)
}

func (p *simProcess) take(r *sim.Report) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.all = append(p.all, *r); len(p.all) > maxReports {
		p.all = p.all[len(p.all)-maxReports:]
	}
	switch {
	case r.Ready != nil:
		p.ready <- r.Ready
	case r.State != nil && r.Results != nil:
		select {
		case p.cell <- r.Results:
		default:
		}
	case r.Truth != nil:
		p.truth = append(p.truth, *r.Truth)
	case r.Sent != nil:
		p.sent = r.Sent
	case r.Loaded != nil:
		select {
		case p.load <- r.Loaded:
		default:
		}
	case r.Error != "":
		p.told = append(p.told, r.Error)
	}
}

// truths returns and forgets what has happened since the last call.
func (p *simProcess) truths() []sim.Truth {
	p.mu.Lock()
	defer p.mu.Unlock()
	t := p.truth
	p.truth = nil
	return t
}

// happened tells whether what was told since truths was last called includes
// something that any holds for.
func (p *simProcess) happened(any func(event string) bool) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.ContainsFunc(p.truth, func(h sim.Truth) bool { return any(h.Event) })
}

// do gives the simulator a command.
func (p *simProcess) do(c sim.Command) error {
	b, err := json.Marshal(c)
	if err != nil {
		return err
	}
	if _, err = p.in.Write(append(b, '\n')); err != nil {
		return fmt.Errorf("simulated bench: %w", err)
	}
	return nil
}

// stop ends the simulator and waits for it.
func (p *simProcess) stop() {
	p.do(sim.Command{Do: "stop"})
	select {
	case <-p.gone:
	case <-time.After(5 * time.Second):
		p.cmd.Process.Kill()
		<-p.gone
	}
}

// portsIn gives a bench description the terminals under dir as ports.
func portsIn(b *config.Bench, dir string) {
	for i := range b.Instruments {
		b.Instruments[i].Port.Path = filepath.Join(dir, "ports", b.Instruments[i].Name)
	}
}
