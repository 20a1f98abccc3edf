package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"rollcall/dashboards/grafana"
)

// dashboardsCommand hands the Grafana dashboards out.
func dashboardsCommand() *cobra.Command {
	c := &cobra.Command{Use: "dashboards", Short: "Write or push the Grafana dashboards and alert rules"}
	var source grafana.DataSource
	var at string
	write := &cobra.Command{
		Use:   "write DIR",
		Short: "Write provisioning files: dashboards, alert rules and the ClickHouse data source",
		Long: "Writes provisioning files for Grafana: dashboards, alert rules and the ClickHouse data source.\n\n" +
			"The embedded engine of `rollcall serve --data-dir DIR` listens on 127.0.0.1 only, on ports\n" +
			"of its own: its native_port stands in DIR/engine/ports.json and stays from start to start\n" +
			"while it is free. A Grafana on the same machine reads as the user rollcall_reader, with the\n" +
			"password in DIR/engine/reader: give --clickhouse-port and --clickhouse-user. With a\n" +
			"ClickHouse of your own, give its address and a user that may SELECT.",
		Args: positional(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := grafana.Write(args[0], at, source); err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "written to %s\n", args[0])
			return nil
		},
	}
	fs := write.Flags()
	fs.StringVar(&at, "dashboards-at", "", "folder of the dashboards as Grafana sees it (default: DIR/dashboards)")
	fs.StringVar(&source.Host, "clickhouse-host", "127.0.0.1", "ClickHouse's host as Grafana sees it")
	fs.IntVar(&source.Port, "clickhouse-port", 9000, "its port of the native protocol; of the embedded engine: native_port in DIR/engine/ports.json")
	fs.StringVar(&source.Database, "clickhouse-database", "rollcall", "its database")
	fs.StringVar(&source.User, "clickhouse-user", "grafana", "its user, SELECT is enough; of the embedded engine: rollcall_reader")
	fs.StringVar(&source.PasswordEnv, "clickhouse-password-env", "", "environment variable of Grafana with the password (default ROLLCALL_GRAFANA_PASSWORD)")
	fs.StringVar(&source.PasswordFile, "clickhouse-password-at", "", "file with the password as Grafana sees it, in place of the variable")
	fs.BoolVar(&source.Secure, "clickhouse-tls", false, "whether ClickHouse speaks TLS")

	var address, tokenFile string
	push := &cobra.Command{
		Use:   "push",
		Short: "Push the dashboards and alert rules to a Grafana server",
		Args:  positional(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if address == "" || tokenFile == "" {
				return usageError{errors.New("--url and --token-file are needed")}
			}
			token, err := os.ReadFile(tokenFile)
			if err != nil {
				return fmt.Errorf("read the token: %w", err)
			}
			if err := grafana.Push(cmd.Context(), address, strings.TrimSpace(string(token))); err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%d dashboards and %d alert rules pushed to %s\n", len(grafana.Dashboards()), len(grafana.Alerts().Rules), address)
			return nil
		},
	}
	push.Flags().StringVar(&address, "url", "", "address of Grafana")
	push.Flags().StringVar(&tokenFile, "token-file", "", "file with a service account's token that may edit dashboards")
	c.AddCommand(write, push)
	return c
}
