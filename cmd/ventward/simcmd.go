package main

import (
	"fmt"
	"math"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"ventward/config"
	"ventward/detect"
	"ventward/sim"
)

func simCommand() *cobra.Command {
	var bench, world, links, speed, page string
	var seed uint64
	c := &cobra.Command{
		Use:   "sim --bench bench.toml",
		Short: "Play a simulated bench on pseudo-terminals",
		Long: `Plays the bench of a description: its instruments speak their protocols on
pseudo-terminals, its supply valve and watchdog relay obey what is written to
them. Reports and the terminals' names come as JSON lines on standard output;
commands are read as JSON lines from standard input ({"do":"load","specimen":"B-0410-01"},
ramp, dump, shunt, fault, reset-watchdog, status, stop). Nothing it says was measured.
It ends with its standard input: to leave it alone, give it one that stays open,
as in the second example.

Faults: ` + faultNames(),
		Example: "  ventward sim --bench bench.toml --links /run/bench\n  tail -f /dev/null | ventward sim --bench bench.toml --links /run/bench",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			b, err := loadBench(bench)
			if err != nil {
				return err
			}
			o := sim.Options{Bench: simBench(b), Seed: seed, Links: links, World: ownWorld(b, seed)}
			if world != "" {
				if o.World, err = sim.LoadWorld(world, seed); err != nil {
					return wrongUse{err}
				}
			}
			if o.Speed, err = parseSpeed(speed); err != nil {
				return err
			}
			if o.Speed == 0 {
				o.Speed = math.Inf(1)
			}
			if page != "" {
				if o.Page, err = sim.Open(page); err != nil {
					return err
				}
			}
			if links != "" {
				if err := os.MkdirAll(links, 0o755); err != nil {
					return fmt.Errorf("%w: name a folder that can be written with --links", err)
				}
			}
			ctx, stop := signal.NotifyContext(c.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			return sim.Serve(ctx, o, os.Stdin, c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.StringVar(&bench, "bench", "", "bench description (TOML)")
	f.StringVar(&world, "world", "", "lots and specimens (TOML); none: the demo's own")
	f.StringVar(&links, "links", "", "folder for stable names of the terminals")
	f.StringVar(&speed, "speed", "1x", "simulated seconds a second, or max; others than 1x need --clock")
	f.StringVar(&page, "clock", "", "file of the clock that simulator and daemon share")
	f.Uint64Var(&seed, "seed", 1, "seed of everything that is drawn")
	c.MarkFlagRequired("bench")
	return c
}

func faultNames() string {
	var names []string
	for _, k := range sim.Faults() {
		names = append(names, k.Name)
	}
	return strings.Join(names, ", ") + "."
}

// ownWorld is the demo's own world for a bench: what its rig can load.
func ownWorld(b *config.Bench, seed uint64) *sim.World {
	if b.Detect.Rig == detect.RunawayRig {
		return sim.RunawayWorld(seed)
	}
	return sim.DefaultWorld(seed)
}

// simBench gives the simulator the parts of a bench description that it plays.
func simBench(b *config.Bench) sim.Bench {
	s := sim.Bench{Name: b.Name, Channels: b.Channels, Outputs: b.Outputs, WatchdogS: b.WatchdogS}
	for i := range b.Instruments {
		in := &b.Instruments[i]
		s.Instruments = append(s.Instruments, sim.Instrument{Instrument: in.Instrument, Line: in.Line, Frame: in.Frame, Modbus: in.Modbus, Query: in.Query})
	}
	f := &b.Detect.Fixture
	s.Fixture = sim.Fixture{Runaway: b.Detect.Rig == detect.RunawayRig, Liquid: b.Detect.Medium == detect.Liquid, VolumeM3: f.VolumeM3, Gas: f.Gas, RoomC: f.TemperatureK - 273.15, AmbientPa: f.AmbientPa, RampPaS: b.RampPaS}
	if s.Fixture.Runaway {
		s.Fixture.VolumeUM3 = f.VolumeUM3
	}
	return s
}
