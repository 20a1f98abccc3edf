package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"rollcall/services/access"
)

// peopleCommand keeps the file of who may sign in to the pages.
func peopleCommand() *cobra.Command {
	var file string
	c := &cobra.Command{
		Use:   "people",
		Short: "Keep the file of who may sign in to the pages",
		Long: "Keeps the people file that `rollcall serve` reads as pages.people_file: names, roles and\n" +
			"hashed passwords. A running service sees a change at once; who is removed, or has a new\n" +
			"password, is signed out by it. A password is asked for, or read as one line where\n" +
			"standard input is no terminal. Roles: " + roles() + ".",
	}
	c.PersistentFlags().StringVar(&file, "file", "people.yaml", "the people file")
	add := func(use, short string, args cobra.PositionalArgs, f func(cmd *cobra.Command, args []string) error) {
		c.AddCommand(&cobra.Command{Use: use, Short: short, Args: positional(args), RunE: f})
	}
	add("add NAME ROLE", "Add somebody; the file is made where there is none", cobra.ExactArgs(2), func(cmd *cobra.Command, args []string) error {
		password, err := askPassword(cmd)
		if err == nil {
			err = access.AddPerson(file, args[0], access.Role(args[1]), password)
		}
		return said(cmd, err, "%s may sign in as %s", args[0], args[1])
	})
	add("password NAME", "Set somebody's password anew", cobra.ExactArgs(1), func(cmd *cobra.Command, args []string) error {
		password, err := askPassword(cmd)
		if err == nil {
			err = access.SetPassword(file, args[0], password)
		}
		return said(cmd, err, "%s has a new password and is signed out", args[0])
	})
	add("remove NAME", "Take somebody out", cobra.ExactArgs(1), func(cmd *cobra.Command, args []string) error {
		return said(cmd, access.RemovePerson(file, args[0]), "%s may no longer sign in and is signed out", args[0])
	})
	add("list", "Say who may sign in", cobra.NoArgs, func(cmd *cobra.Command, _ []string) error {
		all, err := access.ListPeople(file)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "NAME\tROLE")
		for _, e := range all {
			fmt.Fprintf(t, "%s\t%s\n", e.Name, e.Role)
		}
		return t.Flush()
	})
	return c
}

func said(cmd *cobra.Command, err error, format string, args ...any) error {
	if err == nil {
		_, err = fmt.Fprintf(cmd.OutOrStdout(), format+"\n", args...)
	}
	return err
}

// askPassword asks twice for a password without showing it; where standard input
// is no terminal its first line is the password.
func askPassword(cmd *cobra.Command) (string, error) {
	in, ok := cmd.InOrStdin().(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) {
		line, err := bufio.NewReader(io.LimitReader(cmd.InOrStdin(), 4096)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", fmt.Errorf("read the password: %w", err)
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	ask := func(prompt string) (string, error) {
		fmt.Fprint(cmd.ErrOrStderr(), prompt)
		text, err := term.ReadPassword(int(in.Fd()))
		fmt.Fprintln(cmd.ErrOrStderr())
		if err != nil {
			return "", fmt.Errorf("read the password: %w", err)
		}
		return string(text), nil
	}
	first, err := ask("Password: ")
	if err != nil {
		return "", err
	}
	again, err := ask("Again: ")
	if err != nil {
		return "", err
	}
	if first != again {
		return "", errors.New("the two are not the same; nothing was changed")
	}
	return first, nil
}
