// Command verdicts measures how good Rollcall's verdicts are: it invents chains
// of cells whose truth is known, nine months of quiet or more and then a
// fault, puts the service's comparison of the fleet to each, and prints how
// often sound cells are flagged, how soon faults are found beside an oracle, how
// often the cause is right, and whether the stated intervals hold the truth.
//
//	go run ./deploy/verdicts --fleets 360
//
// Ctrl-C prints the table of the fleets judged by then.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"runtime"
	"syscall"

	"github.com/schollz/progressbar/v3"

	"rollcall/deploy/verdicts/present"
	"rollcall/deploy/verdicts/score"
	"rollcall/deploy/verdicts/simulate"
)

func main() {
	c := score.DefaultConfig()
	flag.IntVar(&c.Fleets, "fleets", c.Fleets, "fleets to invent; twenty go once through every scenario")
	flag.Uint64Var(&c.Seed, "seed", c.Seed, "the same seed gives the same fleets")
	flag.IntVar(&c.Parallel, "parallel", runtime.NumCPU(), "fleets at a time")
	visits := flag.String("visits", c.Plan.String(), `visit plan: "round", a new car every week, or "home", three weeks of four at home`)
	flag.StringVar(&c.Only, "only", "", "give all fleets this scenario, named as in the table")
	assert := flag.Bool("assert", false, "fail when a figure is far worse than its aim; take twenty fleets or more")
	quiet := flag.Bool("quiet", false, "no progress bar")
	flag.Parse()
	if flag.NArg() > 0 {
		fail(fmt.Errorf("unexpected argument %q", flag.Arg(0)))
	}
	plan, ok := map[string]simulate.Plan{"round": simulate.Round, "home": simulate.Home}[*visits]
	if !ok {
		fail(fmt.Errorf(`--visits is %q; give "round" or "home"`, *visits))
	}
	c.Plan = plan
	if !*quiet {
		bar := progressbar.NewOptions(c.Fleets, progressbar.OptionSetWriter(os.Stderr), progressbar.OptionSetDescription("fleets"),
			progressbar.OptionShowCount(), progressbar.OptionSetPredictTime(true), progressbar.OptionSetWidth(40),
			progressbar.OptionClearOnFinish())
		c.Done = func() { _ = bar.Add(1) }
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	table, err := score.Run(ctx, present.System{}, c)
	if err != nil {
		fail(err)
	}
	if err := table.Write(os.Stdout); err != nil {
		fail(err)
	}
	if ctx.Err() != nil {
		fail(fmt.Errorf("stopped after %d of %d fleets", table.Judged, c.Fleets))
	}
	if *assert {
		if err := table.Floor(); err != nil {
			fail(fmt.Errorf("far from the aims:\n%w", err))
		}
	}
}

func fail(err error) {
	fmt.Fprintln(os.Stderr, "verdicts:", err)
	os.Exit(1)
}
