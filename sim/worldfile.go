package sim

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// worldFile is a world as a person writes it: see testdata/world/kiln2.toml
// for a commented example.
type worldFile struct {
	Name      string         `toml:"name"`
	Lots      []lotEntry     `toml:"lot"`
	Cells     []cellEntry    `toml:"cell_lot"`
	Specimens []specimenFile `toml:"specimen"`
}

type lotEntry struct {
	Name    string    `toml:"name"`
	Feature string    `toml:"feature"`
	Event   string    `toml:"event"`
	Pieces  int       `toml:"pieces"`
	Mean    float64   `toml:"mean_barg"`
	S       float64   `toml:"s_bar"`
	Low     float64   `toml:"low_barg"`
	High    float64   `toml:"high_barg"`
	Width   []float64 `toml:"width_ms"`
	Area    []float64 `toml:"area_mm2"`
	Partial float64   `toml:"partial_percent"`
	Reseals float64   `toml:"reseal_percent"`
	Bulges  float64   `toml:"bulge_percent"`
	Leaks   float64   `toml:"leak_percent"`
}

type specimenFile struct {
	ID       string        `toml:"id"`
	Lot      string        `toml:"lot"`
	Under    string        `toml:"feature_under_test"`
	Features []featureFile `toml:"feature"`
	Bulge    float64       `toml:"bulge_barg"`
	Softer   float64       `toml:"bulge_percent_per_bar"`
	CID      float64       `toml:"cid_barg"`
	Leak     float64       `toml:"leak_mm2"`
	Plugged  float64       `toml:"plugged_s"`
	Cell     *cellFile     `toml:"cell"`
}

type featureFile struct {
	Name    string  `toml:"name"`
	Event   string  `toml:"event"`
	Opens   float64 `toml:"opens_barg"`
	Width   float64 `toml:"width_ms"`
	Area    float64 `toml:"area_mm2"`
	Reseals float64 `toml:"reseals_barg"`
}

// LoadWorld reads a world from a TOML file and draws its lots from seed. All
// problems come at once, each with file, line, field, value and next move.
func LoadWorld(path string, seed uint64) (*World, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("world: %w", err)
	}
	return ParseWorld(path, data, seed)
}

// ParseWorld is LoadWorld for text that was read; name stands in its errors.
func ParseWorld(name string, data []byte, seed uint64) (*World, error) {
	var f worldFile
	d := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return nil, tomlError(name, err)
	}
	c := worldCheck{name: name, lines: strings.Split(string(data), "\n")}
	plans := c.plans(f.Lots)
	pieces := c.pieces(f.Specimens)
	cells := c.cellPlans(f.Cells, f.Lots)
	if len(f.Lots) == 0 && len(f.Cells) == 0 && len(f.Specimens) == 0 {
		c.add(1, "lot", "there is no lot and no specimen: describe at least one")
	}
	if err := errors.Join(c.errs...); err != nil {
		return nil, err
	}
	if f.Name == "" {
		f.Name = name
	}
	w, err := Draw(f.Name, seed, plans)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if err := w.DrawCells(cells); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if err := w.add(pieces); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return w, nil
}

// tomlError names file and line of what the reader stumbled over.
func tomlError(name string, err error) error {
	var missing *toml.StrictMissingError
	if errors.As(err, &missing) {
		var errs []error
		for i := range missing.Errors {
			e := &missing.Errors[i]
			line, _ := e.Position()
			errs = append(errs, fmt.Errorf("%s:%d: %s: this key is unknown: see the commented example for those there are", name, line, strings.Join(e.Key(), ".")))
		}
		return errors.Join(errs...)
	}
	var bad *toml.DecodeError
	if errors.As(err, &bad) {
		line, column := bad.Position()
		if key := strings.Join(bad.Key(), "."); key != "" {
			return fmt.Errorf("%s:%d: column %d: %s: the value has the wrong form or kind (a number, a text, a list): see the commented example", name, line, column, key)
		}
		return fmt.Errorf("%s:%d: column %d: %s: correct the line", name, line, column, strings.TrimPrefix(bad.Error(), "toml: "))
	}
	return fmt.Errorf("%s: %w", name, err)
}

// worldCheck gathers the problems of a world file.
type worldCheck struct {
	name  string
	lines []string
	errs  []error
}

func (c *worldCheck) add(line int, field, format string, a ...any) {
	c.errs = append(c.errs, fmt.Errorf("%s:%d: %s: %s", c.name, line, field, fmt.Sprintf(format, a...)))
}

// line finds where a key of the n-th table (from 0) of a name stands: the line
// of the key, or of the table's head when the key is absent.
func (c *worldCheck) line(table string, n int, key string) int {
	head, seen := 1, -1
	for i, l := range c.lines {
		l = strings.TrimSpace(l)
		if strings.HasPrefix(l, "[") {
			if seen == n && !strings.HasPrefix(l, "[["+table+".") {
				break
			}
			if l, _, _ = strings.Cut(l, "#"); strings.TrimSpace(l) == "[["+table+"]]" {
				seen++
				head = i + 1
			}
			continue
		}
		if k, _, ok := strings.Cut(l, "="); ok && seen == n && strings.TrimSpace(k) == key {
			return i + 1
		}
	}
	return head
}

const (
	bar = 1e5
	mm2 = 1e-6
	ms  = 1e-3
)

func (c *worldCheck) plans(lots []lotEntry) []LotPlan {
	var out []LotPlan
	names := map[string]bool{}
	for i, l := range lots {
		bad := func(key, format string, a ...any) { c.add(c.line("lot", i, key), "lot."+key, format, a...) }
		if l.Name == "" || names[l.Name] {
			bad("name", "%q is empty or there twice: give each lot a name of its own", l.Name)
		}
		names[l.Name] = true
		event, ok := eventOf(l.Feature, l.Event)
		if !ok {
			bad("feature", "%q with event %q: use top vent, bottom vent or housing, and vent-opening or rupture", l.Feature, l.Event)
		}
		if l.Pieces < 1 || l.Pieces > 10000 {
			bad("pieces", "%d: give 1 to 10000", l.Pieces)
		}
		if !(l.Mean > 0 && l.Mean < 1000) {
			bad("mean_barg", "%g bar: give the mean opening pressure, above 0 and below 1000", l.Mean)
		}
		if !(l.S >= 0 && l.S < 100) {
			bad("s_bar", "%g bar: give a standard deviation from 0 to 100", l.S)
		}
		if !within0(l.Low, 1000) || !within0(l.High, 1000) {
			bad("low_barg", "%g and high_barg %g: give bounds from 0 (none) to 1000", l.Low, l.High)
		}
		if l.Mean > 0 && l.Low > 0 && l.Mean < l.Low || l.High > 0 && l.Mean > l.High {
			bad("mean_barg", "%g bar lies outside low_barg %g and high_barg %g: change one of them", l.Mean, l.Low, l.High)
		}
		width, ok := pair(l.Width, ms)
		if !ok {
			bad("width_ms", "%v: give two positive widths, the smaller first", l.Width)
		}
		area, ok := pair(l.Area, mm2)
		if !ok {
			bad("area_mm2", "%v: give two positive areas, the smaller first", l.Area)
		}
		for key, v := range map[string]float64{"partial_percent": l.Partial, "reseal_percent": l.Reseals, "bulge_percent": l.Bulges, "leak_percent": l.Leaks} {
			if !(v >= 0 && v <= 100) {
				bad(key, "%g %%: give 0 to 100", v)
			}
		}
		out = append(out, LotPlan{Name: l.Name, Feature: l.Feature, Event: event, Pieces: l.Pieces, MeanPa: l.Mean * bar, SPa: l.S * bar,
			LowPa: l.Low * bar, HighPa: l.High * bar, WidthS: width, AreaM2: area,
			Partial: l.Partial / 100, Reseals: l.Reseals / 100, Bulges: l.Bulges / 100, Leaks: l.Leaks / 100})
	}
	return out
}

// eventOf is what the opening of a feature is called, unless it is said.
func eventOf(feature, event string) (string, bool) {
	switch feature {
	case "top vent", "bottom vent":
		if event == "" {
			event = "vent-opening"
		}
	case "housing":
		if event == "" {
			event = "rupture"
		}
	default:
		return event, false
	}
	return event, event == "vent-opening" || event == "rupture"
}

func pair(v []float64, unit float64) ([2]float64, bool) {
	if len(v) != 2 || !(v[0] > 0) || !(v[1] >= v[0]) || v[1] > 1e6 {
		return [2]float64{}, false
	}
	return [2]float64{v[0] * unit, v[1] * unit}, true
}

func (c *worldCheck) pieces(in []specimenFile) []Specimen {
	var out []Specimen
	for i, s := range in {
		p := Specimen{ID: s.ID, Lot: s.Lot, Under: s.Under, BulgePa: s.Bulge * bar, BulgePerPa: s.Softer / 100 / bar, CIDPa: s.CID * bar, LeakM2: s.Leak * mm2,
			PluggedS: s.Plugged, Cell: s.Cell.cell()}
		line := c.line("specimen", i, "id")
		if s.ID == "" {
			c.add(line, "specimen.id", "%q: give each specimen an id", s.ID)
		}
		for _, f := range s.Features {
			event, ok := eventOf(f.Name, f.Event)
			if !ok {
				c.add(line, "specimen.feature.name", "%q with event %q: use top vent, bottom vent or housing, and vent-opening or rupture", f.Name, f.Event)
			}
			p.Features = append(p.Features, Feature{Name: f.Name, Event: event, OpensPa: f.Opens * bar, WidthS: f.Width * ms, AreaM2: f.Area * mm2, ResealsPa: f.Reseals * bar})
		}
		if err := p.Check(); err != nil {
			c.add(line, "specimen "+s.ID, "%v", err)
		}
		out = append(out, p)
	}
	return out
}

// add puts single pieces into their lots.
func (w *World) add(pieces []Specimen) error {
	for _, p := range pieces {
		if w.byID[p.ID] != nil {
			return fmt.Errorf("specimen %q is there twice: give each an id of its own", p.ID)
		}
		i := -1
		for j := range w.Lots {
			if w.Lots[j].Name == p.Lot {
				i = j
			}
		}
		if i < 0 {
			w.Lots = append(w.Lots, Lot{Name: p.Lot, Under: p.Under})
			i = len(w.Lots) - 1
		}
		w.Lots[i].Pieces = append(w.Lots[i].Pieces, p)
		w.index()
	}
	return nil
}
