package main

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"rollcall/services/access"
	"rollcall/services/fleet"
)

var errEngineNotFirst = errors.New("put `engine` first: rollcall engine [flags]")

// certsCommand makes the chain's own certificates.
func certsCommand() *cobra.Command {
	var dir string
	c := &cobra.Command{
		Use:   "certs",
		Short: "Make the chain's own certificates for mutual TLS",
		Long: "Makes a certificate authority of the chain's own, and with it certificates for the\n" +
			"service, for cells (each may write for its own cell only) and for people with a role.\n" +
			"Keys are written readable by their owner only; nothing is ever overwritten. The files\n" +
			"are ca.crt and .key, server.crt and .key, cell-CELL.crt and .key, person-NAME.crt and .key.",
	}
	c.PersistentFlags().StringVar(&dir, "dir", "certs", "folder of the authority and of what it issues")
	run := func(use, short string, args cobra.PositionalArgs, f func(args []string) error) *cobra.Command {
		return &cobra.Command{Use: use, Short: short, Args: positional(args), RunE: func(cmd *cobra.Command, args []string) error {
			before := filesIn(dir)
			if err := f(args); err != nil {
				return err
			}
			written := slices.DeleteFunc(filesIn(dir), func(name string) bool { return slices.Contains(before, name) })
			fmt.Fprintf(cmd.OutOrStdout(), "written to %s: %s\n", dir, strings.Join(written, ", "))
			return nil
		}}
	}
	c.AddCommand(
		run("init", "Make the certificate authority", cobra.NoArgs, func([]string) error { return access.InitCA(dir) }),
		run("server HOST...", "Issue the service's certificate for these host names and addresses", cobra.MinimumNArgs(1), func(args []string) error {
			return access.IssueServer(dir, args)
		}),
		run("cell CELL", "Issue a cell's certificate", cobra.ExactArgs(1), func(args []string) error {
			return access.IssueCell(dir, fleet.CellID(args[0]))
		}),
		run("person NAME ROLE", "Issue a person's certificate; roles: "+roles(), cobra.ExactArgs(2), func(args []string) error {
			return access.IssuePerson(dir, args[0], access.Role(args[1]))
		}),
	)
	return c
}

// filesIn returns the names of a folder's files; none when it is not there.
func filesIn(dir string) []string {
	var names []string
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// roles lists the roles for people.
func roles() string {
	var all []string
	for _, r := range access.Roles {
		all = append(all, string(r))
	}
	return strings.Join(all, ", ")
}

// positional turns a wrong number of arguments into wrong use.
func positional(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if err := check(cmd, args); err != nil {
			return usageError{err}
		}
		return nil
	}
}
