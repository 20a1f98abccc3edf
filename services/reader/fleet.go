package reader

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

func (a *app) fleet() *cobra.Command {
	c := &cobra.Command{Use: "fleet", Short: "The registry of sites, cells, reference cars and check masses", Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return &UsageError{fmt.Errorf("say what to do with the registry: `%s show` or `%s apply FILE`", c.CommandPath(), c.CommandPath())}
		}}
	c.AddCommand(a.show(), a.apply())
	return c
}

func (a *app) show() *cobra.Command {
	var when string
	c := &cobra.Command{Use: "show", Short: "Print the registry in the form apply reads", Args: cobra.NoArgs}
	c.Flags().StringVar(&when, "at", "", "as it was then: 2026-03-01, 2026-03-01T08:00:00Z, or 12h, 7d, 4w before now (default now)")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		request := &rollcallv1.GetRegistryRequest{}
		if when != "" {
			t, err := moment(when, a.now())
			if err != nil {
				return &UsageError{fmt.Errorf("--at: %w", err)}
			}
			request.At = timestamppb.New(t)
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			r, err := fleet.GetRegistry(ctx, request)
			if err != nil {
				return err
			}
			if len(strings.TrimSpace(string(r.GetYaml()))) == 0 {
				if request.At != nil {
					return fmt.Errorf("nothing had taken effect in the registry by %s UTC: %w", show.At(request.At), ErrNothing)
				}
				return fmt.Errorf("the registry is empty; fill it with `rollcall fleet apply FILE`: %w", ErrNothing)
			}
			_, err = c.OutOrStdout().Write(r.GetYaml())
			return err
		})
	}
	return c
}

func (a *app) apply() *cobra.Command {
	var dry bool
	var by string
	var format formatFlags
	c := &cobra.Command{Use: "apply FILE", Short: "Apply a registry file, whole or not at all", Args: cobra.ExactArgs(1),
		Long: "Apply a registry file, whole or not at all; - reads standard input. What the file does\nnot name stays as it is. Every problem of the file is printed with its line and how to\nmend it."}
	c.Flags().BoolVar(&dry, "dry-run", false, "only say what would change")
	c.Flags().StringVar(&by, "by", "", "who applies it (default the user's name on this computer)")
	c.Flags().BoolVar(&format.json, "json", false, "print the answer as one JSON document")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		data, err := readFile(c, args[0])
		if err != nil {
			return err
		}
		if by == "" {
			u, err := user.Current()
			if err != nil {
				return &UsageError{fmt.Errorf("say who applies it with --by: %w", err)}
			}
			by = u.Username
		}
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			r, err := rollcallv1.NewAdminServiceClient(conn).ApplyRegistry(ctx, &rollcallv1.ApplyRegistryRequest{Yaml: data, FileName: args[0], AppliedBy: by, DryRun: dry})
			if err != nil {
				return err
			}
			if format.json {
				err = show.JSON(c.OutOrStdout(), r)
			} else {
				err = printApplied(c.OutOrStdout(), c.ErrOrStderr(), r, dry)
			}
			if err == nil && len(r.GetProblems()) > 0 {
				err = ErrProblems
			}
			return err
		})
	}
	return c
}

func readFile(c *cobra.Command, name string) ([]byte, error) {
	if name == "-" {
		data, err := io.ReadAll(c.InOrStdin())
		if err != nil {
			return nil, fmt.Errorf("read standard input: %w", err)
		}
		return data, nil
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read the registry file: %w", err)
	}
	return data, nil
}

func printApplied(out, problems io.Writer, r *rollcallv1.ApplyRegistryResponse, dry bool) error {
	for _, p := range r.GetProblems() {
		where := p.GetFileName()
		if p.GetLine() > 0 {
			where = fmt.Sprintf("%s:%d", where, p.GetLine())
		}
		if _, err := fmt.Fprintf(problems, "%s: %s — %s\n", show.Clean(where), show.Clean(p.GetWhat()), show.Clean(p.GetMend())); err != nil {
			return err
		}
	}
	if len(r.GetProblems()) > 0 {
		return nil
	}
	t := table{heads: []string{"KIND", "ID", "CHANGE", "DETAIL"}}
	unchanged := 0
	for _, c := range r.GetChanges() {
		if c.GetChange() == "unchanged" {
			unchanged++
			if c.GetDetail() == "" {
				continue
			}
		}
		t.add(c.GetKind(), c.GetId(), c.GetChange(), show.Or(c.GetDetail()))
	}
	if len(t.rows) > 0 {
		if err := t.print(out); err != nil {
			return err
		}
	}
	done := "applied"
	if dry {
		done = "would change; nothing was applied (--dry-run)"
	}
	_, err := fmt.Fprintf(out, "%s %s, %d unchanged\n", show.Count(len(r.GetChanges())-unchanged, "entry", "entries"), done, unchanged)
	return err
}

func (a *app) recompute() *cobra.Command {
	c := &cobra.Command{Use: "recompute", Short: "Rebuild everything computed from the raw records", Args: cobra.NoArgs,
		Long: "Rebuild every computed table from the raw records. The same records give the same bytes."}
	c.Flags().Duration("timeout", 0, "how long to wait (default: as long as it takes)")
	c.RunE = func(c *cobra.Command, _ []string) error {
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			stream, err := rollcallv1.NewAdminServiceClient(conn).Recompute(ctx, &rollcallv1.RecomputeRequest{})
			if err != nil {
				return err
			}
			progress := newProgress(c.ErrOrStderr())
			for {
				r, err := stream.Recv()
				if errors.Is(err, io.EOF) {
					progress.end()
					_, err = fmt.Fprintln(c.OutOrStdout(), "everything is recomputed")
					return err
				}
				if err != nil {
					progress.end()
					return err
				}
				progress.show(r)
			}
		})
	}
	return c
}

// progress is a bar on a terminal and a line per finished stage elsewhere.
type progress struct {
	w     io.Writer
	bar   *progressbar.ProgressBar
	onTTY bool
	last  *rollcallv1.RecomputeResponse
}

func newProgress(w io.Writer) *progress {
	f, ok := w.(*os.File)
	return &progress{w: w, onTTY: ok && term.IsTerminal(int(f.Fd()))}
}

func (p *progress) show(r *rollcallv1.RecomputeResponse) {
	if p.last != nil && p.last.GetStage() != r.GetStage() {
		p.end()
	}
	p.last = r
	if !p.onTTY {
		return
	}
	if p.bar == nil {
		p.bar = progressbar.NewOptions64(int64(r.GetTotal()), progressbar.OptionSetWriter(p.w), progressbar.OptionSetDescription(show.Clean(r.GetStage())),
			progressbar.OptionShowCount(), progressbar.OptionSetPredictTime(true), progressbar.OptionThrottle(100*time.Millisecond))
	}
	p.bar.ChangeMax64(int64(r.GetTotal()))
	_ = p.bar.Set64(int64(r.GetDone()))
}

func (p *progress) end() {
	switch {
	case p.last == nil:
	case p.bar != nil:
		_ = p.bar.Exit()
		fmt.Fprintln(p.w)
	default:
		fmt.Fprintf(p.w, "%s: %d of %d\n", show.Clean(p.last.GetStage()), p.last.GetDone(), p.last.GetTotal())
	}
	p.last, p.bar = nil, nil
}
