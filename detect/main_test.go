package detect

import (
	"flag"
	"fmt"
	"os"
	"testing"
)

var (
	goalSeed = flag.Uint64("goalseed", 1, "seed of the Monte Carlo benchmarks")
	loud     = flag.Bool("loud", false, "print every trace that misses its goal")
)

func verbose(f string, a ...any) {
	if *loud {
		fmt.Printf(f, a...)
	}
}

func TestMain(m *testing.M) {
	flag.Parse()
	fmt.Fprintf(os.Stderr, "seed %d\n", *goalSeed)
	os.Exit(m.Run())
}
