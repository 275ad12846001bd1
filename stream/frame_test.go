package stream

import (
	"bytes"
	"encoding/hex"
	"math"
	"math/rand"
	"slices"
	"strings"
	"testing"

	"ventward/daq"
)

// TestGoldenFrame: the bytes were written down by hand from the layout in
// frame.go (IEEE 754 values from memory: 0.05 = 9a9999999999a93f, 2.0 =
// 40, 0x40000000 = 2f, 0x3f800000 = 1f), so that the layout cannot change
// unnoticed. The page's own test decodes the same bytes.
const golden = "" +
	"01" + "01" + "0100" + "07000000" + "0000000000000040" + "9a9999999999a93f" + // header: live, v1, 1 block, seq 7, now 2.0, width 0.05
	"0300" + "0200" + "00000000" + "000000000000f83f" + "000000000000f03f" + // block: channel 3, 2 bins, newest 1.5, first at 1.0
	"00000000" + "0000803f" + "00000040" + "0000803f" + "4000" + "0000" + // bin 20: 1..2, last 1, spike
	"02000000" + "0000c07f" + "0000c07f" + "0000c07f" + "8100" + "8100" // bin 22: a gap

func goldenFrame() *Frame {
	return &Frame{Kind: FrameLive, Seq: 7, Now: 2e9, Width: BinNs, Blocks: []Block{{
		Channel: 3, Newest: 1.5e9,
		Bins: []Bin{{Index: 20, Min: 1, Max: 2, Last: 1, Worst: daq.Spike}, gapBin(22, daq.Missing|daq.Gap)},
	}}}
}

func TestGoldenFrame(t *testing.T) {
	want, err := hex.DecodeString(golden)
	if err != nil {
		t.Fatal(err)
	}
	// The sign and payload of a NaN are not part of the layout.
	if got := goldenFrame().Bytes(); len(got) != len(want) || !bytes.Equal(got[:68], want[:68]) || !bytes.Equal(got[84:], want[84:]) {
		t.Errorf("encoded\n%x, want\n%x", got, want)
	}
	f, err := DecodeFrame(want)
	if err != nil {
		t.Fatal(err)
	}
	if !sameFrame(f, goldenFrame()) {
		t.Errorf("decoded %+v, want %+v", f, goldenFrame())
	}
}

func sameFrame(a, b *Frame) bool {
	return a.Kind == b.Kind && a.Seq == b.Seq && a.Now == b.Now && a.Width == b.Width &&
		slices.EqualFunc(a.Blocks, b.Blocks, func(x, y Block) bool {
			return x.Channel == y.Channel && x.Newest == y.Newest && sameBins(x.Bins, y.Bins)
		})
}

func randomFrame(r *rand.Rand, seq uint32, now int64) *Frame {
	f := &Frame{Kind: FrameLive, Seq: seq, Now: now, Width: BinNs}
	for ch := range 4 {
		if r.Intn(4) == 0 {
			continue
		}
		b := Block{Channel: daq.ChannelID(ch), Newest: now}
		index := now/BinNs - int64(r.Intn(4))
		for range r.Intn(4) + 1 {
			v := float32(r.NormFloat64())
			b.Bins = append(b.Bins, Bin{Index: index, Min: v, Max: v + 0.1, Last: v, Worst: daq.Quality(r.Intn(1 << 12))})
			index += int64(r.Intn(3)) + 1
		}
		f.Blocks = append(f.Blocks, b)
	}
	return f
}

func TestFramesComeBackAsTheyWere(t *testing.T) {
	const seed = 99
	r := rand.New(rand.NewSource(seed))
	for trial := range 500 {
		f := randomFrame(r, uint32(trial), r.Int63n(4e12)-2e12)
		g, err := DecodeFrame(f.Bytes())
		if err != nil || !sameFrame(f, g) {
			t.Fatalf("seed %d trial %d: %v: %+v became %+v", seed, trial, err, f, g)
		}
	}
}

// TestMergedFramesSayTheSame: a viewer that gets merged frames ends with the
// same bins as one that got every frame.
func TestMergedFramesSayTheSame(t *testing.T) {
	const seed = 4242
	r := rand.New(rand.NewSource(seed))
	for trial := range 100 {
		var frames []*Frame
		for i := range r.Intn(30) + 2 {
			frames = append(frames, randomFrame(r, uint32(i), int64(i)*33e6))
		}
		want, got := map[daq.ChannelID][]Bin{}, map[daq.ChannelID][]Bin{}
		feed := func(into map[daq.ChannelID][]Bin, f *Frame) {
			for _, b := range f.Blocks {
				for _, c := range b.Bins {
					into[b.Channel] = mergeBin(into[b.Channel], c)
				}
			}
		}
		for _, f := range frames {
			feed(want, f)
		}
		m := mergeFrames(frames)
		g, err := DecodeFrame(m.Bytes())
		if err != nil {
			t.Fatalf("seed %d trial %d: merged frame: %v", seed, trial, err)
		}
		feed(got, g)
		last := frames[len(frames)-1]
		if m.Seq != last.Seq || m.Now != last.Now || len(got) != len(want) {
			t.Fatalf("seed %d trial %d: header %d %d", seed, trial, m.Seq, m.Now)
		}
		for ch := range want {
			if !sameBins(want[ch], got[ch]) {
				t.Fatalf("seed %d trial %d channel %d: %v, want %v", seed, trial, ch, got[ch], want[ch])
			}
		}
	}
}

func TestBadFramesAreRefused(t *testing.T) {
	good, err := hex.DecodeString(golden)
	if err != nil {
		t.Fatal(err)
	}
	change := func(at int, to byte) []byte {
		p := slices.Clone(good)
		p[at] = to
		return p
	}
	cases := []struct {
		name string
		p    []byte
		says string
	}{
		{"empty", nil, "header"},
		{"kind", change(0, 9), "kind 9"},
		{"version", change(1, 2), "version 2"},
		{"width", change(23, 0xff), "width"},
		{"more blocks than there are", change(2, 2), "cut short"},
		{"more bins than there are", change(26, 200), "promises 200"},
		{"fewer bins than there are", change(26, 1), "after the last block"},
		{"two bins at one place", change(68, 0), "not after"},
		{"block cut short", good[:30], "cut short"},
	}
	for _, c := range cases {
		if _, err := DecodeFrame(c.p); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.says)
		}
	}
}

func FuzzDecodeFrame(f *testing.F) {
	good, err := hex.DecodeString(golden)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	wide := slices.Clone(good) // a first bin that is not at the block's start
	copy(wide[48:], "\x30\x30\x20\x30")
	f.Add(wide)
	f.Add((&Frame{Kind: FrameRun, Width: 4 * BinNs}).Bytes())
	f.Fuzz(func(t *testing.T, p []byte) {
		a, err := DecodeFrame(p)
		if err != nil {
			return
		}
		for _, b := range a.Blocks {
			// Times beyond what a double keeps exactly as bin numbers are
			// refused nowhere; they only have to come back near themselves.
			if len(b.Bins) > 0 && math.Abs(float64(b.Bins[0].Index)) > 1e9 {
				return
			}
		}
		b, err := DecodeFrame(a.Bytes())
		if err != nil || !sameFrame(a, b) {
			t.Fatalf("%v: %+v became %+v", err, a, b)
		}
	})
}

func BenchmarkMergeBacklog(b *testing.B) {
	r := rand.New(rand.NewSource(1))
	var frames []*Frame
	for i := range 3600 {
		frames = append(frames, randomFrame(r, uint32(i), int64(i)*33e6))
	}
	b.ReportAllocs()
	for b.Loop() {
		mergeFrames(frames).Bytes()
	}
}
