// Command rollcall is Rollcall's central service and the program people read
// it with. `rollcall serve` runs the service; the other commands apply the
// registry, list cells, flags, checks and pulls, and manage certificates.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/spf13/cobra"

	"rollcall/services/reader"
)

func main() {
	// The engine takes this process's standard input and its main thread: it
	// runs outside the command tree, before anything else has started.
	if len(os.Args) > 1 && os.Args[1] == "engine" {
		os.Exit(runEngine(os.Args[2:]))
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := Main{Out: os.Stdout, Err: os.Stderr}.Run(ctx, os.Args[1:])
	stop()
	os.Exit(code)
}

// Main is the program with its outputs, so that tests can run it.
type Main struct {
	Out, Err io.Writer
}

// Run executes one command and returns the exit code: 0 fine, 1 an error,
// 2 wrong use, 3 nothing found, 4 the service cannot be reached.
func (m Main) Run(ctx context.Context, args []string) int {
	root := m.command()
	root.SetArgs(args)
	root.SetOut(m.Out)
	root.SetErr(m.Err)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	fmt.Fprintln(m.Err, "rollcall:", reader.Explain(err))
	var u usageError
	if errors.As(err, &u) {
		return 2
	}
	return reader.ExitCode(err)
}

// usageError is wrong use of a command.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func (m Main) command() *cobra.Command {
	root := &cobra.Command{
		Use:           "rollcall",
		Short:         "Keeps every chassis-dyno cell of a chain comparable",
		SilenceErrors: true,
		SilenceUsage:  true,
		Version:       version(),
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	dial := dialFlags(root)
	root.AddCommand(m.serveCommand(), engineCommand(), m.migrateCommand(), m.checkConfigCommand(), certsCommand(), peopleCommand(), dashboardsCommand(), noticesCommand(dial))
	root.AddCommand(reader.Commands(dial)...)
	refuseUnknown(root)
	return root
}

// refuseUnknown makes an unknown word after a command that only has commands
// below it wrong use; cobra would show the help as if all were well.
func refuseUnknown(c *cobra.Command) {
	if !c.Runnable() {
		c.Args = func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{fmt.Errorf("unknown command %q for %q; see `%s --help`", args[0], c.CommandPath(), c.CommandPath())}
			}
			return nil
		}
		c.RunE = func(c *cobra.Command, _ []string) error { return c.Help() }
	}
	for _, sub := range c.Commands() {
		refuseUnknown(sub)
	}
}

// version returns what this program was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	if v == "" {
		v = "(devel)"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			v += " " + s.Value[:12]
		}
	}
	return v + " " + info.GoVersion
}
