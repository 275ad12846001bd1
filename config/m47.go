package config

import _ "embed"

//go:embed case.toml
var exampleCase []byte

// ExampleCase is a commented case of a venting estimate: the demo's own can,
// with invented figures.
func ExampleCase() []byte { return append([]byte{}, exampleCase...) }
