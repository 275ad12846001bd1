package sim

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
	"sync"
)

//go:embed its90.txt
var its90 string

// emfTable is a published table of one type of thermocouple.
type emfTable struct {
	first int       // °C of the first value
	mV    []float64 // one a degree
}

// tables parses the embedded tables once.
var tables = sync.OnceValues(func() (map[string]emfTable, error) {
	out := map[string]emfTable{}
	for n, l := range strings.Split(its90, "\n") {
		f := strings.Fields(l)
		if len(f) == 0 || f[0][0] == '#' {
			continue
		}
		var t emfTable
		uV := 0
		for i, s := range f[1:] {
			v, err := strconv.Atoi(s)
			if err != nil {
				return nil, fmt.Errorf("its90.txt:%d: %w", n+1, err)
			}
			if i == 0 {
				t.first = v
				continue
			}
			uV += v
			t.mV = append(t.mV, float64(uV)/1000)
		}
		out[f[0]] = t
	}
	return out, nil
})

// thermocouple finds the table of a type.
func thermocouple(letter string) (emfTable, error) {
	all, err := tables()
	if err != nil {
		return emfTable{}, err
	}
	t, ok := all[letter]
	if !ok {
		return t, fmt.Errorf("thermocouple type %q is unknown: use one of B E J K N R S T", letter)
	}
	return t, nil
}

// emf interpolates the table in a straight line; beyond its ends it goes on
// with the last step. °C to mV.
func (t emfTable) emf(c float64) float64 {
	x := c - float64(t.first)
	i := max(0, min(int(x), len(t.mV)-2))
	return t.mV[i] + (x-float64(i))*(t.mV[i+1]-t.mV[i])
}
