package config

import (
	"path/filepath"

	"ventward/daq"
	"ventward/detect"
)

// Features reads the features of a specimen from the file at path:
//
//	[[feature]]            # in the expected order of opening
//	name = "top vent"      # top vent | bottom vent | housing
//	low_barg = 17.0        # low or high may be absent
//	high_barg = 22.0
func Features(path string) ([]detect.Feature, error) {
	data, err := readFile("features", path)
	if err != nil {
		return nil, err
	}
	return ParseFeatures(filepath.Base(path), data)
}

// ParseFeatures reads the content of a features file; name is for messages.
func ParseFeatures(name string, data []byte) ([]detect.Feature, error) {
	d := readDocument(name, data)
	if len(d.problems) > 0 {
		return nil, d.problems
	}
	s := d.section()
	fs := features(s)
	s.close()
	d.unknown()
	if len(fs) == 0 && len(d.problems) == 0 {
		s.problem("feature", "is missing", "add a [[feature]] with name, low_barg and high_barg")
	}
	if len(d.problems) > 0 {
		return nil, d.problems.sorted()
	}
	return fs, nil
}

// features reads the list [[feature]] of a file.
func features(root *section) []detect.Feature {
	var out []detect.Feature
	seen := map[string]bool{}
	for _, s := range root.tables("feature") {
		f := detect.Feature{Name: s.choice("name", "", "top vent", "bottom vent", "housing")}
		if f.Name != "" && seen[f.Name] {
			s.problem("name", "stands in an earlier feature too", "give each feature once")
		}
		seen[f.Name] = true
		f.LowPa = featureLimit(s, "low")
		f.HighPa = featureLimit(s, "high")
		if f.LowPa != nil && f.HighPa != nil && *f.LowPa >= *f.HighPa {
			s.problem("", "its low is not below its high", "exchange or mend the two")
		}
		s.close()
		out = append(out, f)
	}
	return out
}

func featureLimit(s *section, stem string) *float64 {
	pa, u, ok := s.value(stem, daq.Pressure)
	if !ok {
		return nil
	}
	key := stem + "_" + u.name
	switch {
	case u.reference != daq.Gauge:
		s.problemIn(key, u.name, "a feature's range is a gauge pressure", "write "+stem+"_barg")
		return nil
	case pa <= 0:
		s.problemIn(key, u.name, "is not positive", "give the nominal limit, or leave it out")
		return nil
	}
	return &pa
}
