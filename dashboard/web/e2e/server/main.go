package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log"
	"net"
	"net/http"
	"os"
	"os/signal"
	"time"

	"github.com/rs/zerolog"

	"ventward/daq"
	"ventward/dashboard"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx); err != nil {
		log.Fatal(err)
	}
}

// run serves until ctx is done. Its first line on stdout names both addresses.
func run(ctx context.Context) error {
	b := newBench()
	page, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	control, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	srv := dashboard.New(dashboard.Options{
		Hub:     b.hub,
		Command: b.command,
		Version: "e2e",
		Log:     zerolog.New(os.Stderr),
	})
	mux := http.NewServeMux()
	mux.HandleFunc("POST /do/{what}", b.do)
	mux.HandleFunc("GET /commands", b.listCommands)
	go http.Serve(control, mux)
	go b.play(ctx)
	fmt.Printf("{\"page\":\"http://%s\",\"control\":\"http://%s\"}\n", page.Addr(), control.Addr())
	return srv.Serve(ctx, page)
}

func (b *bench) command(_ context.Context, c daq.Command) (any, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if c.Verb == "end" && b.run == nil {
		return nil, &dashboard.Refusal{Reason: "no run is being recorded", Next: "start one first"}
	}
	b.commands = append(b.commands, c)
	b.obey(c)
	return nil, nil
}

func (b *bench) listCommands(w http.ResponseWriter, _ *http.Request) {
	b.mu.Lock()
	defer b.mu.Unlock()
	json.NewEncoder(w).Encode(b.commands)
}

func (b *bench) do(w http.ResponseWriter, r *http.Request) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.act(r.PathValue("what"), r.URL.Query()) {
		http.Error(w, "no such act", http.StatusNotFound)
		return
	}
	json.NewEncoder(w).Encode(map[string]float64{"told_s": float64(b.told) / 1e9})
}

// play runs the bench in real time.
func (b *bench) play(ctx context.Context) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			b.mu.Lock()
			b.step()
			b.mu.Unlock()
		}
	}
}
