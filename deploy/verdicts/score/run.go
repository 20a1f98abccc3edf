package score

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"rollcall/deploy/verdicts/simulate"
)

// Config says how the bench is run. Start from DefaultConfig.
type Config struct {
	Fleets   int
	Seed     uint64
	Plan     simulate.Plan // of the scenarios that need none of their own
	Parallel int           // fleets at a time
	// Asked is the rate of false flags that was asked for, a cell and year.
	Asked float64
	// Only names the scenario of all fleets; empty: each in turn.
	Only string
	// Done is called after each fleet; nil: nobody asks.
	Done func()
}

// DefaultConfig returns the run that `make verdicts` makes.
func DefaultConfig() Config {
	return Config{Fleets: 360, Seed: 1, Plan: simulate.Round, Parallel: 2, Asked: 0.1}
}

// Validate returns what is wrong with the configuration.
func (c Config) Validate() error {
	switch {
	case c.Fleets < 1:
		return fmt.Errorf("verdicts: %d fleets; give 1 or more", c.Fleets)
	case c.Parallel < 1:
		return fmt.Errorf("verdicts: %d fleets at a time; give 1 or more", c.Parallel)
	case !(c.Asked > 0):
		return fmt.Errorf("verdicts: %g false flags asked for, a cell and year; give more than 0", c.Asked)
	case c.Plan != simulate.Round && c.Plan != simulate.Home:
		return fmt.Errorf("verdicts: the visit plan %q cannot be asked for; give %q or %q", c.Plan, simulate.Round, simulate.Home)
	}
	if _, ok := named(c.Only); c.Only != "" && !ok {
		var names []string
		for i := range 2 * len(cycle) {
			names = append(names, strconv.Quote(scenarioOf(i).Name))
		}
		slices.Sort(names)
		return fmt.Errorf("verdicts: there is no scenario %q; give one of %s", c.Only, strings.Join(slices.Compact(names), ", "))
	}
	return nil
}

// Run puts a system to the fleets and returns the table. The same configuration
// and system give the same table, whatever Parallel is. When the context ends
// before the last fleet, the table is of the fleets judged by then.
func Run(ctx context.Context, system System, c Config) (Table, error) {
	if err := c.Validate(); err != nil {
		return Table{}, err
	}
	began := time.Now()
	outcomes := make([]*outcome, c.Fleets)
	var group errgroup.Group
	group.SetLimit(c.Parallel)
	for i := range outcomes {
		group.Go(func() error {
			if ctx.Err() != nil {
				return nil
			}
			f, s := fleetOf(c, i)
			o, err := judge(system, f, s)
			if err != nil {
				return fmt.Errorf("fleet %d (%s): %w", i, s.Name, err)
			}
			outcomes[i] = &o
			if c.Done != nil {
				c.Done()
			}
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return Table{}, err
	}
	var done []outcome
	for _, o := range outcomes {
		if o != nil {
			done = append(done, *o)
		}
	}
	t := tabulate(done, c)
	t.System, t.Took, t.Judged = system.Name(), time.Since(began), len(done)
	return t, nil
}
