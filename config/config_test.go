package config_test

import (
	"testing"

	"ventward/config"
)

func TestExample(t *testing.T) {
	b, err := config.Parse("kiln2.toml", config.Example())
	if err != nil {
		t.Fatalf("the example bench has problems:\n%v", err)
	}
	if w := b.Warnings("2026-11-25"); len(w) > 0 {
		t.Errorf("the example bench has warnings:\n%v", w)
	}
}
