package wire

import (
	"encoding/hex"
	"strings"
	"testing"

	"ventward/daq"
)

var _ daq.Decoder = (*FrameDecoder)(nil)

// goldenFrame comes from an independent encoder (project interface document,
// "Serial protocols"): n 2, k 2, status 0, sequence 7, tick 1000, samples
// (100,-1), (101,-2).
const goldenFrame = "04 01 02 02 01 01 01 01 02 07 01 01 03 e8 03 01 01 01 01 01 02 64 01 01 06 ff ff ff ff 65 01 01 09 fe ff ff ff a7 05 11 13 00"

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestGoldenFrame(t *testing.T) {
	want := unhex(t, goldenFrame)
	f := &Frame{Columns: 2, Seq: 7, Tick: 1000, Counts: []int32{100, -1, 101, -2}}
	got, err := AppendFrame(nil, f)
	if err != nil || string(got) != string(want) {
		t.Fatalf("encoded % x (%v), want % x", got, err, want)
	}
	d, err := NewFrame(FrameOptions{Columns: 2}, daq.Instrument{}, 3)
	if err != nil {
		t.Fatal(err)
	}
	out := d.Feed(want, 42, nil)
	if len(out) != 1 {
		t.Fatalf("%d batches, want 1: %s", len(out), d.Reason())
	}
	b := out[0]
	if b.Instrument != 3 || b.Seq != 7 || b.Tick != 1000 || b.Arrived != 42 || !b.Newest || !b.HasSeq || !b.HasTick || b.N != 2 || b.K != 2 {
		t.Fatalf("%+v", b)
	}
	if b.Counts[0] != 100 || b.Counts[1] != -1 || b.Counts[2] != 101 || b.Counts[3] != -2 {
		t.Fatalf("counts %v", b.Counts)
	}
}
