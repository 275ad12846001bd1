package wire

import (
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
)

// The columns of checkvalues.csv by place: id, topic, name, formula, inputs,
// expected, unit, tolerance, source.
const (
	colName     = 2
	colInputs   = 4
	colExpected = 5
	colSource   = 8
)

// published returns the rows of published check values whose id starts with
// prefix. Each row names its source.
func published(t *testing.T, prefix string, want int) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/wire/checkvalues.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows [][]string
	for _, r := range all {
		if strings.HasPrefix(r[0], prefix) {
			rows = append(rows, r)
		}
	}
	if len(rows) != want {
		t.Fatalf("%d rows start with %q, want %d", len(rows), prefix, want)
	}
	return rows
}

func TestCRCCheckValues(t *testing.T) {
	check := []byte("123456789")
	for _, r := range published(t, "crc.", 2) {
		want, err := strconv.ParseUint(r[colExpected], 0, 32)
		if err != nil {
			t.Fatal(err)
		}
		got := uint64(CRC16(check))
		if strings.Contains(r[0], "32c") {
			got = uint64(CRC32C(check))
		}
		if got != want {
			t.Errorf("%s: %#x, want %#x (%s)", r[0], got, want, r[colSource])
		}
	}
}

// Modbus sends the CRC low byte first, as these printed frames show.
func TestModbusFrameCRC(t *testing.T) {
	n := 0
	for _, r := range published(t, "mb.", 8) {
		_, body, ok := strings.Cut(r[colName], "(low byte first) of ")
		if !ok {
			continue // the silent intervals, tested with the master
		}
		n++
		p := unhex(t, body)
		c := CRC16(p)
		if got := fmt.Sprintf("%02X %02X", byte(c), byte(c>>8)); got != r[colExpected] {
			t.Errorf("%s: %s, want %s (%s)", body, got, r[colExpected], r[colSource])
		}
		if CRC16(append(p, byte(c), byte(c>>8))) != 0 {
			t.Errorf("%s: the CRC of a frame with its CRC isn't 0", body)
		}
	}
	if n != 6 {
		t.Fatalf("%d frames, want 6", n)
	}
}

func TestCOBSVectors(t *testing.T) {
	for _, r := range published(t, "cobs.", 11) {
		var in struct{ In string }
		if err := json.Unmarshal([]byte(r[colInputs]), &in); err != nil {
			t.Fatal(err)
		}
		plain := unhex(t, in.In)
		enc := appendCOBS(nil, plain)
		if got := hex.EncodeToString(enc); got != r[colExpected] {
			t.Errorf("%s: %s, want %s (%s)", r[0], got, r[colExpected], r[colSource])
		}
		buf := make([]byte, 300)
		if n, ok := decodeCOBS(buf, enc); !ok || string(buf[:n]) != string(plain) {
			t.Errorf("%s: decoded % x (%v)", r[0], buf[:n], ok)
		}
	}
}

func TestCOBSRefuses(t *testing.T) {
	buf := make([]byte, 8)
	for _, bad := range []string{"02", "05 01 02", "03 01 02 04 01", "00"} {
		if n, ok := decodeCOBS(buf, unhex(t, bad)); ok {
			t.Errorf("%s decoded as % x", bad, buf[:n])
		}
	}
	long := appendCOBS(nil, make([]byte, 20))
	if _, ok := decodeCOBS(buf, long); ok {
		t.Error("a decoding longer than its room was accepted")
	}
	if n, ok := decodeCOBS(buf, nil); !ok || n != 0 {
		t.Error("nothing must decode as nothing")
	}
}
