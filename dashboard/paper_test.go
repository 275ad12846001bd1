package dashboard

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"

	"ventward/record"
	"ventward/report"
)

// desk stands for the program behind the pages.
type desk struct {
	said    []string
	err     error
	ask     LotAsk
	venting VentingAsk
}

func (d *desk) Specimens(_ context.Context, q SpecimenQuery) ([]Specimen, error) {
	um := 86.5
	return []Specimen{{ID: "B-1", Lot: q.Lot, Feature: "bottom vent", ResidualUM: &um, Status: Unused}}, d.err
}

func (d *desk) Intake(_ context.Context, who, file string, list io.Reader) (int, []string, error) {
	rows, ignored, err := record.ReadSpecimens(list, file)
	d.said = append(d.said, who+" "+file)
	return len(rows), ignored, errors.Join(err, d.err)
}

func (d *desk) SetAside(_ context.Context, who, id, reason string) error {
	d.said = append(d.said, who+" "+id+" "+reason)
	return d.err
}

func (d *desk) Outcome(_ context.Context, o record.Outcome) error {
	d.said = append(d.said, o.Who+" "+o.Run+" "+o.Feature+" "+string(o.Extent))
	return d.err
}

func (d *desk) Review(_ context.Context, r record.Review) error {
	d.said = append(d.said, r.Who+" "+r.Run+" "+string(r.Ruling))
	return d.err
}

func (d *desk) Lots(context.Context) ([]LotRow, error) {
	return []LotRow{{Lot: "B", Lines: []report.LotLine{{Lot: "B", Verdict: "pass"}}}}, d.err
}

func (d *desk) LotReport(_ context.Context, a LotAsk) (*report.Document, error) {
	d.ask = a
	t := &report.Table{Columns: []report.Column{{Title: "Shot", Right: true}}, Rows: []report.Row{{Cells: []string{"1"}, Dim: true}}}
	return &report.Document{Title: "Lot B", Answers: []report.Answer{{Tone: report.Good, Word: "PASS", Sentence: "It holds."}},
		Sections: []report.Section{{Title: "empty"}, {Title: "Shots", Blocks: []report.Block{{Text: "words"}, {Table: t}}}}, Cautions: []string{report.CautionAid}}, d.err
}

func (d *desk) Energy(_ context.Context, in map[string]any) (any, error) { return in, d.err }
func (d *desk) Area(_ context.Context, in map[string]any) (any, error)   { return in, d.err }
func (d *desk) Mechanics(_ context.Context, in map[string]any) (any, error) {
	return in, d.err
}
func (d *desk) Example() string { return "name = 1" }

func (d *desk) Start(_ context.Context, a VentingAsk) (Job, error) {
	d.venting = a
	return Job{ID: "7", State: JobWaiting}, d.err
}

func (d *desk) Job(id string) (Job, bool) {
	return Job{ID: id, State: JobDone, Part: 1, Document: &report.Document{Title: "Venting"}}, id == "7"
}

func (d *desk) Cancel(id string) (Job, bool) { return Job{ID: id, State: JobCancelled}, id == "7" }

func deskRig() (*rig, *desk) {
	d := &desk{}
	r := newRig()
	o := r.o
	o.Registry, o.Lots, o.Estimates = d, d, d
	r.Server = New(o)
	return r, d
}

const csvType = "text/csv; charset=utf-8"

func TestIntakeByUpload(t *testing.T) {
	r, d := deskRig()
	w := r.ask("POST", "/api/v1/specimens/intake?file=b.csv&who=Mara", "id,lot,feature,colour\nB-1,B,bottom vent,red\n", "Content-Type", csvType)
	if m := fields(t, w); w.Code != http.StatusCreated || m["specimens"] != 1.0 || m["ignored"].([]any)[0] != "colour" || d.said[0] != "Mara b.csv" {
		t.Errorf("%d %s %v", w.Code, w.Body, d.said)
	}
	w = r.ask("POST", "/api/v1/specimens/intake?file=b.csv", "id,lot,feature\n,B,lid\n", "Content-Type", csvType)
	m := fields(t, w)
	rows, _ := m["rows"].([]any)
	if w.Code != 422 || len(rows) != 2 || rows[0].(map[string]any)["line"] != 2.0 || rows[0].(map[string]any)["column"] != "id" || !strings.Contains(m["next"].(string), "nothing was taken in") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	for name, c := range map[string]struct {
		path, body, kind string
		code             int
	}{
		"JSON":     {"/api/v1/specimens/intake", "{}", "application/json", 415},
		"long who": {"/api/v1/specimens/intake?who=" + strings.Repeat("x", 300), "", csvType, 422},
		"too long": {"/api/v1/specimens/intake", "id,lot,feature\n" + strings.Repeat("x", record.MaxIntakeBytes), csvType, 422},
		"no rows":  {"/api/v1/specimens/intake", "", csvType, 422},
	} {
		if w := r.ask("POST", c.path, c.body, "Content-Type", c.kind); w.Code != c.code || fields(t, w)["next"] == "" {
			t.Errorf("%s: %d %.300s", name, w.Code, w.Body)
		}
	}
}

func TestPaperOverHTTP(t *testing.T) {
	r, d := deskRig()
	if w := r.ask("GET", "/api/v1/specimens?lot=B&find=1&unused=true&limit=5", ""); w.Code != 200 || !strings.Contains(w.Body.String(), `"residual_um":86.5`) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	for path, body := range map[string]string{
		"/api/v1/specimens/B-1/set-aside": `{"who":"Mara","reason":"dropped"}`,
		"/api/v1/runs/r1/outcome":         `{"feature":"bottom vent","extent":"full"}`,
		"/api/v1/runs/r1/review":          `{"who":"program","ruling":"valid"}`,
	} {
		if w := r.ask("POST", path, body); w.Code != 200 {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	all := strings.Join(d.said, "|")
	for _, want := range []string{"Mara B-1 dropped", "unattributed r1 bottom vent full", "unattributed r1 valid"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q lacks %q", all, want)
		}
	}
	for path, body := range map[string]string{
		"/api/v1/specimens/B-1/set-aside": `{"who":"Mara"}`,
		"/api/v1/runs/r1/outcome":         `{"extent":"full"}`,
		"/api/v1/runs/r2/review":          `{"ruling":"invalid"}`,
	} {
		if w := r.ask("POST", path, body); w.Code != 422 {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	d.err = &Refusal{"specimen B-1 was used in run r1 already", "choose another"}
	if w := r.ask("POST", "/api/v1/runs/r1/review", `{"ruling":"valid"}`); w.Code != 409 || fields(t, w)["next"] != "choose another" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	d.err = errors.New("the disk is gone")
	if w := r.ask("GET", "/api/v1/lots", ""); w.Code != 500 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := r.ask("GET", "/api/v1/specimens?limit=0", ""); w.Code != 400 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestLotsOverHTTP(t *testing.T) {
	r, d := deskRig()
	if w := r.ask("GET", "/api/v1/lots", ""); w.Code != 200 || !strings.Contains(w.Body.String(), `"verdict":"pass"`) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	w := r.ask("GET", "/api/v1/lots/report?lot=B&lot=T&pool=die&together=true&coverage=0.9", "")
	m := fields(t, w)
	if w.Code != 200 || len(d.ask.Lots) != 2 || d.ask.Coverage != 0.9 || d.ask.Confidence != 0.95 || !d.ask.Together || d.ask.Pool[0] != "die" {
		t.Errorf("%d %+v", w.Code, d.ask)
	}
	if s := m["sections"].([]any); len(s) != 1 || len(m["cautions"].([]any)) != 1 || !strings.Contains(w.Body.String(), `"dim":true`) {
		t.Errorf("%s", w.Body)
	}
	for _, q := range []string{"", "lot=B&confidence=2", "lot=B&coverage=NaN", strings.Repeat("lot=x&", 30)} {
		if w := r.ask("GET", "/api/v1/lots/report?"+q, ""); w.Code != 422 || len(fields(t, w)["fields"].([]any)) == 0 {
			t.Errorf("%s: %d %s", q, w.Code, w.Body)
		}
	}
}

func TestEstimatesOverHTTP(t *testing.T) {
	r, d := deskRig()
	for _, path := range []string{"energy", "area"} {
		if w := r.ask("POST", "/api/v1/estimates/"+path, `{"pressure_barg":40}`); w.Code != 200 || fields(t, w)["pressure_barg"] != 40.0 {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	if w := r.ask("POST", ventingPath, `{"case":"x","trials":10,"compare":true}`); w.Code != 202 || d.venting.Trials != 10 || !d.venting.Compare || d.venting.Confidence != 0.95 || fields(t, w)["id"] != "7" {
		t.Errorf("%d %s %+v", w.Code, w.Body, d.venting)
	}
	if w := r.ask("POST", ventingPath, `{"case":" ","trials":-1,"confidence":1}`); w.Code != 422 || len(fields(t, w)["fields"].([]any)) != 3 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := r.ask("POST", ventingPath, `{"case":"`+strings.Repeat("x", 3*maxCase)+`"}`); w.Code != 413 {
		t.Errorf("%d", w.Code)
	}
	if w := r.ask("GET", ventingPath+"/jobs/7", ""); w.Code != 200 || fields(t, w)["document"].(map[string]any)["title"] != "Venting" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := r.ask("POST", ventingPath+"/jobs/7/cancel", ""); w.Code != 200 || fields(t, w)["state"] != JobCancelled {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := r.ask("GET", ventingPath+"/jobs/8", ""); w.Code != 404 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := r.ask("GET", ventingPath+"/example", ""); fields(t, w)["case"] != "name = 1" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	d.err = FieldProblems{{"gas", "steam", "is not known: use N2"}}
	if w := r.ask("POST", "/api/v1/estimates/energy", `{}`); w.Code != 422 || !strings.Contains(w.Body.String(), `"field":"gas"`) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// A program without lists says so and serves empty ones.
func TestWithoutRegistry(t *testing.T) {
	r := newRig()
	for path, code := range map[string]int{"/api/v1/specimens": 200, "/api/v1/lots": 200, "/api/v1/lots/report?lot=B": 501, ventingPath + "/example": 501} {
		if w := r.ask("GET", path, ""); w.Code != code {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	if w := r.ask("POST", "/api/v1/runs/r1/review", `{"ruling":"valid"}`); w.Code != 501 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}
