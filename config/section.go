package config

import (
	"fmt"
	"math"
	"regexp"
	"sort"
	"strings"

	toml "github.com/pelletier/go-toml/v2"

	"ventward/daq"
)

// A section reads one table of a document. Every key that is asked for counts
// as known; close reports the others. A section that is absent reads as empty.
type section struct {
	d      *document
	path   string // "" for the root
	title  string // for messages: channel "p1"
	keys   map[string]any
	asked  map[string]bool
	absent bool
}

func (d *document) section() *section {
	return &section{d: d, keys: d.root, asked: map[string]bool{}}
}

// table returns the table under key; absent when there is none.
func (s *section) table(key string) *section {
	v, ok := s.take(key)
	sub := &section{d: s.d, path: join(s.path, key), title: s.field(key), asked: map[string]bool{}, absent: !ok}
	if !ok {
		return sub
	}
	if sub.keys, ok = v.(map[string]any); !ok {
		s.problem(key, "is not a table", "write it as ["+sub.path+"] with its keys below")
		sub.absent = true
	}
	return sub
}

// tables returns the tables of the list under key.
func (s *section) tables(key string) []*section {
	v, ok := s.take(key)
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	if !ok {
		s.problem(key, "is not a list of tables", "write each as [["+join(s.path, key)+"]] with its keys below")
		return nil
	}
	if len(list) > maxItems {
		s.problem(key, fmt.Sprintf("has %d entries, more than %d", len(list), maxItems), "split the bench")
		list = list[:maxItems]
	}
	var out []*section
	for i, e := range list {
		path := element(join(s.path, key), i)
		keys, ok := e.(map[string]any)
		if !ok {
			s.d.add(path, s.field(key), show(e), "", "is not a table", "write { key = value, ... }")
			continue
		}
		title := fmt.Sprintf("%s %d", key, i+1)
		if name, ok := keys["name"].(string); ok && name != "" {
			title = fmt.Sprintf("%s %q", key, name)
		}
		if s.title != "" {
			title = s.title + ", " + title
		}
		out = append(out, &section{d: s.d, path: path, title: title, keys: keys, asked: map[string]bool{}})
	}
	return out
}

// close reports the keys that nobody asked for.
func (s *section) close() {
	var unknown []string
	for k := range s.keys {
		if !s.asked[k] {
			unknown = append(unknown, k)
		}
	}
	sort.Strings(unknown)
	s.d.closed = append(s.d.closed, stray{s, unknown})
	for k := range s.asked {
		s.d.known[k] = placed(s.d.known[k], s.path)
	}
}

// stray is a table with the keys in it that nobody asked for.
type stray struct {
	s    *section
	keys []string
}

// placed is the first of two places of a key by name, so that a message
// doesn't depend on the order in which a map is walked.
func placed(a, b string) string {
	b = indices.ReplaceAllString(b, "")
	if a == "" || b < a {
		return b
	}
	return a
}

var indices = regexp.MustCompile(`\[[0-9]+\]`)

// unknown reports the stray keys of all tables, now that it is known which key
// belongs where.
func (d *document) unknown() {
	for _, c := range d.closed {
		for _, k := range c.keys {
			next := "remove it"
			if near := nearest(k, c.s.asked); near != "" {
				next = "did you mean " + near + "?"
			} else if place := d.known[k]; place != "" {
				next = "it belongs in [" + place + "]"
			}
			c.s.problem(k, "unknown key", next)
		}
	}
}

func (s *section) take(key string) (any, bool) {
	s.asked[key] = true
	v, ok := s.keys[key]
	return v, ok
}

func (s *section) has(key string) bool { _, ok := s.take(key); return ok }

func (s *section) field(key string) string {
	switch {
	case key == "":
		return s.title
	case s.title == "":
		return key
	}
	return s.title + ": " + key
}

// problem reports what is wrong with a key; of a key that is absent, or "", the
// table's own line is named.
func (s *section) problem(key, message, next string) { s.problemIn(key, "", message, next) }

func (s *section) problemIn(key, unit, message, next string) {
	path := s.path
	value := ""
	if v, ok := s.keys[key]; ok {
		path = join(s.path, key)
		value = s.d.text[path]
		if list, ok := v.([]any); ok && len(list) > 0 && value == "" {
			if _, ok := list[0].(map[string]any); ok { // a list of tables: its first one is where it is
				s.d.add(element(path, 0), s.field(key), "", unit, message, next)
				return
			}
		}
		if value == "" || strings.ContainsAny(value, "\n\r") || len(value) > 60 {
			value = show(v)
		}
		if len(value) > 120 {
			value = value[:117] + "..."
		}
	}
	s.d.add(path, s.field(key), value, unit, message, next)
}

func (d *document) add(path, field, value, unit, message, next string) {
	d.problems = append(d.problems, Problem{File: d.file, Line: d.line(path), Field: field, Value: value, Unit: unit, Message: message, Next: next})
}

// text reads a string; absent, it is def.
func (s *section) text(key, def string) string {
	v, ok := s.take(key)
	if !ok {
		return def
	}
	t, ok := v.(string)
	if !ok {
		s.problem(key, "is not a text", fmt.Sprintf("write %s = \"...\"", key))
		return def
	}
	if len(t) > 512 {
		s.problem(key, fmt.Sprintf("has %d bytes, more than 512", len(t)), "shorten it")
		return def
	}
	return t
}

// needText reads a string that must be there and not empty.
func (s *section) needText(key, why string) string {
	if !s.has(key) {
		s.problem(key, "is missing", fmt.Sprintf("add %s = \"...\": %s", key, why))
		return ""
	}
	n := len(s.d.problems)
	t := s.text(key, "")
	if strings.TrimSpace(t) == "" && len(s.d.problems) == n {
		s.problem(key, "is empty", "give "+why)
	}
	return t
}

// choice reads one word of those allowed; def "" means that it must be given.
func (s *section) choice(key, def string, allowed ...string) string {
	list := strings.Join(allowed, ", ")
	if !s.has(key) {
		if def == "" {
			s.problem(key, "is missing", fmt.Sprintf("add %s = one of %s", key, list))
		}
		return def
	}
	t, isText := s.keys[key].(string)
	if isText {
		for _, a := range allowed {
			if t == a {
				return t
			}
		}
	}
	s.problem(key, "is not one of "+list, "choose one of them")
	return def
}

// real reads a number between lo and hi; absent, it is def.
func (s *section) real(key string, def, lo, hi float64) float64 {
	v, ok := s.take(key)
	if !ok {
		return def
	}
	x, ok := number(v)
	switch {
	case !ok:
		s.problem(key, "is not a finite number", fmt.Sprintf("write a number from %s to %s", show(lo), show(hi)))
		return def
	case x < lo || x > hi:
		s.problem(key, fmt.Sprintf("is outside %s to %s", show(lo), show(hi)), "give a value in that range")
		return def
	}
	return x
}

// needReal reads a number that must be there; with a problem it is 0.
func (s *section) needReal(key string, lo, hi float64, why string) float64 {
	if !s.has(key) {
		s.problem(key, "is missing", fmt.Sprintf("add %s = ...: %s", key, why))
		return 0
	}
	return s.real(key, 0, lo, hi)
}

// whole reads an integer between lo and hi; absent, it is def.
func (s *section) whole(key string, def, lo, hi int64) int64 {
	v, ok := s.take(key)
	if !ok {
		return def
	}
	x, ok := v.(int64)
	switch {
	case !ok:
		s.problem(key, "is not a whole number", fmt.Sprintf("write a whole number from %d to %d", lo, hi))
		return def
	case x < lo || x > hi:
		s.problem(key, fmt.Sprintf("is outside %d to %d", lo, hi), "give a value in that range")
		return def
	}
	return x
}

// needWhole reads an integer that must be there; with a problem it is 0.
func (s *section) needWhole(key string, lo, hi int64, why string) int64 {
	if !s.has(key) {
		s.problem(key, "is missing", fmt.Sprintf("add %s = ...: %s", key, why))
		return 0
	}
	return s.whole(key, 0, lo, hi)
}

// yes reads a truth value; absent, it is false.
func (s *section) yes(key string) bool {
	v, ok := s.take(key)
	if !ok {
		return false
	}
	b, ok := v.(bool)
	if !ok {
		s.problem(key, "is not true or false", "write "+key+" = true or "+key+" = false")
	}
	return b
}

// texts reads a list of strings.
func (s *section) texts(key string) []string {
	v, ok := s.take(key)
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	var out []string
	for _, e := range list {
		t, isText := e.(string)
		ok = ok && isText
		out = append(out, t)
	}
	if !ok || len(out) > maxItems {
		s.problem(key, "is not a list of texts", fmt.Sprintf("write %s = [\"...\", \"...\"]", key))
		return nil
	}
	return out
}

// pair reads a list of two rising numbers.
func (s *section) pair(key string) (lo, hi float64, ok bool) {
	v, has := s.take(key)
	if !has {
		return 0, 0, false
	}
	list, _ := v.([]any)
	if len(list) == 2 {
		a, aok := number(list[0])
		b, bok := number(list[1])
		if aok && bok && a < b {
			return a, b, true
		}
	}
	s.problemIn(key, unitOf(key), "is not a list of two rising numbers", fmt.Sprintf("write %s = [low, high]", key))
	return 0, 0, false
}

// reals reads a list of finite numbers.
func (s *section) reals(key string) []float64 {
	v, ok := s.take(key)
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	var out []float64
	for _, e := range list {
		x, finite := number(e)
		ok = ok && finite
		out = append(out, x)
	}
	if !ok || len(out) > maxItems {
		s.problemIn(key, unitOf(key), "is not a list of finite numbers", "write "+key+" = [0.0, 1.0]")
		return nil
	}
	return out
}

// unitOf is the unit that a key ends with, "" for none.
func unitOf(key string) string {
	if i := strings.LastIndexByte(key, '_'); i >= 0 && anyUnit(key[i+1:]) {
		return key[i+1:]
	}
	return ""
}

// date reads a date as YYYY-MM-DD, bare or in quotes.
func (s *section) date(key string) string {
	v, ok := s.take(key)
	if !ok {
		return ""
	}
	switch x := v.(type) {
	case toml.LocalDate:
		return x.String()
	case string:
		var d toml.LocalDate
		if d.UnmarshalText([]byte(x)) == nil {
			return d.String()
		}
	}
	s.problem(key, "is not a date", "write "+key+" = 2027-01-31 (year-month-day)")
	return ""
}

// number takes a TOML integer or float that is finite.
func number(v any) (float64, bool) {
	switch x := v.(type) {
	case int64:
		return float64(x), true
	case float64:
		return x, !math.IsNaN(x) && !math.IsInf(x, 0)
	}
	return 0, false
}

// unitKey finds the key STEM_UNIT of quantity q, or the bare STEM for a
// quantity without a unit. A pressure key that says neither gauge nor absolute
// where it must, and two keys of one stem, are problems.
func (s *section) unitKey(stem string, q daq.Quantity, difference bool) (string, unit, bool) {
	us := points(q)
	if difference {
		us = differences(q)
	}
	if len(us) == 0 {
		return stem, unit{quantity: q, factor: 1}, s.has(stem)
	}
	var found []string
	var which unit
	for _, u := range us {
		if key := stem + "_" + u.name; s.has(key) {
			found, which = append(found, key), u
		}
	}
	sort.Strings(found)
	switch {
	case len(found) == 1:
		return found[0], which, true
	case len(found) > 1:
		s.problem(found[1], "says again what "+found[0]+" says", "keep one of the two")
		return found[0], which, false
	}
	s.rejectUnit(stem, q, difference)
	return stem + "_" + exampleUnit(q, "", difference), unit{}, false
}

// rejectUnit reports a key of that stem whose unit can't be meant.
func (s *section) rejectUnit(stem string, q daq.Quantity, difference bool) {
	for key := range s.keys {
		name, ok := strings.CutPrefix(key, stem+"_")
		if !ok || s.asked[key] {
			continue
		}
		switch {
		case q == daq.Pressure && !difference && bare(name):
			s.asked[key] = true
			s.problemIn(key, name, "says neither gauge nor absolute", fmt.Sprintf("write %sg (gauge) or %sa (absolute)", key, key))
		case anyUnit(name):
			s.asked[key] = true
			s.problemIn(key, name, fmt.Sprintf("%s is no unit of a %s here", name, q), fmt.Sprintf("use one of %s", names(q, difference)))
		}
	}
}

// anyUnit tells whether name is a unit of any quantity.
func anyUnit(name string) bool {
	if bare(name) || bare(strings.TrimRight(name, "ga")) {
		return true
	}
	_, ok := find(otherUnits, name)
	return ok
}

// value reads STEM_UNIT as a value of q in SI (Pa, °C, ...).
func (s *section) value(stem string, q daq.Quantity) (float64, unit, bool) {
	key, u, ok := s.unitKey(stem, q, false)
	if !ok {
		return 0, u, false
	}
	return s.scaled(key, u)
}

// difference reads STEM_UNIT as a width or difference of q in SI; it may not be
// negative.
func (s *section) difference(stem string, q daq.Quantity) (float64, bool) {
	key, u, ok := s.unitKey(stem, q, true)
	if !ok {
		return 0, false
	}
	x, _, ok := s.scaled(key, u)
	if ok && x < 0 {
		s.problemIn(key, u.name, "is negative", "give a width of 0 or more")
		return 0, false
	}
	return x, ok
}

func (s *section) scaled(key string, u unit) (float64, unit, bool) {
	x, ok := number(s.keys[key])
	if !ok {
		s.problemIn(key, u.name, "is not a finite number", "write a number such as "+key+" = 1.0")
		return 0, u, false
	}
	return x*u.factor + u.offset, u, true
}

// interval reads STEM_UNIT = [low, high] of q in SI.
func (s *section) interval(stem string, q daq.Quantity) (lo, hi float64, u unit, ok bool) {
	key, u, ok := s.unitKey(stem, q, false)
	if !ok {
		return 0, 0, u, false
	}
	lo, hi, ok = s.pair(key)
	return lo*u.factor + u.offset, hi*u.factor + u.offset, u, ok
}

// nearest returns the known key closest to k, or "" when none is close.
func nearest(k string, known map[string]bool) string {
	if len(k) > 64 {
		return ""
	}
	list := make([]string, 0, len(known))
	for c := range known {
		list = append(list, c)
	}
	sort.Strings(list)
	best, at := "", 2+len(k)/3
	for _, c := range list {
		if n := distance(k, c); n < at {
			best, at = c, n
		}
	}
	return best
}

// distance is the number of single-letter edits between two keys.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		corner := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			up := row[j]
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(row[j]+1, row[j-1]+1, corner+cost)
			corner = up
		}
	}
	return row[len(b)]
}
