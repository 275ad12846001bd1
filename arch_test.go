// Package ventward_test polices the house: which package may import which, which
// of them are pure, which outside library has which one importer, and a few
// rules of form. The tables are data; a change to them is a design decision
// that its commit explains.
package ventward_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
)

// module is the path that our own imports begin with.
const module = "ventward/"

// house is the import table: a package of the project and what of the project
// it may import. A package that isn't here may not exist. "*" stands for all
// but cmd.
var house = map[string][]string{
	"daq":           {"daq/calib"},
	"daq/port":      {},
	"daq/wire":      {"daq"},
	"daq/calib":     {},
	"daq/trace":     {"daq"},
	"detect":        {"daq"},
	"record":        {"daq", "record/sheet"},
	"record/sheet":  {},
	"guard":         {"daq", "detect", "record"},
	"analysis":      {"daq", "detect", "analysis/flow"},
	"analysis/flow": {},
	"analysis/lot":  {"record", "record/sheet"},
	"store":         {"daq", "detect", "guard", "record", "record/sheet"},
	"stream":        {"daq", "detect", "guard"},
	"stream/influx": {"daq", "detect", "guard"},
	"report":        {"daq", "daq/calib", "daq/wire", "daq/trace", "detect", "record", "guard", "analysis", "analysis/flow", "analysis/lot"},
	"dashboard":     {"report", "stream", "daq", "daq/calib", "daq/wire", "daq/trace", "detect", "record", "record/sheet", "guard", "analysis", "analysis/flow", "analysis/lot"},
	"sim":           {"daq", "daq/wire"},
	"config":        {"daq", "daq/calib", "daq/wire", "detect", "guard", "analysis", "analysis/flow"}, // analysis: for the case of estimate venting
	"cmd/ventward":  {"*"},
	"cmd/score":     {"*"},
	"cmd/foreign":   {}, // a second opinion shares nothing
	// The server of the page's browser tests.
	"dashboard/web/e2e/server": {"dashboard", "stream", "daq", "detect", "guard"},
}

// namesOnly lists imports beyond the table of which only some names may be used:
// the option struct that travels in every channel, but none of the formulas. A
// simulator that shared those would prove nothing.
var namesOnly = map[string]map[string][]string{
	"sim":       {"daq/calib": {"Curve"}},
	"daq/trace": {"daq/calib": {"Curve", "Linear"}},
}

// pure lists the packages without goroutine, lock, wall clock, file, logger or
// random number.
var pure = []string{"daq", "daq/wire", "daq/calib", "daq/trace", "detect", "record", "record/sheet", "guard", "analysis", "analysis/flow", "analysis/lot"}

// impure lists the standard packages that a pure package does without.
var impure = []string{"context", "log", "log/slog", "math/rand", "math/rand/v2", "crypto/rand", "net", "net/http", "os", "os/exec", "os/signal",
	"sync", "sync/atomic", "syscall", "runtime", "io/ioutil", "database/sql", "testing/synctest"}

// clocks lists the functions of package time that read or wait for a clock.
var clocks = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer"}

// libraries lists the outside libraries and who may import them. The logger is
// made in cmd and handed to those that own goroutines.
var libraries = map[string][]string{
	"go.bug.st/serial":                    {"daq/port"},
	"github.com/influxdata":               {"stream/influx"},
	"github.com/gorilla/websocket":        {"dashboard"},
	"modernc.org":                         {"store"},
	"github.com/klauspost/compress":       {"store"},
	"github.com/parquet-go":               {"store"},
	"github.com/creack/pty":               {"sim"},
	"golang.org/x/sys":                    {"daq/port", "sim", "store", "cmd/ventward"},
	"github.com/pelletier/go-toml":        {"config", "sim"},
	"github.com/spf13/cobra":              {"cmd/ventward"},
	"github.com/rs/zerolog":               {"cmd/ventward", "daq/port", "store", "stream/influx", "dashboard", "sim", "dashboard/web/e2e/server"},
	"gonum.org/v1/gonum":                  {"analysis", "detect", "analysis/flow", "analysis/lot", "report", "cmd/score"},
	"gonum.org/v1/plot":                   {"report"},
	"codeberg.org/go-pdf/fpdf":            {"report"},
	"github.com/go-fonts/liberation":      {"report"},
	"github.com/prometheus/client_golang": {"dashboard"},
	"pgregory.net/rapid":                  {}, // tests only
	"github.com/google/go-cmp":            {}, // tests only
	"github.com/rogpeppe/go-internal":     {}, // tests only
}

// Bounds of form.
const (
	longestFunc = 80      // lines
	largestFile = 1 << 20 // bytes
)

// outside lists the folders that are no part of the house: what is built or
// fetched.
var outside = []string{".git", ".cache", "bin", "data", "node_modules", "dist"}

// A source is one parsed file of Go.
type source struct {
	dir, file string // from the root, with slashes
	ast       *ast.File
	test      bool
}

var fset = token.NewFileSet()

// walk calls f with every file of the repository.
func walk(t *testing.T, f func(name string, size int64)) {
	t.Helper()
	err := fs.WalkDir(os.DirFS("."), ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && name != "." && slices.Contains(outside, d.Name()):
			return fs.SkipDir
		case d.IsDir() || !d.Type().IsRegular():
			return nil
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		f(name, info.Size())
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// sources parses every Go file of the house.
func sources(t *testing.T) []source {
	t.Helper()
	var out []source
	walk(t, func(name string, _ int64) {
		if !strings.HasSuffix(name, ".go") || strings.Contains(name, "testdata/") {
			return
		}
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		s, err := parse(name, text)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	})
	if len(out) < 20 {
		t.Fatalf("found only %d Go files: is this the root of the repository?", len(out))
	}
	return out
}

func parse(name string, text []byte) (source, error) {
	f, err := parser.ParseFile(fset, name, text, parser.ParseComments)
	return source{dir: path.Dir(name), file: name, ast: f, test: strings.HasSuffix(name, "_test.go")}, err
}

// A rule looks at one file and says what it finds: each finding with its place
// and what to do.
type rule func(s *source) []string

func (s *source) say(pos token.Pos, format string, args ...any) string {
	return fmt.Sprintf("%s:%d: %s", s.file, fset.Position(pos).Line, fmt.Sprintf(format, args...))
}

func TestHouse(t *testing.T) {
	files := sources(t)
	for _, r := range []struct {
		name  string
		judge rule
	}{
		{"imports", imports}, {"pure", purity}, {"panics", panics}, {"functions", functions}, {"tests", tests}, {"words", words},
	} {
		t.Run(r.name, func(t *testing.T) {
			for i := range files {
				for _, found := range r.judge(&files[i]) {
					t.Error(found)
				}
			}
		})
	}
	t.Run("comments", func(t *testing.T) {
		for _, found := range comments(files) {
			t.Error(found)
		}
	})
}

// imports judges a file by the tables.
func imports(s *source) []string {
	if s.test || s.dir == "." {
		return nil
	}
	allowed, known := house[s.dir]
	if !known {
		return []string{s.say(s.ast.Package, "package %s has no place in the table of arch_test.go; put the code where it belongs, or add the package there and say why", s.dir)}
	}
	var out []string
	for _, spec := range s.ast.Imports {
		name, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			continue
		}
		own, ours := strings.CutPrefix(name, module)
		switch {
		case name == "C":
			out = append(out, s.say(spec.Pos(), "cgo: the program is built without it"))
		case ours && namesOnly[s.dir][own] != nil:
			out = append(out, otherNames(s, own, namesOnly[s.dir][own])...)
		case ours && !mayImport(allowed, own):
			out = append(out, s.say(spec.Pos(), "%s may not import %s; declare here the small interface it needs, or move the code", s.dir, own))
		case !ours && strings.Contains(strings.Split(name, "/")[0], "."):
			if why := library(s.dir, name); why != "" {
				out = append(out, s.say(spec.Pos(), "%s", why))
			}
		}
	}
	return out
}

// otherNames finds uses of an imported package's names that are not allowed.
func otherNames(s *source, own string, allowed []string) []string {
	var out []string
	ast.Inspect(s.ast, func(n ast.Node) bool {
		x, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if p, ok := x.X.(*ast.Ident); ok && p.Name == path.Base(own) && p.Obj == nil && !slices.Contains(allowed, x.Sel.Name) {
			out = append(out, s.say(x.Pos(), "%s may use of %s only %s, not %s", s.dir, own, strings.Join(allowed, " "), x.Sel.Name))
		}
		return true
	})
	return out
}

func mayImport(allowed []string, own string) bool {
	if strings.HasPrefix(own, "cmd/") {
		return false
	}
	return slices.Contains(allowed, own) || slices.Contains(allowed, "*")
}

// library says why dir may not import an outside library, "" if it may. The
// longest entry of the table that fits holds.
func library(dir, name string) string {
	best := ""
	for lib := range libraries {
		if (name == lib || strings.HasPrefix(name, lib+"/")) && len(lib) > len(best) {
			best = lib
		}
	}
	switch {
	case best == "":
		return fmt.Sprintf("outside library %s has no importer in the table of arch_test.go", name)
	case !slices.Contains(libraries[best], dir):
		return fmt.Sprintf("%s may not import %s; its importers: %s", dir, name, strings.Join(libraries[best], ", "))
	}
	return ""
}

// purity looks for goroutines, locks, clocks, files, loggers and chance in the
// pure packages.
func purity(s *source) []string {
	if s.test || !slices.Contains(pure, s.dir) {
		return nil
	}
	var out []string
	for _, spec := range s.ast.Imports {
		if name, _ := strconv.Unquote(spec.Path.Value); slices.Contains(impure, name) {
			out = append(out, s.say(spec.Pos(), "%s is pure: no %s there; whoever owns a goroutine does that", s.dir, name))
		}
	}
	ast.Inspect(s.ast, func(n ast.Node) bool {
		switch x := n.(type) {
		case *ast.GoStmt:
			out = append(out, s.say(x.Pos(), "%s is pure: no goroutine there", s.dir))
		case *ast.ChanType:
			out = append(out, s.say(x.Pos(), "%s is pure: no channel there", s.dir))
		case *ast.SelectorExpr:
			if p, ok := x.X.(*ast.Ident); ok && p.Name == "time" && p.Obj == nil && slices.Contains(clocks, x.Sel.Name) {
				out = append(out, s.say(x.Pos(), "%s is pure: time is handed to it, no time.%s there", s.dir, x.Sel.Name))
			}
		}
		return true
	})
	return out
}

// panics allows a panic only to go on with one that was recovered.
func panics(s *source) []string {
	if s.test {
		return nil
	}
	var out []string
	for _, d := range s.ast.Decls {
		f, ok := d.(*ast.FuncDecl)
		if !ok || f.Body == nil || calls(f.Body, "recover") != token.NoPos {
			continue
		}
		if at := calls(f.Body, "panic"); at != token.NoPos {
			out = append(out, s.say(at, "a panic is no error: return one that says what, where and the next move"))
		}
	}
	return out
}

// calls finds the first call of a built-in function.
func calls(body *ast.BlockStmt, name string) token.Pos {
	at := token.NoPos
	ast.Inspect(body, func(n ast.Node) bool {
		if c, ok := n.(*ast.CallExpr); ok && at == token.NoPos {
			if id, ok := c.Fun.(*ast.Ident); ok && id.Name == name && id.Obj == nil {
				at = c.Pos()
			}
		}
		return true
	})
	return at
}

// functions looks for long ones.
func functions(s *source) []string {
	if s.test {
		return nil
	}
	var out []string
	for _, d := range s.ast.Decls {
		f, ok := d.(*ast.FuncDecl)
		if !ok {
			continue
		}
		if n := fset.Position(f.End()).Line - fset.Position(f.Pos()).Line + 1; n > longestFunc {
			out = append(out, s.say(f.Pos(), "%s has %d lines, more than %d: split it", f.Name.Name, n, longestFunc))
		}
	}
	return out
}

// tests looks for skipped tests.
func tests(s *source) []string {
	if !s.test {
		return nil
	}
	var out []string
	ast.Inspect(s.ast, func(n ast.Node) bool {
		if x, ok := n.(*ast.SelectorExpr); ok && slices.Contains([]string{"Skip", "Skipf", "SkipNow"}, x.Sel.Name) {
			if p, ok := x.X.(*ast.Ident); ok && slices.Contains([]string{"t", "b", "f", "tb"}, p.Name) {
				out = append(out, s.say(x.Pos(), "a skipped test proves nothing: let it fail and say what is missing"))
			}
		}
		return true
	})
	return out
}

// unfinished are words for work that was left.
var unfinished = regexp.MustCompile(`\b(TODO|FIXME|XXX|HACK)\b`)

// words looks for work that was left in comments.
func words(s *source) []string {
	if s.dir == "." {
		return nil
	}
	var out []string
	for _, g := range s.ast.Comments {
		for _, c := range g.List {
			if w := unfinished.FindString(c.Text); w != "" {
				out = append(out, s.say(c.Pos(), "%s: finish it or leave it out", w))
			}
		}
	}
	return out
}

// comments wants exactly one package comment a package, in doc.go or, of a
// command, in main.go.
func comments(files []source) []string {
	found := map[string][]string{}
	for _, s := range files {
		if s.test || s.dir == "." {
			continue
		}
		if _, ok := found[s.dir]; !ok {
			found[s.dir] = nil
		}
		if s.ast.Doc != nil {
			found[s.dir] = append(found[s.dir], s.file)
		}
	}
	var out []string
	for dir, at := range found {
		switch {
		case len(at) != 1:
			out = append(out, fmt.Sprintf("package %s has %d package comments %v, want one in doc.go", dir, len(at), at))
		case path.Base(at[0]) != "doc.go" && path.Base(at[0]) != "main.go":
			out = append(out, fmt.Sprintf("%s: move the package comment into doc.go", at[0]))
		}
	}
	sort.Strings(out)
	return out
}

// never are texts that no file of the repository may hold: paths of a
// machine, addresses of package registries, download addresses in lock files.
// They are put together here, so that this file doesn't hold them either.
var never = []*regexp.Regexp{
	regexp.MustCompile(`(^|[\s"'(=])/wor` + `k/`),
	regexp.MustCompile(`/tmp/bri` + `ef`),
	regexp.MustCompile(`proxy\.gol` + `ang\.org`),
	regexp.MustCompile(`registry\.npm` + `js`),
	regexp.MustCompile(`deb\.deb` + `ian\.org`),
	regexp.MustCompile(`"resol` + `ved":`),
}

// tracked lists the files that belong to the repository; nil where there is no
// git to ask, as in an unpacked archive: then every file counts.
func tracked() map[string]bool {
	list, err := exec.Command("git", "ls-files", "-z").Output()
	if err != nil {
		return nil
	}
	out := map[string]bool{}
	for _, name := range strings.Split(string(list), "\x00") {
		out[name] = true
	}
	return out
}

// TestFiles judges every tracked file: size, and texts that don't belong here.
func TestFiles(t *testing.T) {
	ours := tracked()
	n := 0
	walk(t, func(name string, size int64) {
		if ours != nil && !ours[name] {
			return
		}
		n++
		if size > largestFile {
			t.Errorf("%s has %d bytes, more than %d: make it when it is needed", name, size, largestFile)
			return
		}
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, found := range holds(string(text)) {
			t.Errorf("%s holds %s", name, found)
		}
	})
	if n < 50 {
		t.Fatalf("found only %d files: is this the root of the repository?", n)
	}
}

func holds(text string) []string {
	var out []string
	for _, r := range never {
		if at := r.FindStringIndex(text); at != nil {
			out = append(out, fmt.Sprintf("%q on line %d", text[at[0]:at[1]], 1+strings.Count(text[:at[0]], "\n")))
		}
	}
	return out
}

// TestTables checks the tables themselves: every name in them is a package
// that the table knows, and the table has no ring.
func TestTables(t *testing.T) {
	for p, allowed := range house {
		for _, q := range allowed {
			if _, ok := house[q]; !ok && q != "*" {
				t.Errorf("the table lets %s import %s, which it doesn't know", p, q)
			}
			if reaches(q, p, 0) {
				t.Errorf("the table has a ring: %s and %s", p, q)
			}
		}
	}
	for _, p := range pure {
		if _, ok := house[p]; !ok {
			t.Errorf("%s is in no table", p)
		}
	}
	for lib, who := range libraries {
		for _, p := range who {
			if _, ok := house[p]; !ok {
				t.Errorf("%s may be imported by %s, which the table doesn't know", lib, p)
			}
		}
	}
}

func reaches(from, to string, depth int) bool {
	if from == to || depth > len(house) {
		return true
	}
	for _, q := range house[from] {
		if q != "*" && reaches(q, to, depth+1) {
			return true
		}
	}
	return false
}

// TestRulesCatch gives each rule what it is there to find, and what it must let
// pass.
func TestRulesCatch(t *testing.T) {
	for _, c := range []struct {
		name  string
		file  string
		text  string
		judge rule
		want  int
	}{
		{"allowed import", "detect/a.go", "package detect\nimport \"ventward/daq\"", imports, 0},
		{"simulator with calib's struct", "sim/a.go", "package sim\nimport \"ventward/daq/calib\"\nvar c calib.Curve", imports, 0},
		{"simulator with calib's formula", "sim/a.go", "package sim\nimport \"ventward/daq/calib\"\nvar l, _ = calib.Compile(calib.Curve{})", imports, 1},
		{"simulator with detect", "sim/a.go", "package sim\nimport \"ventward/detect\"", imports, 1},
		{"config outside cmd", "store/a.go", "package store\nimport \"ventward/config\"", imports, 1},
		{"config in cmd", "cmd/ventward/a.go", "package main\nimport \"ventward/config\"", imports, 0},
		{"somebody imports cmd", "cmd/score/a.go", "package main\nimport \"ventward/cmd/ventward\"", imports, 1},
		{"unknown package", "util/a.go", "package util", imports, 1},
		{"library, its importer", "daq/port/a.go", "package port\nimport \"go.bug.st/serial\"", imports, 0},
		{"library, another", "cmd/ventward/a.go", "package main\nimport \"go.bug.st/serial\"", imports, 1},
		{"library, unknown", "store/a.go", "package store\nimport \"example.org/x\"", imports, 1},
		{"library in a test", "guard/a_test.go", "package guard\nimport \"pgregory.net/rapid\"", imports, 0},
		{"test library in the program", "guard/a.go", "package guard\nimport \"pgregory.net/rapid\"", imports, 1},
		{"cgo", "store/a.go", "package store\nimport \"C\"", imports, 1},
		{"lock", "guard/a.go", "package guard\nimport \"sync\"", purity, 1},
		{"lock where it may be", "store/a.go", "package store\nimport \"sync\"", purity, 0},
		{"goroutine", "detect/a.go", "package detect\nfunc f() { go f() }", purity, 1},
		{"channel", "detect/a.go", "package detect\nfunc f(c chan int) {}", purity, 1},
		{"clock", "daq/wire/a.go", "package wire\nimport \"time\"\nvar a = time.Now", purity, 1},
		{"duration", "daq/wire/a.go", "package wire\nimport \"time\"\nconst a = time.Second", purity, 0},
		{"panic", "store/a.go", "package store\nfunc f() { panic(1) }", panics, 1},
		{"panic that goes on", "store/a.go", "package store\nfunc f() { defer func() { panic(recover()) }() }", panics, 0},
		{"long function", "store/a.go", "package store\nfunc f() {" + strings.Repeat("\n", 81) + "}", functions, 1},
		{"short function", "store/a.go", "package store\nfunc f() {" + strings.Repeat("\n", 70) + "}", functions, 0},
		{"skipped test", "store/a_test.go", "package store\nfunc f(t *T) { t.Skip() }", tests, 1},
		{"work left", "store/a.go", "package store\n// TO" + "DO later", words, 1},
	} {
		s, err := parse(c.file, []byte(c.text))
		if err != nil {
			t.Fatal(err)
		}
		if got := c.judge(&s); len(got) != c.want {
			t.Errorf("%s: %d findings %v, want %d", c.name, len(got), got, c.want)
		}
	}
	one, _ := parse("a/x.go", []byte("// Package a is.\npackage a"))
	two, _ := parse("a/doc.go", []byte("// Package a is.\npackage a"))
	bare, _ := parse("b/x.go", []byte("package b"))
	if got := comments([]source{one, two, bare}); len(got) != 2 {
		t.Errorf("package comments: %v", got)
	}
	if got := comments([]source{two}); len(got) != 0 {
		t.Errorf("package comments: %v", got)
	}
	for _, text := range []string{"see /wor" + "k/main/x", `  "resol` + `ved": "x"`, "https://registry.npm" + "js.org/a"} {
		if len(holds(text)) != 1 {
			t.Errorf("%q is not caught", text)
		}
	}
	if got := holds("homework/main, patch/work/x, framework resolved: yes"); len(got) != 0 {
		t.Errorf("caught without cause: %v", got)
	}
}
