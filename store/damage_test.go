package store

import (
	"bytes"
	"database/sql"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"ventward/daq"
	"ventward/detect"
)

// damageRun writes a run of 10 commits of 20 entries and an event each.
func damageRun(t testing.TB, dir string, change func([]daq.Entry)) (*Store, []daq.Entry) {
	s := mustOpen(t, dir, quick())
	r := mustCreate(t, s, "r1")
	es := newGenerator(31).entries(200)
	es[0] = daq.Entry{N: 1, At: es[0].At, Kind: daq.EntryConfig, Body: []byte(`{"trip_barg":48.0}`)}
	change(es)
	for i, e := range es {
		r.Append(e)
		if i%20 == 19 {
			p := 18.4e5 + float64(i)
			r.Event(e.N, detect.Event{ID: i, Kind: detect.VentOpening, PressurePa: &p})
			committed(t, r.Health, e.N)
		}
	}
	mustClose(t, r)
	return s, es
}

// tamper runs SQL on a closed run's file as somebody with a database tool
// would.
func tamper(t testing.TB, s *Store, statements ...string) {
	t.Helper()
	path := filepath.Join(s.Dir(), "runs", "r1", runFile)
	os.Chmod(path, 0o644)
	defer os.Chmod(path, 0o444)
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, q := range statements {
		if _, err := db.Exec(q); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}
}

// flip changes one byte of a row's body; again makes its checksum good.
func flip(t testing.TB, s *Store, table byte, where string, again bool) {
	t.Helper()
	path := filepath.Join(s.Dir(), "runs", "r1", runFile)
	os.Chmod(path, 0o644)
	defer os.Chmod(path, 0o444)
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	name, cols, body := tableNames[table], "first,last,count", "body"
	if table == tableDerived {
		cols, body = "n,ref,rev", "CAST(body AS BLOB)"
	}
	w := row{table: table}
	var id, kind, a, b, c, crc int64
	err = db.QueryRow("SELECT id,kind,"+cols+",crc,"+body+" FROM "+name+" WHERE "+where+" LIMIT 1").Scan(&id, &kind, &a, &b, &c, &crc, &w.body)
	if err != nil {
		t.Fatal(err)
	}
	w.kind, w.a, w.b, w.c = byte(kind), uint64(a), uint64(b), uint64(c)
	var l [labelSize]byte
	if int64(w.sum(&l)) != crc {
		t.Fatalf("row %d had a wrong checksum before", id)
	}
	w.body[len(w.body)-2] ^= 1
	if again {
		crc = int64(w.sum(&l))
	}
	var value any = w.body
	if table == tableDerived {
		value = string(w.body)
	}
	if _, err := db.Exec("UPDATE "+name+" SET body=?, crc=? WHERE id=?", value, crc, id); err != nil {
		t.Fatal(err)
	}
}

// What can happen to a closed run, and that Check says so. survives is the
// number of entries that are read, unchanged, before the damage is met; -1:
// not stated.
func TestDamageTable(t *testing.T) {
	t.Parallel()
	file := func(name string) func(*Store) string {
		return func(s *Store) string { return filepath.Join(s.Dir(), "runs", "r1", name) }
	}
	db, side := file(runFile), file(commitFile)
	rewrite := func(t testing.TB, path string, change func([]byte) []byte) {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		os.Chmod(path, 0o644)
		if err := os.WriteFile(path, change(b), 0o444); err != nil {
			t.Fatal(err)
		}
		os.Chmod(path, 0o444)
	}
	for _, c := range []struct {
		name     string
		survives int
		do       func(t testing.TB, s *Store)
	}{
		{"one bit of the counts", 100, func(t testing.TB, s *Store) { flip(t, s, tableRecord, "kind=1 AND first>100", false) }},
		{"one bit of the ticks", 100, func(t testing.TB, s *Store) { flip(t, s, tableRecord, "kind=2 AND first>100", false) }},
		{"an event", 200, func(t testing.TB, s *Store) { flip(t, s, tableDerived, "kind=1", false) }},
		{"an event, its checksum made good", 200, func(t testing.TB, s *Store) { flip(t, s, tableDerived, "kind=1", true) }},
		{"the configuration", 0, func(t testing.TB, s *Store) { flip(t, s, tableRecord, "kind=6", false) }},
		{"the configuration, its checksum made good", 200, func(t testing.TB, s *Store) { flip(t, s, tableRecord, "kind=6", true) }},
		{"a command, its checksum made good", -1, func(t testing.TB, s *Store) { flip(t, s, tableRecord, "kind=3", true) }},
		{"a number of entries", -1, func(t testing.TB, s *Store) { tamper(t, s, "UPDATE record SET count=count+1 WHERE id=3") }},
		{"a row gone", -1, func(t testing.TB, s *Store) {
			tamper(t, s, "DELETE FROM record WHERE id=(SELECT max(id)-2 FROM record)")
		}},
		{"an event gone", 200, func(t testing.TB, s *Store) {
			tamper(t, s, "DELETE FROM derived WHERE id=(SELECT max(id) FROM derived)")
		}},
		{"a row too many", 200, func(t testing.TB, s *Store) {
			tamper(t, s, "INSERT INTO derived SELECT id+1,kind,n,ref,rev,crc,body FROM derived ORDER BY id DESC LIMIT 1")
		}},
		{"the last commit gone", -1, func(t testing.TB, s *Store) { tamper(t, s, "DELETE FROM commits WHERE n=(SELECT max(n) FROM commits)") }},
		{"a commit in the middle gone", -1, func(t testing.TB, s *Store) { tamper(t, s, "DELETE FROM commits WHERE n=3") }},
		{"a seal", 200, func(t testing.TB, s *Store) { tamper(t, s, "UPDATE commits SET seal=zeroblob(32) WHERE n=4") }},
		{"the header", -1, func(t testing.TB, s *Store) {
			tamper(t, s, `UPDATE run SET body=replace(body,'M47-0001','M47-0002') WHERE what='header'`)
		}},
		{"the end", -1, func(t testing.TB, s *Store) {
			tamper(t, s, `UPDATE run SET body=replace(body,'pressure','PRESSURE') WHERE what='end'`)
		}},
		{"the end gone", 200, func(t testing.TB, s *Store) { tamper(t, s, `DELETE FROM run WHERE what='end'`) }},
		{"the run hash", -1, func(t testing.TB, s *Store) { tamper(t, s, `UPDATE run SET body='"00"' WHERE what='hash'`) }},
		{"a newer version", -1, func(t testing.TB, s *Store) { tamper(t, s, "PRAGMA user_version=2") }},
		{"another application's file", -1, func(t testing.TB, s *Store) { tamper(t, s, "PRAGMA application_id=1") }},
		{"the file gone", -1, func(t testing.TB, s *Store) { os.Remove(db(s)) }},
		{"the file cut to half", -1, func(t testing.TB, s *Store) {
			rewrite(t, db(s), func(b []byte) []byte { return b[:len(b)/2] })
		}},
		{"the file empty", -1, func(t testing.TB, s *Store) { rewrite(t, db(s), func([]byte) []byte { return nil }) }},
		{"a block of zeros", -1, func(t testing.TB, s *Store) {
			rewrite(t, db(s), func(b []byte) []byte { clear(b[8192:12288]); return b })
		}},
		{"the sidecar gone", 200, func(t testing.TB, s *Store) { os.Remove(side(s)) }},
		{"the sidecar of zeros", 200, func(t testing.TB, s *Store) {
			rewrite(t, side(s), func(b []byte) []byte { return make([]byte, len(b)) })
		}},
		{"the sidecar ahead", 200, func(t testing.TB, s *Store) {
			rewrite(t, side(s), func(b []byte) []byte { return append(formatMark(mark{commit: 99, entry: 999}), b[slotSize:]...) })
		}},
		{"the catalog's hash", 200, func(t testing.TB, s *Store) {
			m, _ := s.Meta("r1")
			m.Hash = "00"
			if err := s.cat.put(t.Context(), m); err != nil {
				t.Fatal(err)
			}
		}},
		{"another run's files, all its seals good", 200, func(t testing.TB, s *Store) {
			other, _ := damageRun(t, t.TempDir(), func(es []daq.Entry) { es[0].Body = []byte(`{"trip_barg":49.0}`) })
			for _, name := range []string{runFile, commitFile} {
				b, err := os.ReadFile(filepath.Join(other.Dir(), "runs", "r1", name))
				if err != nil {
					t.Fatal(err)
				}
				rewrite(t, filepath.Join(s.Dir(), "runs", "r1", name), func([]byte) []byte { return b })
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, want := damageRun(t, t.TempDir(), func([]daq.Entry) {})
			if err := s.Check("r1"); err != nil {
				t.Fatalf("before: %v", err)
			}
			c.do(t, s)
			var bad *Corrupt
			err := s.Check("r1")
			if c.name == "a newer version" {
				if !errors.Is(err, ErrVersion) {
					t.Errorf("check: %v", err)
				}
				return
			}
			if !errors.As(err, &bad) || bad.Run != "r1" || bad.Where == "" {
				t.Errorf("check: %v", err)
			}
			t.Log(err)
			if c.survives < 0 {
				return
			}
			r, err := s.Reader("r1")
			if c.survives == 0 && err != nil {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			got, err := drain(r)
			if len(got) != c.survives || c.survives < 200 && !errors.As(err, &bad) {
				t.Errorf("%d entries are read, then %v; expected %d", len(got), err, c.survives)
			}
			if len(got) > 1 && !sameEntries(got[1:], want[1:len(got)]) {
				t.Error("the entries before the damage differ")
			}
		})
	}
}

// A torn slot of the sidecar is what a power cut may leave: the other slot
// still tells the commit before, and nothing is wrong.
func TestTornSidecarSlotIsNoDamage(t *testing.T) {
	t.Parallel()
	s, _ := damageRun(t, t.TempDir(), func([]daq.Entry) {})
	path := filepath.Join(s.Dir(), "runs", "r1", commitFile)
	m, err := readMark(path)
	if err != nil || m.commit == 0 {
		t.Fatal(m, err)
	}
	b, _ := os.ReadFile(path)
	at := slotSize * int((m.commit+1)%2)
	copy(b[at+100:], bytes.Repeat([]byte{0}, 200))
	os.Chmod(path, 0o644)
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	if torn, err := readMark(path); err != nil || torn.commit != m.commit-1 {
		t.Errorf("sidecar says %+v, %v; want commit %d", torn, err, m.commit-1)
	}
	if err := s.Check("r1"); err != nil {
		t.Error(err)
	}
}

// Any byte of the file changed: either Check says so, or every entry and event
// is still what it was (SQLite has unused bytes).
func TestAnyByteFlipped(t *testing.T) {
	t.Parallel()
	const seed, flips = 9, 60
	t.Logf("seed %d", seed)
	s, want := damageRun(t, t.TempDir(), func([]daq.Entry) {})
	path := filepath.Join(s.Dir(), "runs", "r1", runFile)
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	os.Chmod(path, 0o644)
	rng := rand.New(rand.NewPCG(seed, 1))
	silent := 0
	for range flips {
		at := rng.IntN(len(good))
		bad := bytes.Clone(good)
		bad[at] ^= 1 << rng.IntN(8)
		if err := os.WriteFile(path, bad, 0o644); err != nil {
			t.Fatal(err)
		}
		os.Chmod(path, 0o444)
		err := s.Check("r1")
		var c *Corrupt
		if err == nil {
			if silent++; !sameEntries(readAll(t, s, "r1"), want) {
				t.Errorf("byte %d changed: unnoticed, and the entries differ", at)
			}
		} else if !errors.As(err, &c) {
			t.Logf("byte %d: other error %v", at, err)
		}
		os.Chmod(path, 0o644)
	}
	if silent > flips/2 {
		t.Errorf("%d of %d changes were in unused bytes: the test tests little", silent, flips)
	}
}
