package record

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"ventward/record/sheet"
)

const good = `id,lot,feature,residual_um,die,strokes,colour
B-0410-01,B-0410,bottom vent,92.5,D3,12000,red
B-0410-02,B-0410,Bottom Vent,,D3,12050,
,,,,,,
"T-031-01",T-031,top vent,,,,blue
`

func TestIntakeReadsEveryColumn(t *testing.T) {
	rows, ignored, err := ReadSpecimens(strings.NewReader("\ufeff"+strings.ReplaceAll(good, "\n", "\r\n")), "lots.csv")
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(ignored, []string{"colour"}) || len(rows) != 3 {
		t.Fatalf("%d rows, ignored %v", len(rows), ignored)
	}
	a, b := rows[0], rows[2]
	if a.ID != "B-0410-01" || a.Lot != "B-0410" || a.Feature != BottomVent || math.Abs(*a.ResidualM-92.5e-6) > 1e-15 || a.Die != "D3" || *a.Strokes != 12000 || a.Line != 2 {
		t.Errorf("%+v", a)
	}
	if rows[1].Feature != BottomVent || rows[1].ResidualM != nil || !math.IsNaN(rows[1].ResidualUM()) || math.Abs(a.ResidualUM()-92.5) > 1e-9 {
		t.Errorf("%+v", rows[1])
	}
	if b.ID != "T-031-01" || b.Strokes != nil || b.Line != 5 {
		t.Errorf("%+v", b)
	}
}

// Each case is one thing wrong; the place and the next move are told.
func TestIntakeNamesEveryProblem(t *testing.T) {
	const head = "id,lot,feature,residual_um,strokes\n"
	for _, c := range []struct {
		name, text   string
		line         int
		column, next string
	}{
		{"empty", "", 1, "", "the list is empty"},
		{"only a header", head, 2, "", "no specimen follows"},
		{"semicolons", "id;lot;feature\n", 1, "", "semicolons"},
		{"missing column", "id,lot\na,b\n", 1, "feature", "the column is missing"},
		{"column twice", "id,id,lot,feature\n", 1, "id", "stands there twice"},
		{"no id", head + ",L,top vent,,\n", 2, "id", "it is empty"},
		{"no lot", head + "a,,top vent,,\n", 2, "lot", "it is empty"},
		{"feature", head + "a,L,side vent,,\n", 2, "feature", "use top vent"},
		{"text in a number", head + "a,L,top vent,92 um,\n", 2, "residual_um", "remove units"},
		{"decimal comma", head + "a,L,top vent,\"92,5\",\n", 2, "residual_um", "comma"},
		{"hexadecimal", head + "a,L,top vent,0x10,\n", 2, "residual_um", "plain decimal"},
		{"not a number", head + "a,L,top vent,NaN,\n", 2, "residual_um", "plain decimal"},
		{"infinite", head + "a,L,top vent,1e999,\n", 2, "residual_um", "plain decimal"},
		{"negative", head + "a,L,top vent,-1,\n", 2, "residual_um", "from 0"},
		{"too few cells", head + "a,L,top vent\n", 2, "", "3 cells where the header has 5"},
		{"duplicate", head + "a,L,top vent,,\nb,L,top vent,,\na,M,housing,,\n", 4, "id", "line 2 already"},
		{"control character", head + "a\x01b,L,top vent,,\n", 2, "id", "control character"},
		{"not UTF-8", head + "a\xff,L,top vent,,\n", 2, "", "not UTF-8"},
		{"long id", head + strings.Repeat("x", 81) + ",L,top vent,,\n", 2, "id", "longer than 80"},
		{"open quote", head + "\"a,L,top vent,,\n", 2, "", "not readable as CSV"},
	} {
		rows, _, err := ReadSpecimens(strings.NewReader(c.text), "lots.csv")
		var all sheet.Problems
		if rows != nil || !errors.As(err, &all) || len(all) == 0 {
			t.Errorf("%s: %d rows, %v", c.name, len(rows), err)
			continue
		}
		p := all[0]
		if p.File != "lots.csv" || p.Line != c.line || p.Column != c.column || !strings.Contains(p.Next, c.next) || !strings.HasPrefix(p.Error(), fmt.Sprintf("lots.csv:%d: ", c.line)) {
			t.Errorf("%s: %+v", c.name, p)
		}
	}
}

func TestIntakeTellsAllProblemsAtOnceAndIsBounded(t *testing.T) {
	_, _, err := ReadSpecimens(strings.NewReader("id,lot,feature,strokes\n,L,top vent,x\nb,,nothing,-1\n"), "l.csv")
	var all sheet.Problems
	if !errors.As(err, &all) || len(all) != 5 || strings.Count(err.Error(), "\n") != 4 {
		t.Errorf("%d problems: %v", len(all), err)
	}
	_, _, err = ReadSpecimens(strings.NewReader("id,lot,feature\n"+strings.Repeat(",,\nx,,\n", 5000)), "l.csv")
	if !errors.As(err, &all) || len(all) != MaxRowProblems+1 {
		t.Errorf("%d problems", len(all))
	}
	if _, _, err = ReadSpecimens(strings.NewReader("id,lot,feature\na,L,top vent\n"+strings.Repeat(" ", MaxIntakeBytes)), "l.csv"); err == nil || !strings.Contains(err.Error(), "longer than 4 MB") {
		t.Errorf("too long: %.200v", err)
	}
	var b strings.Builder
	b.WriteString("id,lot,feature\n")
	for i := range MaxIntakeRows + 1 {
		fmt.Fprintf(&b, "%d,L,top vent\n", i)
	}
	if _, _, err = ReadSpecimens(strings.NewReader(b.String()), "l.csv"); err == nil || !strings.Contains(err.Error(), "more than 20000") {
		t.Errorf("too many: %.200v", err)
	}
}

// What is taken in passes its own check, and a row is never lost silently.
func FuzzReadSpecimens(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte("id,lot,feature\n\"a\nb\",L,cell\n"))
	f.Add([]byte("id;lot;feature\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		rows, _, err := ReadSpecimens(strings.NewReader(string(text)), "f.csv")
		if (err == nil) != (len(rows) > 0) {
			t.Fatalf("%d rows and %v", len(rows), err)
		}
		seen := map[string]bool{}
		for i := range rows {
			if e := rows[i].Check(); e != nil || seen[rows[i].ID] || rows[i].Line < 2 {
				t.Fatalf("row %d, line %d: %v, twice %v", i, rows[i].Line, e, seen[rows[i].ID])
			}
			seen[rows[i].ID] = true
		}
	})
}

func TestSpecimenOutcomeAndReviewChecks(t *testing.T) {
	v := -1.0
	for _, s := range []Specimen{{Lot: "L", Feature: TopVent}, {ID: "a", Feature: TopVent}, {ID: "a", Lot: "L", Feature: "lid"}, {ID: "a", Lot: "L", Feature: TopVent, Strokes: &v},
		{ID: "a ", Lot: "L", Feature: TopVent}, {ID: "a", Lot: "L", Feature: TopVent, Note: strings.Repeat("x", 201)}} {
		if s.Check() == nil {
			t.Errorf("%+v passes", s)
		}
	}
	outcomes := []struct {
		o  Outcome
		ok bool
	}{
		{Outcome{Run: "r", Feature: TopVent, Extent: Full, Who: "a"}, true},
		{Outcome{Run: "r", Extent: Held, Who: "a"}, true},
		{Outcome{Run: "r", Extent: Untested, Who: "a"}, true},
		{Outcome{Run: "r", Extent: Full, Who: "a"}, false},
		{Outcome{Run: "r", Feature: "lid", Extent: Torn, Who: "a"}, false},
		{Outcome{Run: "r", Feature: TopVent, Extent: Held, Who: "a"}, false},
		{Outcome{Run: "r", Feature: TopVent, Extent: "wide", Who: "a"}, false},
		{Outcome{Feature: TopVent, Extent: Full, Who: "a"}, false},
		{Outcome{Run: "r", Feature: TopVent, Extent: Full}, false},
		{Outcome{Run: "r", Feature: TopVent, Extent: Full, Who: "a", Remark: "a\nb"}, false},
	}
	for _, c := range outcomes {
		if err := c.o.Check(); (err == nil) != c.ok {
			t.Errorf("%+v: %v", c.o, err)
		}
	}
	for _, c := range []struct {
		r  Review
		ok bool
	}{
		{Review{Run: "r", Ruling: RuledValid, Who: "a"}, true},
		{Review{Run: "r", Ruling: RuledInvalid, Reason: "clamp slipped", Who: "a"}, true},
		{Review{Run: "r", Ruling: RuledInvalid, Reason: " ", Who: "a"}, false},
		{Review{Run: "r", Ruling: RuledRemark, Who: "a"}, false},
		{Review{Run: "r", Ruling: "perhaps", Who: "a"}, false},
	} {
		if err := c.r.Check(); (err == nil) != c.ok {
			t.Errorf("%+v: %v", c.r, err)
		}
	}
}

func TestAuditChainShowsEveryChange(t *testing.T) {
	var rows []AuditRow
	before := ""
	for i := range 5 {
		r := AuditRow{N: int64(i + 1), AtUTC: int64(i), Who: "Mara", Verb: "take", Subject: fmt.Sprint(i)}
		r.Seal(before)
		before = r.Hash
		rows = append(rows, r)
	}
	if err := CheckChain(rows); err != nil {
		t.Fatal(err)
	}
	for name, damage := range map[string]func([]AuditRow) []AuditRow{
		"a word":        func(r []AuditRow) []AuditRow { r[2].Subject = "x"; return r },
		"a time":        func(r []AuditRow) []AuditRow { r[4].AtUTC++; return r },
		"a row removed": func(r []AuditRow) []AuditRow { return slices.Delete(r, 1, 2) },
		"renumbered": func(r []AuditRow) []AuditRow {
			r = slices.Delete(r, 3, 4)
			r[3].N = 4
			return r
		},
		"resealed alone": func(r []AuditRow) []AuditRow { r[1].Who = "x"; r[1].Seal(r[0].Hash); return r },
	} {
		if CheckChain(damage(slices.Clone(rows))) == nil {
			t.Errorf("%s passes", name)
		}
	}
}
