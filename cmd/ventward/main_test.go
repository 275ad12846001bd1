package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ventward/config"
	"ventward/sim"
)

// The test binary stands in for the program: started with VENTWARD_AS_PROGRAM
// set, or as the simulator by the demo, it runs the command line.
func TestMain(m *testing.M) {
	if os.Getenv("VENTWARD_AS_PROGRAM") != "" || len(os.Args) > 1 && os.Args[1] == "sim" {
		injectFaults()
		os.Exit(exitCode(rootCommand().Execute(), os.Stderr))
	}
	os.Exit(m.Run())
}

// program runs the program to its end and returns what it printed and its exit
// code.
func program(t *testing.T, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs bytes.Buffer
	c := command(args...)
	c.Stdout, c.Stderr = &out, &errs
	err := c.Run()
	if exit := (*exec.ExitError)(nil); err != nil && !asExit(err, &exit) {
		t.Fatal(err)
	}
	return out.String(), errs.String(), c.ProcessState.ExitCode()
}

func asExit(err error, exit **exec.ExitError) bool {
	e, ok := err.(*exec.ExitError)
	*exit = e
	return ok
}

func command(args ...string) *exec.Cmd {
	c := exec.Command(os.Args[0], args...)
	c.Env = append(os.Environ(), "VENTWARD_AS_PROGRAM=1")
	return c
}

// rig is a simulated bench and, beside it, a daemon: two real processes joined
// by pseudo-terminals.
type rig struct {
	t       *testing.T
	dir     string
	bench   string // file
	data    string
	sim     *simProcess
	daemon  *exec.Cmd
	url     string
	daemonE *bytes.Buffer
	env     []string // of the daemon
}

// newRig starts the simulated bench at its natural speed. edit may change the
// example's text.
func newRig(t *testing.T, seed uint64, edit func(string) string) *rig {
	t.Helper()
	t.Logf("seed %d", seed)
	r := &rig{t: t, dir: t.TempDir()}
	r.data = filepath.Join(r.dir, "data")
	text := strings.ReplaceAll(string(config.Example()), "/dev/serial/by-id/usb-kiln2-", filepath.Join(r.dir, "ports")+"/")
	text = strings.Replace(text, "127.0.0.1:8437", "127.0.0.1:0", 1)
	text = strings.ReplaceAll(text, "2028-", fmt.Sprintf("%d-", time.Now().Year()+2)) // its certificates never run out
	if edit != nil {
		text = edit(text)
	}
	r.bench = filepath.Join(r.dir, "kiln2.toml")
	if err := os.WriteFile(r.bench, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	var err error
	if r.sim, err = startSim([]byte(text), r.dir, "1x", "", seed); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.sim.stop)
	return r
}

// serve starts the daemon and waits for its page.
func (r *rig) serve() {
	r.t.Helper()
	r.daemon = command("--data", r.data, "--log", "warn", "serve", "--bench", r.bench)
	r.daemon.Env = append(r.daemon.Env, r.env...)
	r.daemonE = &bytes.Buffer{}
	r.daemon.Stderr = r.daemonE
	out, err := r.daemon.StdoutPipe()
	if err != nil {
		r.t.Fatal(err)
	}
	if err := r.daemon.Start(); err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { r.daemon.Process.Kill(); r.daemon.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		r.daemon.Wait()
		r.t.Fatalf("the daemon did not start: %v\n%s", err, r.daemonE)
	}
	go io.Copy(io.Discard, out)
	r.url = strings.TrimSuffix(strings.TrimSpace(strings.TrimPrefix(line, "page: ")), "/")
}

// state asks the daemon for its state.
func (r *rig) state() map[string]any {
	var s map[string]any
	if resp, err := http.Get(r.url + "/api/v1/state"); err == nil {
		defer resp.Body.Close()
		json.NewDecoder(resp.Body).Decode(&s)
	}
	return s
}

// await waits until the daemon's state satisfies ok.
func (r *rig) await(what string, limit time.Duration, ok func(map[string]any) bool) {
	r.t.Helper()
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if s := r.state(); s != nil && ok(s) {
			return
		}
	}
	s := r.state()
	for _, k := range []string{"cautions", "features", "sensors", "guards"} { // the rest tells enough
		delete(s, k)
	}
	b, _ := json.Marshal(s)
	r.t.Fatalf("waited %v for %s; state %s\n%s", limit, what, b, r.daemonE)
}

// do gives the daemon a command and returns its answer.
func (r *rig) do(verb string, args map[string]string) (string, int) {
	r.t.Helper()
	body, _ := json.Marshal(map[string]any{"verb": verb, "who": "test", "args": args})
	req, _ := http.NewRequestWithContext(context.Background(), "POST", r.url+"/api/v1/commands", bytes.NewReader(body))
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		r.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, _ := io.ReadAll(resp.Body)
	return string(b), resp.StatusCode
}

func (r *rig) must(verb string, args map[string]string) string {
	r.t.Helper()
	body, code := r.do(verb, args)
	if code/100 != 2 {
		r.t.Fatalf("%s: %d %s", verb, code, body)
	}
	return body
}

// runs lists what is stored.
func (r *rig) runs() []map[string]any {
	r.t.Helper()
	out, errs, code := program(r.t, "--data", r.data, "runs", "--json")
	if code != 0 {
		r.t.Fatalf("runs: exit %d: %s", code, errs)
	}
	var rs []map[string]any
	for _, l := range strings.Split(strings.TrimSpace(out), "\n") {
		var m map[string]any
		if l != "" {
			if err := json.Unmarshal([]byte(l), &m); err != nil {
				r.t.Fatal(err)
			}
			rs = append(rs, m)
		}
	}
	return rs
}

func (r *rig) verify(run string) {
	r.t.Helper()
	if out, errs, code := program(r.t, "--data", r.data, "verify", run); code != 0 {
		r.t.Fatalf("verify %s: exit %d\n%s%s", run, code, out, errs)
	}
}

func text(v any) string { return fmt.Sprint(v) }

// await waits for a report of the simulator.
func (p *simProcess) await(t *testing.T, limit time.Duration, ok func(*sim.Report) bool) *sim.Report {
	t.Helper()
	end := time.After(limit)
	for {
		p.mu.Lock()
		for i := range p.all {
			if ok(&p.all[i]) {
				r := p.all[i]
				p.all = p.all[i+1:]
				p.mu.Unlock()
				return &r
			}
		}
		p.mu.Unlock()
		select {
		case <-end:
			t.Fatalf("the simulator reported nothing of the kind within %v", limit)
		case <-time.After(10 * time.Millisecond):
		}
	}
}
