package main

import (
	"context"
	"crypto/sha256"
	"encoding/csv"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"ventward/config"
	"ventward/store"
)

// A stored run is copied to a real InfluxDB server and read back by Flux: as
// many points as the run has samples, each with its nanosecond stamp.
func TestStoredRunReachesTheDatabase(t *testing.T) {
	addr := influxServer(t)
	st, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	empty, err := st.Create(store.Meta{Kind: store.KindRun, ID: store.NewID(time.Unix(1e9, 0), 0)}) // refused before it began: nothing to copy
	if err != nil {
		t.Fatal(err)
	}
	if _, err := empty.Close(context.Background(), store.End{}); err != nil {
		t.Fatal(err)
	}
	o := traceOptions{rig: "burst", medium: "gas", gas: "N2", volumeML: 50, temperatureC: 23, ambientBar: 1.01325, falseAlarmH: 1000}
	tr, err := o.read(traces + "burst.csv")
	if err != nil {
		t.Fatal(err)
	}
	b, err := o.describe(tr)
	if err != nil {
		t.Fatal(err)
	}
	id, err := importTrace(context.Background(), st, b, entries(tr), store.Meta{Kind: store.KindImport, Bench: b.Name, Specimen: "B-0410-01"})
	if err != nil {
		t.Fatal(err)
	}
	m, err := st.Meta(id)
	if err != nil {
		t.Fatal(err)
	}

	b.Influx = &config.Influx{URL: "http://" + addr, Token: "user:password", Bucket: "lab/autogen"}
	f, err := newForwarder(b, st, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- f.Run(ctx) }()
	for end := time.Now().Add(60 * time.Second); !f.Status().Cursor.Done; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("the run was not copied within a minute: %+v", f.Status())
		}
	}
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}

	rows := fluxRows(t, addr, `from(bucket:"lab/autogen") |> range(start: 2000-01-01T00:00:00Z, stop: 2100-01-01T00:00:00Z)
		|> filter(fn:(r)=>r._measurement=="pressure" and r.channel=="p1" and r._field=="gauge_Pa") |> sort(columns:["_time"])`)
	if len(rows) != len(tr.T) {
		t.Fatalf("%d points in the database, the run has %d samples", len(rows), len(tr.T))
	}
	for i, at := range rows {
		if want := m.EpochUTC + traceStart + tr.T[i]; at.UnixNano() != want {
			t.Fatalf("point %d: stamp %d, want %d", i, at.UnixNano(), want)
		}
	}
	if marks := fluxRows(t, addr, `from(bucket:"lab/autogen") |> range(start: 2000-01-01T00:00:00Z, stop: 2100-01-01T00:00:00Z)
		|> filter(fn:(r)=>r._measurement=="run" and r._field=="run")`); len(marks) != 1 {
		t.Errorf("%d marks of the run, want 1", len(marks))
	}
}

// fluxRows returns the times of a Flux query's rows.
func fluxRows(t *testing.T, addr, query string) []time.Time {
	t.Helper()
	req, err := http.NewRequest("POST", "http://"+addr+"/api/v2/query", strings.NewReader(query))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/vnd.flux")
	req.Header.Set("Accept", "application/csv")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	r := csv.NewReader(resp.Body)
	r.FieldsPerRecord, r.Comment = -1, '#'
	var out []time.Time
	column := -1
	for {
		rec, err := r.Read()
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("Flux: %s %v", resp.Status, rec)
		}
		at := -1
		for i, v := range rec {
			if v == "_time" {
				at = i
			}
		}
		if at >= 0 {
			column = at
			continue
		}
		if column >= 0 && column < len(rec) {
			when, err := time.Parse(time.RFC3339Nano, rec[column])
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, when)
		}
	}
}

// influxServer starts the InfluxDB server that tools/tsdb pins, with an empty
// database lab.
func influxServer(t *testing.T) string {
	t.Helper()
	binary := os.Getenv("VENTWARD_INFLUXD")
	if binary == "" {
		sum, err := os.ReadFile("../../tools/tsdb/go.sum")
		if err != nil {
			t.Fatal(err)
		}
		binary = fmt.Sprintf("../../.cache/tsdb/%x/influxd", sha256.Sum256(sum))
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	dir := t.TempDir()
	conf := filepath.Join(dir, "influxd.conf")
	text := fmt.Sprintf("reporting-disabled = true\nbind-address = \"127.0.0.1:0\"\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\n[http]\nbind-address = %q\nflux-enabled = true\nlog-enabled = false\n[monitor]\nstore-enabled = false\n[logging]\nlevel = \"error\"\n",
		dir+"/meta", dir+"/data", dir+"/wal", addr)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(binary, "-config", conf)
	if err := c.Start(); err != nil {
		t.Fatalf("the database server of this test isn't built: run `make tsdb` (some minutes, once): %v", err)
	}
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		resp, err := http.PostForm("http://"+addr+"/query", url.Values{"q": {"CREATE DATABASE lab"}})
		if err == nil {
			resp.Body.Close()
			return addr
		}
		if time.Now().After(end) {
			t.Fatalf("the database server doesn't answer: %v", err)
		}
	}
}
