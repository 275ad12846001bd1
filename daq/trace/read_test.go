package trace

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ventward/daq"
)

const samples = "../../testdata/traces/"

func readFile(t testing.TB, name string, o Options) (*Trace, error) {
	t.Helper()
	f, err := os.Open(samples + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	o.Name = name
	return Read(f, o)
}

func read(t testing.TB, name string, o Options) *Trace {
	t.Helper()
	tr, err := readFile(t, name, o)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func TestReadBurst(t *testing.T) {
	tr := read(t, "burst.csv", Options{})
	if len(tr.T) != 2500 || tr.RateHz != 1000 || tr.T[1234] != 1234e6 || tr.Seconds(1234) != 1.234 {
		t.Errorf("%d rows at %g Hz, row 1234 at %d ns", len(tr.T), tr.RateHz, tr.T[1234])
	}
	want := []struct {
		name string
		role daq.Role
		q    daq.Quantity
		ref  daq.Reference
		res  float64
	}{{"p1", daq.RoleSpecimen, daq.Pressure, daq.Gauge, 100}, {"p2", daq.RoleSpecimen, daq.Pressure, daq.Gauge, 100},
		{"p_supply", daq.RoleSupply, daq.Pressure, daq.Gauge, 1000}, {"supply_valve", daq.RoleSupplyValve, daq.Digital, "", 1}, {"spare1", "", daq.Number, "", 1}}
	if len(tr.Columns) != len(want) {
		t.Fatalf("%d columns, want %d", len(tr.Columns), len(want))
	}
	for i, w := range want {
		c := tr.Columns[i]
		if c.Name != w.name || c.Role != w.role || c.Quantity != w.q || c.Reference != w.ref || math.Abs(c.Resolution-w.res) > 1e-9*w.res || len(c.Values) != 2500 {
			t.Errorf("column %d: %q %q %q %q resolution %g, want %+v", i, c.Name, c.Role, c.Quantity, c.Reference, c.Resolution, w)
		}
	}
	if !slices.Equal(tr.Ignored, []string{"spare1"}) {
		t.Errorf("ignored %q", tr.Ignored)
	}
}

func TestReadRunaway(t *testing.T) {
	tr := read(t, "runaway-jitter-gap.csv", Options{})
	roles := map[string]daq.Role{"p": daq.RoleSpecimen, "p_ambient": daq.RoleBarometer, "tc1": daq.RoleSkin, "tc2": daq.RoleGas, "t_ambient": daq.RoleRoom,
		"u_cell": daq.RoleCell, "trigger": daq.RoleTrigger, "estop": daq.RoleEStop}
	for _, c := range tr.Columns {
		if roles[c.Name] != c.Role {
			t.Errorf("%s has role %q, want %q", c.Name, c.Role, roles[c.Name])
		}
	}
	if math.Abs(tr.RateHz-20) > 0.5 {
		t.Errorf("rate %g Hz, want about 20", tr.RateHz)
	}
	skin, room := tr.Columns[2].Values, tr.Columns[4].Values
	if !math.IsNaN(skin[40]) || !math.IsNaN(room[41]) || math.IsNaN(skin[41]) {
		t.Errorf("an empty cell is %g, NaN is %g", skin[40], room[41])
	}
	if v := tr.Columns[3].Values[0]; math.Abs(v-20) > 0.01 { // 293.15 K
		t.Errorf("K became %g °C, want 20", v)
	}
	if v := tr.Columns[5].Values[0]; v != 4.18 {
		t.Errorf("4180 mV became %g V", v)
	}
}

func TestReadToleratesWhatSpreadsheetsWrite(t *testing.T) {
	tr := read(t, "bom-crlf-quotes.csv", Options{})
	if !slices.Equal(tr.T, []int64{0, 1e6, 2e6}) || !slices.Equal(tr.Columns[0].Values, []float64{1700500, 1700600, 1700700}) {
		t.Errorf("times %v, pressures %v", tr.T, tr.Columns[0].Values)
	}
	if f := tr.Columns[1].Values; f[0] != 3 || !math.IsNaN(f[1]) || f[2] != 4 {
		t.Errorf("plain numbers %v", f)
	}
}

// One atmosphere, one temperature, one voltage in every unit. 1 atm = 101325 Pa
// (NIST SP 811, 2008; from memory); the other pressures follow by powers of
// ten, and 14.69594877551345 psi from psi = 6894.757293168361 Pa (SP 811,
// computed by another program).
func TestReadUnits(t *testing.T) {
	tr := read(t, "units.csv", Options{Reference: daq.Absolute})
	want := []float64{101325, 101325, 101325, 101325, 101325, 101325, 25, 25, 1.5, 1.5, 0.02, 0.02, 9.80665, 9.80665, 7}
	refs := []daq.Reference{daq.Absolute, daq.Gauge, daq.Absolute, daq.Absolute, daq.Gauge, daq.Absolute}
	for i, w := range want {
		c := tr.Columns[i]
		if v := c.Values[0]; math.Abs(v-w) > 1e-12*w {
			t.Errorf("%s: %.17g, want %.17g", c.Header, v, w)
		}
		if i < len(refs) && c.Reference != refs[i] {
			t.Errorf("%s is %q, want %q", c.Header, c.Reference, refs[i])
		}
	}
	if tr.T[0] != -500e6 || tr.T[1] != 1 {
		t.Errorf("times %v", tr.T)
	}
	for _, name := range []string{"bara", "barg", "bar", "kPa", "MPag", "mbara", "psig", "Paa", "C", "K", "V", "mV", "A", "mA", "N", "g"} {
		if _, ok := findUnit(name); !ok {
			t.Errorf("unit %s is not known", name)
		}
	}
	for _, name := range []string{"", "Bar", "BAR", "Cg", "Ka", "c", "pa", "PSI", "barG", "mba", "s", "gg"} {
		if _, ok := findUnit(name); ok {
			t.Errorf("unit %q is known", name)
		}
	}
}

// Units of pressure against published values (testdata/its90/checks.csv: NIST
// SP 811, 2008; status there).
func TestUnitsAgainstPublishedValues(t *testing.T) {
	f, err := os.Open("../../testdata/its90/checks.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	bar, _ := findUnit("bar")
	si := func(name string) float64 {
		u, ok := findUnit(name)
		if !ok {
			t.Fatal(name)
		}
		return u.si(math.Pow10(u.exp10))
	}
	got := map[string]float64{"unit.psi": si("psi"), "unit.bar": si("bar"), "unit.bar_psi": si("bar") / si("psi"), "unit.psi_bar": si("psi") / si("bar"),
		"unit.MPa_bar": si("MPa") / si("bar"), "unit.g0": si("g") * 1000}
	compared := 0
	for _, r := range rows {
		v, ok := got[r[0]]
		if !ok {
			continue
		}
		compared++
		want, _ := strconv.ParseFloat(r[3], 64)
		if tol, _ := strconv.ParseFloat(r[5], 64); math.Abs(v-want) > tol {
			t.Errorf("%s: %.16g, want %.16g within %g (%s; %s)", r[0], v, want, tol, r[6], r[7])
		}
	}
	if compared != len(got) || bar.exp10 != 5 {
		t.Errorf("%d of %d units compared", compared, len(got))
	}
}

// Every damaged file gives file, line, field, value, what is wrong and the next
// move.
func TestReadDamagedFiles(t *testing.T) {
	for _, c := range []struct{ file, want string }{
		{"empty.csv", `empty.csv: the file is empty; give a header row and at least one row of readings`},
		{"header-only.csv", `header-only.csv:1: there is a header and no row of readings; give at least one row`},
		{"no-time.csv", `no-time.csv:1: "p1_barg": is no column of times; name the first column t_s and give times in seconds`},
		{"text.csv", `text.csv:3: p1_barg: "n/a": is no decimal number; give decimal digits, or leave the cell empty where a reading is missing`},
		{"hex.csv", `hex.csv:3: p1_barg: "0x1p3": is no decimal number; give decimal digits, or leave the cell empty where a reading is missing`},
		{"inf.csv", `inf.csv:3: p1_barg: "Inf": is no decimal number; give decimal digits, or leave the cell empty where a reading is missing`},
		{"backwards.csv", `backwards.csv:4: t_s: "0.1": time runs backwards: the row before has 0.2; sort the rows by time, or give each recording a file of its own`},
		{"equal-times.csv", `equal-times.csv:4: t_s: "0.2": time stands still (to the nanosecond): the row before has 0.2; delete the repeated row, or write enough decimals to tell the rows apart`},
		{"ragged.csv", `ragged.csv:3: "0.1,1,1,1,2": the row has 5 cells, the header 3; give each row one cell a column (empty where a reading is missing), with points for decimals`},
		{"column-twice.csv", `column-twice.csv:1: p1_barg: "p1_barg": the column p1 is there twice; give every column a name of its own`},
		{"unknown-unit.csv", `unknown-unit.csv:1: p1_Bar: "Bar": is no unit this program knows; use one of Pa kPa MPa bar mbar psi (each bare or with g or a: barg, bara), C K V mV A mA N g, or a name without underscore for a plain number`},
		{"binary.csv", `binary.csv:1: is not UTF-8 text; give a CSV file; a spreadsheet can save its table as one`},
		{"bare-pressure.csv", `bare-pressure.csv:1: p_bar: "bar": does not say whether the pressure is gauge or absolute; name it p_barg or p_bara, or give --reference gauge or --reference absolute`},
	} {
		_, err := readFile(t, c.file, Options{})
		var e *Error
		if !errors.As(err, &e) || err.Error() != c.want {
			t.Errorf("%s:\n got %v\nwant %s", c.file, err, c.want)
		}
	}
}

// More ways to damage a trace: each is refused with the line and the field it
// is in.
func TestReadRefuses(t *testing.T) {
	long := strings.Repeat("7", maxLine+10)
	wide := "t_s" + strings.Repeat(",x", maxColumns+1)
	for _, c := range []struct{ text, says string }{
		{"t_s\n0\n", "no columns beside the times"},
		{"\n", "is no column of times"},
		{"t_s;p1_barg\n0;1\n", "separate columns by commas"},
		{"t_s,\n0,1\n", "has no name"},
		{"t_s,_bar\n0,1\n", "has no name"},
		{"t_s,p1_barg,p1_bara\n0,1,1\n", "there twice"},
		{"t_s,flow,flow\n0,1,1\n", "there twice"},
		{"t_s,p_ambient\n0,1\n", `p_ambient: "ambient": is no unit`},
		{wide + "\n0\n", "columns are more"},
		{"t_s,x\n0,1\n\n1,2\n", ":3: a row is blank"},
		{"t_s,x\n0,1\n1\n", ":3: \"1\": the row has 1 cells, the header 2"},
		{"t_s,x\n,1\n", "the time is missing"},
		{"t_s,x\nNaN,1\n", `t_s: "NaN": is no decimal`},
		{"t_s,x\r0,1\r", "end lines by a line feed"},
		{"t_s,x\n\"0,5\",\"1,2\"\n", "decimals with a point"},
		{"t_s,x\n00:00:01.5,1\n", "instead of a time of day"},
		{"t_s,x\n2026-05-01T10:00:00Z,1\n", "instead of a time of day"},
		{"t_s,x\n1e12,1\n", "beyond what a time"},
		{"t_s,x\n1e9999,1\n", "beyond what a time"},
		{"t_s,x\n0.00000000001,1\n0.0000000001,1\n", "stands still"},
		{"t_s,x\n0,1e400\n", "too large"},
		{"t_s,x\n0,1_000\n", "no decimal"},
		{"t_s,x\n0,1,5\n", "the row has 3 cells"},
		{"t_s,x\n0,--1\n", "no decimal"},
		{"t_s,x\n0,1e\n", "no decimal"},
		{"t_s,x\n0,1e+\n", "no decimal"},
		{"t_s,x\n0,1e12345\n", "no decimal"},
		{"t_s,x\n0,.\n", "no decimal"},
		{"t_s,x\n0,1\x002\n", "no decimal"},
		{"t_s,x\n0,infinity\n", "no decimal"},
		{"t_s,x\n0,1 2\n", "no decimal"},
		{"t_s,shield\n0,2\n", `shield: "2": is neither 0 nor 1`},
		{"t_s,x\n0," + long + "\n", ":2: "},
		{long, "longer than"},
		{"t_s,x\xff\n0,1\n", "not UTF-8"},
		{"t_s,t_skin_C,t_skin_K\n0,1,1\n", "there twice"},
	} {
		_, err := Read(strings.NewReader(c.text), Options{Name: "f.csv"})
		if err == nil || !strings.HasPrefix(err.Error(), "f.csv:") || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%.60q: %.300v; want an error with %q", c.text, err, c.says)
		} else if len(err.Error()) > 500 {
			t.Errorf("%.60q: the message has %d bytes", c.text, len(err.Error()))
		}
	}
}

func TestRoles(t *testing.T) {
	for _, c := range []struct {
		header  string
		o       Options
		roles   string // of the columns, comma-separated
		ignored string
		says    string // error
	}{
		{header: "p_barg,p2_barg,p33_bara", roles: "p,p,p"},
		{header: "tc2_C,tc1_C,tc10_C", roles: "t_gas,t_skin,", ignored: "tc10_C"},
		{header: "tc7_C,tc9_K", roles: "t_skin,t_gas"},
		{header: "tc1_C,t_skin_C,tc2_C", roles: ",t_skin,t_gas", ignored: "tc1_C"},
		{header: "p1_V,t_skin_barg,p", roles: ",,", ignored: "p1_V t_skin_barg p"},
		{header: "CID,cid,P1_barg", roles: ",cid,", ignored: "CID P1_barg"},
		{header: "vessel_barg,x", o: Options{Map: map[string]string{"vessel_barg": "p1", "x": "shield"}}, roles: "p,shield"},
		{header: "vessel_barg", o: Options{Map: map[string]string{"vessel": "p_supply"}}, roles: "p_supply"},
		{header: "p1_barg,p2_barg", o: Options{Map: map[string]string{"p2": "none"}}, roles: "p,", ignored: "p2_barg"},
		{header: "tc1_C,tc2_C", o: Options{Map: map[string]string{"tc1_C": "t_ambient"}}, roles: "t_ambient,t_skin"},
		{header: "shield", o: Options{Map: map[string]string{"shield": ""}}, roles: "", ignored: "shield"},
		{header: "p_barg,x", o: Options{Map: map[string]string{"q": "p"}}, says: `q: "p": --map names a column that is not there; use one of p_barg x`},
		{header: "v_C", o: Options{Map: map[string]string{"v": "p"}}, says: "the role is a pressure, the column a temperature"},
		{header: "v_C", o: Options{Map: map[string]string{"v": "pressure"}}, says: "use one of cid dump_valve estop none p p1 p2 p_ambient"},
		{header: "v_C", o: Options{Map: map[string]string{"v": "cid"}}, says: "a 0/1 input has no unit"},
		{header: "v_C", o: Options{Map: map[string]string{"v": "none", "v_C": "none"}}, says: "names a column twice"},
		{header: "t_skin_C,v_C", o: Options{Map: map[string]string{"v": "t_skin"}}, says: `v_C: "t_skin": the column t_skin_C has this role already`},
		{header: "p_ambient_mbar", o: Options{Reference: daq.Gauge}, says: "a barometer reads absolute"},
		{header: "p_bar", o: Options{Reference: "sealed"}, says: "use gauge or absolute"},
	} {
		n := strings.Count(c.header, ",") + 1
		tr, err := Read(strings.NewReader("t_s,"+c.header+"\n0"+strings.Repeat(",1", n)+"\n"), c.o)
		if c.says != "" {
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%s: %v, want %q", c.header, err, c.says)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", c.header, err)
			continue
		}
		var roles []string
		for _, col := range tr.Columns {
			roles = append(roles, string(col.Role))
		}
		if got := strings.Join(roles, ","); got != c.roles || strings.Join(tr.Ignored, " ") != c.ignored {
			t.Errorf("%s: roles %q ignored %q, want %q and %q", c.header, got, tr.Ignored, c.roles, c.ignored)
		}
	}
}

// A reader that fails is not taken for the end of the file.
func TestReadPassesOnFailure(t *testing.T) {
	broken := errors.New("cable pulled")
	_, err := Read(&failing{"t_s,x\n0,1\n", broken}, Options{Name: "f.csv"})
	if !errors.Is(err, broken) || !strings.Contains(err.Error(), "f.csv:") {
		t.Errorf("%v", err)
	}
}

type failing struct {
	text string
	err  error
}

func (f *failing) Read(p []byte) (int, error) {
	if f.text == "" {
		return 0, f.err
	}
	n := copy(p, f.text)
	f.text = f.text[n:]
	return n, nil
}
