// Command rollcell is Rollcall's agent at a dynamometer cell. `rollcell run`
// watches a folder, keeps what it finds in a spool on disk and sends it to the
// service; `rollcell status` says how that goes.
//
//	folder -> csvfolder -> uplink.Sink -> spool -> uplink ==gRPC==> service
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"rollcall/agent/source/simulator"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := Main{Out: os.Stdout, Err: os.Stderr}.Run(ctx, os.Args[1:])
	stop()
	os.Exit(code)
}

// Main is the program with its outputs, so that tests can run it.
type Main struct {
	Out, Err io.Writer
}

// Run executes one command and returns the exit code: 0 fine, 1 an error or
// something that needs attention, 2 wrong use or configuration.
func (m Main) Run(ctx context.Context, args []string) int {
	root := m.command()
	root.SetArgs(args)
	root.SetOut(m.Out)
	root.SetErr(m.Err)
	err := root.ExecuteContext(ctx)
	var usage usageError
	switch {
	case err == nil:
		return 0
	case errors.Is(err, errAttention):
		return 1
	case errors.As(err, &usage):
		fmt.Fprintln(m.Err, "rollcell:", err)
		return 2
	}
	fmt.Fprintln(m.Err, "rollcell:", err)
	return 1
}

// usageError is wrong use of a command or a wrong configuration.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// noArguments refuses arguments as wrong use.
func noArguments(_ *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usageError{fmt.Errorf("%q is not expected here", args[0])}
	}
	return nil
}

func (m Main) command() *cobra.Command {
	root := &cobra.Command{
		Use:           "rollcell",
		Short:         "Sends a dyno cell's pulls and checks to Rollcall and loses none",
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          noArguments,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	root.AddCommand(m.runCommand(), m.statusCommand(), m.setAsideCommand(), m.checkConfigCommand(), simulator.Command(), m.versionCommand())
	return root
}
