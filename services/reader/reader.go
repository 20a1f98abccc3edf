// Package reader is the reading side of the command line: what Rollcall knows
// of cells, flags, checks, pulls, curves and reference runs, as a table for
// people or as JSON or CSV for programs; and the few commands that change
// something: apply a registry file, close a flag, carry a loss, recompute.
//
// It speaks to the service over gRPC only. Tables use the units people use
// (percent, kW, N·m, show.RPM, km/h, times in UTC); JSON and CSV are SI with the
// names of the wire.
package reader

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// Dial connects to the service. A connection that can be closed is closed after
// the command.
type Dial func(ctx context.Context) (grpc.ClientConnInterface, error)

// The exit codes of every command.
const (
	ExitOK          = 0
	ExitError       = 1 // the service or a file said no
	ExitUsage       = 2 // the command line is wrong
	ExitNothing     = 3 // nothing was found
	ExitUnreachable = 4 // the service did not answer
)

// exitHelp ends the help of every command.
const exitHelp = `Exit codes: 0 done; 1 error; 2 wrong command line; 3 nothing found;
4 service not reachable.`

// UsageError is a command line that cannot be understood.
type UsageError struct{ Err error }

// Error returns what is wrong.
func (e *UsageError) Error() string { return e.Err.Error() }

// Unwrap returns the error inside.
func (e *UsageError) Unwrap() error { return e.Err }

// ErrNothing says that what was asked for is not there.
var ErrNothing = errors.New("nothing found")

// ErrProblems says that a registry file has problems, which have been printed.
var ErrProblems = errors.New("the registry file has problems; nothing was applied")

// ExitCode returns the exit code for what a command returned.
func ExitCode(err error) int {
	var usage *UsageError
	switch {
	case err == nil:
		return ExitOK
	case errors.As(err, &usage):
		return ExitUsage
	case errors.Is(err, ErrNothing):
		return ExitNothing
	case errors.Is(err, context.DeadlineExceeded):
		return ExitUnreachable
	}
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded:
		return ExitUnreachable
	case codes.NotFound:
		return ExitNothing
	}
	return ExitError
}

// Explain puts what a command returned into words for people.
func Explain(err error) string {
	s, ok := status.FromError(err)
	if !ok {
		return err.Error()
	}
	switch s.Code() {
	case codes.Unavailable:
		hint := "; is `rollcall serve` running, and is this its address?"
		switch {
		case strings.Contains(s.Message(), "error reading server preface"):
			hint = "; it may want TLS: give your certificate with --cert-file, --key-file and --ca-file"
		case strings.Contains(s.Message(), "first record does not look like a TLS handshake"):
			hint = "; it speaks without TLS there: leave --cert-file, --key-file and --ca-file away"
		}
		return "the service is not reachable: " + s.Message() + hint
	case codes.DeadlineExceeded:
		return "the service did not answer in time; see --timeout"
	case codes.Unauthenticated:
		return "the service does not know who you are: " + s.Message()
	case codes.PermissionDenied:
		return "you may not do this: " + s.Message()
	case codes.Unimplemented:
		return "the service does not know this command; it may be of an older release: " + s.Message()
	}
	return s.Message()
}

// Commands returns the commands cells, flags, checks, check, epochs, parasitic, due, pulls,
// pull, curve, compare, repeat, budget, loss, restate, runs, equivalence, rotation, report, certificate, checklist, fleet and recompute, to be added to a root
// command. They return errors and
// print none: the caller prints Explain(err) and exits with ExitCode(err).
func Commands(dial Dial) []*cobra.Command {
	a := &app{dial: dial, now: time.Now}
	return a.commands()
}

type app struct {
	dial Dial
	now  func() time.Time
}

func (a *app) commands() []*cobra.Command {
	all := []*cobra.Command{a.cells(), a.flags(), a.checks(), a.check(), a.epochs(), a.parasitic(), a.due(), a.pulls(), a.pull(), a.curve(), a.compare(), a.repeat(), a.budget(), a.loss(), a.restate(), a.runs(), a.equivalence(), a.rotation(), a.report(), a.certificate(), a.checkList(), a.fleet(), a.recompute()}
	for _, c := range all {
		a.finish(c)
	}
	return all
}

// finish sets what all commands have in common.
func (a *app) finish(c *cobra.Command) {
	c.SilenceErrors, c.SilenceUsage = true, true
	c.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return &UsageError{err} })
	if check := c.Args; check != nil {
		c.Args = func(c *cobra.Command, args []string) error {
			if err := check(c, args); err != nil {
				return &UsageError{fmt.Errorf("%w; see `%s --help`", err, c.CommandPath())}
			}
			return nil
		}
	}
	if c.Long == "" {
		c.Long = c.Short + "."
	}
	c.Long += "\n\n" + exitHelp
	for _, sub := range c.Commands() {
		a.finish(sub)
	}
}

func timeoutFlag(c *cobra.Command) {
	c.Flags().Duration("timeout", 30*time.Second, "how long to wait for the service")
}

// call dials, runs do with a deadline and closes the connection.
func (a *app) call(c *cobra.Command, do func(ctx context.Context, conn grpc.ClientConnInterface) error) error {
	ctx := c.Context()
	if ctx == nil {
		ctx = context.Background()
	}
	if timeout, err := c.Flags().GetDuration("timeout"); err == nil && timeout > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, timeout)
		defer cancel()
	}
	conn, err := a.dial(ctx)
	if err != nil {
		return fmt.Errorf("connect to the service: %w", err)
	}
	if closer, ok := conn.(io.Closer); ok {
		defer func() { _ = closer.Close() }()
	}
	return do(ctx, conn)
}

// read is call with the fleet client.
func (a *app) read(c *cobra.Command, do func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error) error {
	return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		return do(ctx, rollcallv1.NewFleetServiceClient(conn))
	})
}
