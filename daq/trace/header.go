package trace

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strings"
	"unicode/utf8"

	"ventward/daq"
)

// digital are the 0/1 inputs: whole names, without a unit.
var digital = []daq.Role{daq.RoleDumpValve, daq.RoleSupplyValve, daq.RoleShield, daq.RoleEStop, daq.RoleCID, daq.RoleTrigger}

// analogue are the roles of other columns and the quantity each must measure.
var analogue = map[daq.Role]daq.Quantity{
	daq.RoleSpecimen: daq.Pressure, daq.RoleSupply: daq.Pressure, daq.RoleBarometer: daq.Pressure,
	daq.RoleSkin: daq.Temperature, daq.RoleGas: daq.Temperature, daq.RoleRoom: daq.Temperature, daq.RoleJunction: daq.Temperature,
	daq.RoleCell: daq.Voltage,
}

var (
	specimenName = regexp.MustCompile(`^p[0-9]*$`)
	coupleName   = regexp.MustCompile(`^tc([0-9]{1,4})$`)
)

// roleNames lists what may stand in a map, for messages.
func roleNames() string {
	s := []string{"p1", "p2", "none"}
	for r := range analogue {
		s = append(s, string(r))
	}
	for _, r := range digital {
		s = append(s, string(r))
	}
	sort.Strings(s)
	return strings.Join(s, " ")
}

// header reads the header row and returns the trace's columns without values,
// and their units.
func (r *reader) header(line []byte) error {
	line = bytes.TrimPrefix(line, []byte("\xef\xbb\xbf"))
	if bytes.IndexByte(line, 0) >= 0 || !utf8.Valid(line) {
		return r.fail("", "", "is not UTF-8 text", "give a CSV file; a spreadsheet can save its table as one")
	}
	if bytes.IndexByte(line, '\r') >= 0 {
		return r.fail("", "", "there is a carriage return within the line", "end lines by a line feed, or by a carriage return and a line feed")
	}
	names := strings.Split(string(line), ",")
	for i := range names {
		names[i] = unquote(strings.TrimSpace(names[i]))
	}
	if len(names) > maxColumns {
		return r.fail("", fmt.Sprint(len(names)), "columns are more than this program reads", fmt.Sprintf("give at most %d", maxColumns))
	}
	if names[0] != "t_s" {
		next := "name the first column t_s and give times in seconds"
		if strings.Contains(names[0], ";") || strings.Contains(names[0], "\t") {
			next = "separate columns by commas, decimals by points, and " + next
		}
		return r.fail("", names[0], "is no column of times", next)
	}
	if len(names) == 1 {
		return r.fail("t_s", "", "there are no columns beside the times", "add columns such as p1_barg")
	}
	for i, h := range names[1:] {
		if err := r.column(i, h); err != nil {
			return err
		}
	}
	if err := r.mapRoles(); err != nil {
		return err
	}
	r.thermocouples()
	return r.finish()
}

func unquote(s string) string {
	if len(s) >= 2 && s[0] == '"' && s[len(s)-1] == '"' {
		return s[1 : len(s)-1]
	}
	return s
}

// column takes the name of column i (0 = the first after t_s).
func (r *reader) column(i int, h string) error {
	c := Column{Header: h, Name: h, Quantity: daq.Number}
	u := plain
	if slices.Contains(digital, daq.Role(h)) {
		c.Role, c.Quantity = daq.Role(h), daq.Digital
	} else if cut := strings.LastIndexByte(h, '_'); cut >= 0 {
		var ok bool
		c.Name, c.Unit = h[:cut], h[cut+1:]
		if u, ok = findUnit(c.Unit); !ok {
			return r.fail(h, c.Unit, "is no unit this program knows", "use one of "+unitList+", or a name without underscore for a plain number")
		}
		c.Quantity, c.Reference = u.quantity, u.reference
		c.Role = roleByName(c.Name, c.Quantity)
	}
	if c.Name == "" {
		return r.fail(fmt.Sprintf("column %d", i+2), h, "a column has no name", "name every column, for example p1_barg")
	}
	for _, o := range r.trace.Columns {
		if o.Name == c.Name {
			return r.fail(h, o.Header, "the column "+c.Name+" is there twice", "give every column a name of its own")
		}
	}
	r.trace.Columns = append(r.trace.Columns, c)
	r.units = append(r.units, u)
	return nil
}

// byPosition is what RoleOf says of tc1, tc2...: their roles depend on the
// other columns.
const byPosition daq.Role = "tc"

// RoleOf is the role that Read gives to a column of that name and quantity
// unless Options.Map says otherwise; of a thermocouple that is named by its
// number it is none of the roles.
func RoleOf(name string, q daq.Quantity) daq.Role {
	if q == daq.Digital && slices.Contains(digital, daq.Role(name)) {
		return daq.Role(name)
	}
	if q == daq.Temperature && coupleName.MatchString(name) {
		return byPosition
	}
	return roleByName(name, q)
}

// roleByName tells a column's role; none where the unit does not fit it: p1_V
// is a transducer's voltage, not a pressure.
func roleByName(name string, q daq.Quantity) daq.Role {
	role := daq.Role(name)
	if specimenName.MatchString(name) {
		role = daq.RoleSpecimen
	}
	if want, ok := analogue[role]; ok && want == q {
		return role
	}
	return daq.RoleNone
}

// mapRoles applies Options.Map, in the order of the columns.
func (r *reader) mapRoles() error {
	used := 0
	for i := range r.trace.Columns {
		c := &r.trace.Columns[i]
		role, ok := r.o.Map[c.Header]
		if !ok {
			role, ok = r.o.Map[c.Name]
		}
		if !ok {
			continue
		}
		used++
		if err := r.mapRole(c, role); err != nil {
			return err
		}
	}
	if used == len(r.o.Map) {
		return nil
	}
	for _, name := range sortedKeys(r.o.Map) {
		if !slices.ContainsFunc(r.trace.Columns, func(c Column) bool { return c.Header == name || c.Name == name }) {
			return r.fail(name, r.o.Map[name], "--map names a column that is not there", "use one of "+r.headers())
		}
	}
	return r.fail("", "", "--map names a column twice", "name each column once, by its header or by its name without unit")
}

func (r *reader) mapRole(c *Column, name string) error {
	role := daq.Role(name)
	if specimenName.MatchString(name) {
		role = daq.RoleSpecimen
	}
	if name == "" || name == "none" {
		c.Role = daq.RoleNone
		if c.Quantity == daq.Digital {
			c.Quantity = daq.Number
		}
		return nil
	}
	if slices.Contains(digital, role) {
		if c.Unit != "" {
			return r.fail(c.Header, name, "a 0/1 input has no unit, the column has "+c.Unit, "map a column of plain numbers 0 and 1")
		}
		c.Role, c.Quantity = role, daq.Digital
		return nil
	}
	want, ok := analogue[role]
	switch {
	case !ok:
		return r.fail(c.Header, name, "--map gives a role this program does not know", "use one of "+roleNames())
	case want != c.Quantity:
		return r.fail(c.Header, name, fmt.Sprintf("the role is a %s, the column a %s", want, c.Quantity), "map a column whose unit fits the role")
	}
	c.Role = role
	return nil
}

// thermocouples gives tc1, tc2... their roles by number: the first is the skin,
// the second the gas, unless a column is named so.
func (r *reader) thermocouples() {
	var tcs []*Column
	have := map[daq.Role]bool{}
	for i := range r.trace.Columns {
		c := &r.trace.Columns[i]
		have[c.Role] = true
		_, mapped := r.o.Map[c.Header]
		_, mappedName := r.o.Map[c.Name]
		if !mapped && !mappedName && c.Quantity == daq.Temperature && coupleName.MatchString(c.Name) {
			tcs = append(tcs, c)
		}
	}
	sort.SliceStable(tcs, func(i, j int) bool { return tcNumber(tcs[i].Name) < tcNumber(tcs[j].Name) })
	for i, role := range [...]daq.Role{daq.RoleSkin, daq.RoleGas} {
		if i < len(tcs) && !have[role] {
			tcs[i].Role = role
		}
	}
}

func tcNumber(name string) int {
	n := 0
	for _, c := range name[2:] {
		n = n*10 + int(c-'0')
	}
	return n
}

// finish gives bare pressures their reference, refuses a role taken twice and
// lists what is ignored.
func (r *reader) finish() error {
	taken := map[daq.Role]string{}
	for i := range r.trace.Columns {
		c := &r.trace.Columns[i]
		if err := r.reference(c); err != nil {
			return err
		}
		if c.Role == daq.RoleNone {
			r.trace.Ignored = append(r.trace.Ignored, c.Header)
			continue
		}
		if other, ok := taken[c.Role]; ok && c.Role != daq.RoleSpecimen {
			return r.fail(c.Header, string(c.Role), "the column "+other+" has this role already", "give the role to one column, by name or by --map")
		}
		taken[c.Role] = c.Header
	}
	return nil
}

func (r *reader) reference(c *Column) error {
	if c.Quantity != daq.Pressure || c.Reference != "" {
		return nil
	}
	switch {
	case r.o.Reference == "":
		return r.fail(c.Header, c.Unit, "does not say whether the pressure is gauge or absolute",
			fmt.Sprintf("name it %s_%sg or %s_%sa, or give --reference gauge or --reference absolute", c.Name, c.Unit, c.Name, c.Unit))
	case r.o.Reference != daq.Gauge && r.o.Reference != daq.Absolute:
		return r.fail("--reference", string(r.o.Reference), "is no reference of pressure", "use gauge or absolute")
	case c.Role == daq.RoleBarometer && r.o.Reference == daq.Gauge:
		return r.fail(c.Header, c.Unit, "a barometer reads absolute, and --reference gauge would make it a gauge",
			fmt.Sprintf("name it %s_%sa, or %s_%sg if it is a back-pressure from ambient", c.Name, c.Unit, c.Name, c.Unit))
	}
	c.Reference = r.o.Reference
	return nil
}

func (r *reader) headers() string {
	s := make([]string, len(r.trace.Columns))
	for i, c := range r.trace.Columns {
		s[i] = c.Header
	}
	return strings.Join(s, " ")
}

func sortedKeys(m map[string]string) []string {
	s := make([]string, 0, len(m))
	for k := range m {
		s = append(s, k)
	}
	sort.Strings(s)
	return s
}
