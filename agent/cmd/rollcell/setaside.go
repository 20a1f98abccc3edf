package main

import (
	"errors"
	"fmt"
	"os"
	"strconv"

	"github.com/spf13/cobra"

	"rollcall/agent/uplink"
	"rollcall/services/wire"
)

func (m Main) setAsideCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "set-aside RECORD|MESSAGE",
		Short: "give up what waits for the registry, when its name is a slip",
		Long: "Set-aside takes out of the spool what the service keeps refusing because the registry\n" +
			"does not know its cell, car or mass: a record by its id, or one message by its number, as\n" +
			"`rollcell status` lists them. It is kept in aside in the state folder. What the service\n" +
			"takes after all is not set aside. The agent need not run now: it does so when it does.",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return usageError{errors.New("give one record's id or message's number, as `rollcell status` lists them")}
			}
			return nil
		},
	}
	load := configFlags(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		config, err := load()
		if err != nil {
			return err
		}
		what := args[0]
		if n, err := strconv.ParseUint(what, 10, 64); err == nil {
			what = strconv.FormatUint(n, 10)
		} else if !wire.ValidHash(what) {
			return usageError{fmt.Errorf("%q is neither the id of a record (32 hexadecimal digits) nor the number of a message", what)}
		}
		s, err := readStatus(config.StateDir)
		if errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("no status in %s: the agent has not run with this configuration yet, so nothing waits", config.StateDir)
		}
		if err != nil {
			return err
		}
		waits := s.Held.Messages > len(s.Held.First) // it may be one that is not listed
		for _, h := range s.Held.First {
			waits = waits || h.Of == what || strconv.FormatUint(h.Sequence, 10) == what
		}
		if !waits {
			return fmt.Errorf("%s does not wait for the registry; `rollcell status` lists what does", what)
		}
		if err := uplink.AskAside(config.asideDir(), what); err != nil {
			return err
		}
		_, err = fmt.Fprintf(c.OutOrStdout(), "%s is set aside into %s when the service refuses it the next time: within %s while agent and link are up.\n",
			what, config.asideDir(), span(2*uplink.DefaultConfig().Heartbeat))
		return err
	}
	return c
}
