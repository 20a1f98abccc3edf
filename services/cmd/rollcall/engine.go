package main

import (
	"github.com/spf13/cobra"

	"rollcall/deploy/engine"
)

func runEngine(args []string) int { return engine.Main(args) }

// engineCommand stands in the help only: main runs the engine itself.
func engineCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "engine",
		Short: "Run the embedded ClickHouse engine alone (`rollcall engine --help`)",
		Long: "Runs the embedded ClickHouse engine in this process until it is told to stop.\n" +
			"`rollcall serve` starts one by itself; this command is for those who want it apart.",
		DisableFlagParsing: true,
		RunE: func(*cobra.Command, []string) error {
			return usageError{errEngineNotFirst}
		},
	}
}
