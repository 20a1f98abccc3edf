package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/reader"
	"rollcall/services/show"
)

// noticesCommand lists and tests what people are told.
func noticesCommand(dial reader.Dial) *cobra.Command {
	var limit uint32
	var asJSON bool
	var timeout time.Duration
	ask := func(cmd *cobra.Command, call func(context.Context, pb.NoticeServiceClient) error) error {
		ctx, cancel := context.WithTimeout(cmd.Context(), timeout)
		defer cancel()
		conn, err := dial(ctx)
		if err != nil {
			return err
		}
		if c, ok := conn.(*grpc.ClientConn); ok {
			defer c.Close()
		}
		return call(ctx, pb.NewNoticeServiceClient(conn))
	}
	list := &cobra.Command{
		Use:   "notices",
		Short: "What people were told of, and what waits to be told",
		Long: "Lists what waits to be told and what was sent to each receiver, newest first, with what\n" +
			"the receiver said. Receivers stand under notices in the configuration of `rollcall serve`.",
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{fmt.Errorf("unknown command %q for %q; see `%s --help`", args[0], cmd.CommandPath(), cmd.CommandPath())}
			}
			return ask(cmd, func(ctx context.Context, client pb.NoticeServiceClient) error {
				answer, err := client.ListNotices(ctx, &pb.ListNoticesRequest{Limit: limit})
				if err != nil {
					return err
				}
				if asJSON {
					return show.JSON(cmd.OutOrStdout(), answer)
				}
				if answer.More {
					fmt.Fprintf(cmd.ErrOrStderr(), "there are more; these are the newest %d\n", len(answer.Deliveries))
				}
				return printNotices(cmd.OutOrStdout(), answer)
			})
		},
		Args: cobra.ArbitraryArgs,
	}
	list.Flags().Uint32Var(&limit, "limit", 100, "the most sendings listed")
	list.Flags().BoolVar(&asJSON, "json", false, "print one JSON document, names of the wire")
	list.PersistentFlags().DurationVar(&timeout, "timeout", 30*time.Second, "how long the service may take")
	list.AddCommand(&cobra.Command{
		Use:   "test [RECEIVER]",
		Short: "Send every receiver, or one, a test from the service, and say what came back",
		Long: "Has the service send every receiver, or one, a notice marked as a test, and prints what came\n" +
			"back. Exit codes: 0 all took it; 1 one did not; 3 no receivers are configured.",
		Args: positional(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return ask(cmd, func(ctx context.Context, client pb.NoticeServiceClient) error {
				answer, err := client.TestReceivers(ctx, &pb.TestReceiversRequest{Receiver: strings.Join(args, "")})
				if err != nil {
					return err
				}
				return printTests(cmd.OutOrStdout(), answer.Tests)
			})
		},
	})
	return list
}

// printNotices prints what waits, then what was sent.
func printNotices(w io.Writer, answer *pb.ListNoticesResponse) error {
	if len(answer.Receivers) == 0 {
		fmt.Fprintln(w, "No receivers are configured: name them under notices in the configuration of `rollcall serve`.")
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	if len(answer.Waiting) > 0 {
		fmt.Fprintln(t, "WAITING FOR\tSITE\tSEEN (UTC)\tCHANGE")
		for _, c := range answer.Waiting {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", c.Receiver, show.Or(c.SiteId), show.At(c.SeenAt), show.Clean(c.Headline))
		}
		fmt.Fprintln(t)
	}
	if len(answer.Deliveries) > 0 {
		fmt.Fprintln(t, "AT (UTC)\tRECEIVER\tSITE\tOUTCOME\tCHANGES\tANSWER")
		for _, d := range answer.Deliveries {
			var changes []string
			for _, c := range d.Changes {
				changes = append(changes, c.Subject+" "+c.State)
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", show.At(d.At), d.Receiver, show.Or(d.SiteId), d.Outcome, show.Clean(strings.Join(changes, "; ")), show.Or(show.Clean(d.Answer)))
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if len(answer.Waiting)+len(answer.Deliveries) == 0 {
		_, err := fmt.Fprintln(w, "Nothing was told yet, and nothing waits.")
		return err
	}
	return nil
}

// errNotTaken says that a receiver did not take its test.
var errNotTaken = errors.New("not every receiver took its test")

func printTests(w io.Writer, tests []*pb.ReceiverTest) error {
	if len(tests) == 0 {
		return fmt.Errorf("no receivers are configured; name them under notices in the configuration of `rollcall serve`: %w", reader.ErrNothing)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "RECEIVER\tWAY\tTAKEN\tSECONDS\tANSWER")
	all := true
	for _, r := range tests {
		taken := "yes"
		if !r.Taken {
			taken, all = "NO", false
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%.2f\t%s\n", r.Receiver, r.Way, taken, r.Seconds, show.Clean(r.Answer))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if !all {
		return errNotTaken
	}
	return nil
}
