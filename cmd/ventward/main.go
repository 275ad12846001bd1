// Ventward watches burst and thermal-runaway benches for battery cells: it
// reads pressure transducers and thermocouples over serial lines, detects the
// opening of vents and the rupture of housings, demands that the bench's
// hardware make safe, keeps every reading, shows the bench live, and computes
// and reports results. It is a monitoring aid, never the safety function.
package main

import (
	"os"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
)

// global are the options of every command.
type global struct {
	data  string
	level string
}

func main() {
	os.Exit(exitCode(rootCommand().Execute(), os.Stderr))
}

func rootCommand() *cobra.Command {
	g := &global{}
	root := &cobra.Command{
		Use: "ventward",
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return badUse("command %q is not known: see ventward --help", args[0])
			}
			return nil
		},
		RunE:  func(c *cobra.Command, args []string) error { return c.Help() },
		Short: "Watches benches that test the pressure-release features of battery cells",
		Long: `Ventward reads pressure transducers and thermocouples over serial lines, detects
vent opening and rupture, demands that the bench make safe, keeps every reading,
shows the bench live, replays stored runs, and computes and reports results.

It is a monitoring aid and never the safety function: over-pressure protection,
emergency stop and access interlocks are hardware. Follow the local rules.

Exit codes: 0 done; 1 the answer is "no"; 2 wrong use or bad input; 3 could not
finish (port, disk, network).`,
		SilenceUsage:  true,
		SilenceErrors: true,
		Version:       version,
	}
	data := os.Getenv("VENTWARD_DATA")
	if data == "" {
		data = "./data"
	}
	root.PersistentFlags().StringVar(&g.data, "data", data, "where runs live (or VENTWARD_DATA)")
	root.PersistentFlags().StringVar(&g.level, "log", "info", "least level that is logged to standard error: debug, info, warn or error")
	root.AddCommand(procedureCommand())
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error { return wrongUse{err} })
	root.AddCommand(demoCommand(g), serveCommand(g), checkCommand(), simCommand(), analyzeCommand(), importCommand(g), exportCommand(g), estimateCommand(g),
		runsCommand(g), journalCommand(g), replayCommand(g), verifyCommand(g), enterCommand(g), lotCommand(g), lotsCommand(g), breachesCommand(g), reportCommand(g))
	root.AddCommand(paperCommands(g)...)
	for _, c := range root.Commands() {
		if check := c.Args; check != nil {
			c.Args = func(c *cobra.Command, args []string) error {
				if err := check(c, args); err != nil {
					return badUse("%w: %s", err, c.UseLine())
				}
				return nil
			}
		}
	}
	return root
}

// logger writes to standard error: for people on a terminal, as JSON lines
// otherwise.
func (g *global) logger() (zerolog.Logger, error) {
	level, err := zerolog.ParseLevel(g.level)
	if err != nil {
		return zerolog.Nop(), badUse("--log %q: use debug, info, warn or error", g.level)
	}
	zerolog.TimeFieldFormat = "2006-01-02T15:04:05.000Z07:00"
	if st, err := os.Stderr.Stat(); err == nil && st.Mode()&os.ModeCharDevice != 0 {
		return zerolog.New(zerolog.ConsoleWriter{Out: os.Stderr, TimeFormat: "15:04:05.000"}).Level(level).With().Timestamp().Logger(), nil
	}
	return zerolog.New(os.Stderr).Level(level).With().Timestamp().Logger(), nil
}
