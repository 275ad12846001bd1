package config

import _ "embed"

//go:embed oven3.toml
var runawayExample []byte

// ExampleRunaway returns the commented description of the example runaway rig
// "Oven 3", which the demo runs.
func ExampleRunaway() []byte { return append([]byte(nil), runawayExample...) }
