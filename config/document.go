package config

import (
	"errors"
	"fmt"
	"sort"
	"strconv"
	"strings"

	toml "github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// maxBytes bounds a description; a larger file is not one.
const maxBytes = 1 << 20

// maxItems bounds every list of a description.
const maxItems = 1024

// maxDepth bounds a dotted key; deeper ones are unknown keys anyway.
const maxDepth = 8

// A document is a parsed TOML file: its values, the line and the text of each
// key, and the problems found so far.
type document struct {
	file     string
	root     map[string]any
	lines    map[string]int    // path -> line
	text     map[string]string // path -> value as written
	problems Problems
	closed   []stray
	ends     []int             // offsets of the line ends
	known    map[string]string // key -> the table it belongs to, without indices
}

// line is the line of a path, or of the nearest table above it that has one.
func (d *document) line(path string) int {
	for path != "" {
		if n := d.lines[path]; n > 0 {
			return n
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return 0
}

// written finds the key of that stem, STEM or STEM_UNIT, in the table at path,
// and its value as written; without one the stem itself.
func (d *document) written(path string, stems ...string) (key, value string) {
	for _, stem := range stems {
		at := join(path, stem)
		for p := range d.lines {
			rest, ok := strings.CutPrefix(p, at)
			if ok && (rest == "" || rest[0] == '_' && unitOf(rest) == rest[1:]) {
				return stem + rest, d.text[p]
			}
		}
	}
	return stems[0], ""
}

// readDocument parses data. With a syntax error the document holds that one
// problem and nothing else: what follows the error can't be judged.
func readDocument(file string, data []byte) *document {
	d := &document{file: file, lines: map[string]int{}, text: map[string]string{}, known: map[string]string{}}
	if len(data) > maxBytes {
		d.problems = Problems{{File: file, Message: fmt.Sprintf("%d bytes is more than the %d a description may have", len(data), maxBytes),
			Next: "check that this is the right file"}}
		return d
	}
	if err := toml.Unmarshal(data, &d.root); err != nil {
		d.problems = Problems{syntaxProblem(file, err)}
		return d
	}
	d.index(data)
	return d
}

func syntaxProblem(file string, err error) Problem {
	p := Problem{File: file, Message: strings.TrimPrefix(err.Error(), "toml: "), Next: "mend the TOML syntax here; the rest is judged after that"}
	var de *toml.DecodeError
	if errors.As(err, &de) {
		p.Line, _ = de.Position()
	}
	return p
}

// index walks the syntax tree for the lines of the keys, which the decoded
// values don't carry.
func (d *document) index(data []byte) {
	d.ends = d.ends[:0]
	for i, c := range data {
		if c == '\n' {
			d.ends = append(d.ends, i)
		}
	}
	var p unstable.Parser
	p.Reset(data)
	counts := map[string]int{}
	prefix := ""
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			prefix = d.header(e, counts)
		case unstable.KeyValue:
			d.keyValue(&p, e, prefix)
		}
	}
}

// header notes a table's line and returns its path; counts holds how many
// elements each array of tables has so far.
func (d *document) header(e *unstable.Node, counts map[string]int) string {
	path, line, depth := "", 0, 0
	for it := e.Key(); it.Next() && depth < maxDepth; depth++ {
		n := it.Node()
		path = join(path, string(n.Data))
		line = d.lineAt(n.Raw)
		if it.IsLast() && e.Kind == unstable.ArrayTable {
			counts[path]++
		}
		if c := counts[path]; c > 0 {
			path = element(path, c-1)
		}
	}
	d.lines[path] = line
	return path
}

func (d *document) keyValue(p *unstable.Parser, e *unstable.Node, prefix string) {
	path, line, depth := prefix, 0, 0
	for it := e.Key(); it.Next() && depth < maxDepth; depth++ {
		path = join(path, string(it.Node().Data))
		line = d.lineAt(it.Node().Raw)
		if _, known := d.lines[path]; !known {
			d.lines[path] = line
		}
	}
	d.value(p, e.Value(), path, line)
}

func (d *document) value(p *unstable.Parser, v *unstable.Node, path string, line int) {
	if v.Raw.Length > 0 {
		line = d.lineAt(v.Raw)
		d.text[path] = string(p.Raw(v.Raw))
	}
	d.lines[path] = line
	switch v.Kind {
	case unstable.Array:
		i := 0
		for it := v.Children(); it.Next(); {
			if it.Node().Kind != unstable.Comment {
				d.value(p, it.Node(), element(path, i), line)
				i++
			}
		}
	case unstable.InlineTable:
		for it := v.Children(); it.Next(); {
			if it.Node().Kind == unstable.KeyValue {
				d.keyValue(p, it.Node(), path)
			}
		}
	}
}

// lineAt is the line of a stretch of the file, from 1.
func (d *document) lineAt(r unstable.Range) int {
	return 1 + sort.SearchInts(d.ends, int(r.Offset))
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func element(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// show prints a decoded value for a message.
func show(v any) string {
	switch x := v.(type) {
	case nil:
		return ""
	case string:
		return strconv.Quote(x)
	case float64:
		return strconv.FormatFloat(x, 'g', 9, 64) // 9 digits hide the rounding of unit conversions
	case []any:
		parts := make([]string, len(x))
		for i, e := range x {
			parts[i] = show(e)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case map[string]any:
		return "{...}"
	}
	return fmt.Sprint(v)
}
