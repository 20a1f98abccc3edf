// Command bench measures what Rollcall promises and prints it as one table, all
// from one run on this machine:
//
//   - values a second through agent, gRPC and service until they are durable,
//     beside the same arrays inserted by clickhouse-go straight from memory
//   - bytes on disk for each value
//   - latency from the end of a pull to its stored curve
//   - pulls computed a second on one core, and bytes allocated for each
//   - peak memory of the agent while a large spool drains
//   - values a second read from CSV files on one core
//
// Service, engine and agents are the real programs as processes of their own.
// Everything lives in a temporary folder that is removed at the end. What the
// figures mean in detail stands beside them in the output.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"
)

// options is what the command line can say.
type options struct {
	only        string        // parts to run, with commas; empty: all
	source      string        // folder of scenario.yaml, registry.yaml, mapping.yaml
	bin         string        // folder of the programs; empty: built anew
	tmp         string        // where the temporary folder is made
	rounds      int           // of throughput, both ways each
	roundBytes  int64         // of spool in a round
	memoryBytes int64         // of spool for the agent's memory
	rate        float64       // Hz, of the recorded pulls
	pulls       int           // whose latency is measured
	pace        time.Duration // from one of these to the next
	diskWeeks   int           // of the whole chain, for bytes on disk
	alone       string        // a part that runs in this process alone
}

// parts are what can be chosen, in the order they run.
var parts = []string{"compute", "csv", "disk", "latency", "throughput", "memory"}

func main() {
	// Children are bound to the life of the thread that started them.
	runtime.LockOSThread()
	var o options
	flag.StringVar(&o.only, "only", "", "parts to run, with commas: "+strings.Join(parts, ", ")+" (default: all)")
	flag.StringVar(&o.source, "source", "deploy/demo", "folder with scenario.yaml, registry.yaml and mapping.yaml")
	flag.StringVar(&o.bin, "bin", "", "folder of the programs rollcall and rollcell (default: built into the temporary folder)")
	flag.StringVar(&o.tmp, "tmp", os.TempDir(), "where the temporary folder is made; its disk is the one measured")
	flag.IntVar(&o.rounds, "rounds", 5, "rounds of throughput, each way")
	flag.Int64Var(&o.roundBytes, "round-bytes", 256<<20, "spool drained in a round")
	flag.Int64Var(&o.memoryBytes, "memory-bytes", 1<<30, "spool drained while the agent's memory is watched")
	flag.Float64Var(&o.rate, "rate", 1000, "samples a second of the recorded pulls that are drained")
	flag.IntVar(&o.pulls, "pulls", 240, "pulls whose latency is measured")
	flag.DurationVar(&o.pace, "pace", 250*time.Millisecond, "mean time from one of these pulls to the next")
	flag.IntVar(&o.diskWeeks, "disk-weeks", 2, "weeks of the demo's chain stored to count bytes on disk")
	flag.StringVar(&o.alone, "alone", "", "run one part in this process and print JSON (used by the program itself)")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	err := o.validate()
	if err == nil {
		if o.alone != "" {
			err = runAlone(o)
		} else {
			err = run(ctx, o)
		}
	}
	switch {
	case err != nil && ctx.Err() != nil:
		fmt.Fprintln(os.Stderr, "bench: interrupted; everything it started is stopped and its folder removed")
		os.Exit(1)
	case err != nil:
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func (o options) validate() error {
	if flag.NArg() > 0 {
		return fmt.Errorf("unexpected argument %q", flag.Arg(0))
	}
	for _, p := range o.chosen() {
		if !slices.Contains(parts, p) {
			return fmt.Errorf("--only names %q; parts are %s", p, strings.Join(parts, ", "))
		}
	}
	switch {
	case o.rounds < 1 || o.pulls < 1 || o.diskWeeks < 1:
		return errors.New("--rounds, --pulls and --disk-weeks have to be 1 or more")
	case o.roundBytes < 1<<20 || o.memoryBytes < 1<<20:
		return errors.New("--round-bytes and --memory-bytes have to be 1 MiB or more")
	case !(o.rate >= 20 && o.rate <= 5000):
		return errors.New("--rate has to be 20 to 5000 Hz")
	case o.pace < 0:
		return errors.New("--pace has to be 0 or more")
	}
	return nil
}

func (o options) chosen() []string {
	if o.only == "" {
		return parts
	}
	return strings.Split(o.only, ",")
}

func (o options) has(part string) bool { return slices.Contains(o.chosen(), part) }

func run(ctx context.Context, o options) (err error) {
	began := time.Now()
	dir, err := os.MkdirTemp(o.tmp, "rollcall-bench-")
	if err != nil {
		return fmt.Errorf("make a temporary folder: %w", err)
	}
	defer func() {
		if e := os.RemoveAll(dir); err == nil && e != nil {
			err = fmt.Errorf("remove the temporary folder: %w", e)
		}
	}()
	t := &table{conditions: conditionsOf(dir)}
	if o.has("compute") {
		say("computing pulls on one core …")
		if err := measureCompute(ctx, t); err != nil {
			return err
		}
	}
	if o.has("csv") {
		say("reading CSV files on one core …")
		if err := measureCSV(ctx, o, dir, t); err != nil {
			return err
		}
	}
	if slices.ContainsFunc([]string{"disk", "latency", "throughput", "memory"}, o.has) {
		if err := o.withRig(ctx, dir, t); err != nil {
			return err
		}
	}
	t.took = time.Since(began)
	return t.print(os.Stdout)
}

// withRig runs the parts that need engine and service.
func (o options) withRig(ctx context.Context, dir string, t *table) (err error) {
	say("building and starting engine and service …")
	if o.bin == "" {
		if o.bin, err = build(ctx, dir); err != nil {
			return err
		}
	}
	r, err := startRig(ctx, o, dir)
	defer func() {
		if err != nil && r.Chain != nil && r.Service != nil {
			// The folder with the log is removed.
			err = fmt.Errorf("%w\nthe service's last words:\n%s", err, tail(r.Service.Log))
		}
		err = errors.Join(err, r.stop())
	}()
	if err != nil {
		return err
	}
	t.conditions.engine = r.endpoint.Version
	if o.has("disk") {
		say("storing %d weeks of the demo's chain …", o.diskWeeks)
		if err := r.measureDisk(ctx, t); err != nil {
			return err
		}
	}
	if o.has("latency") {
		say("sending %d single pulls …", o.pulls)
		if err := r.measureLatency(ctx, t); err != nil {
			return err
		}
	}
	if o.has("throughput") {
		if err := r.measureThroughput(ctx, t); err != nil {
			return err
		}
	}
	if o.has("memory") {
		say("draining %s …", size(o.memoryBytes))
		if err := r.measureMemory(ctx, t); err != nil {
			return err
		}
	}
	return nil
}

// build makes the programs as they are released.
func build(ctx context.Context, dir string) (string, error) {
	bin := filepath.Join(dir, "bin")
	cmd := exec.CommandContext(ctx, "go", "build", "-trimpath", "-o", bin+string(filepath.Separator), "./services/cmd/rollcall", "./agent/cmd/rollcell")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build the programs (run this in the repository's top folder): %w\n%s", err, out)
	}
	return bin, nil
}

// say tells on standard error what is going on.
func say(format string, a ...any) { fmt.Fprintf(os.Stderr, format+"\n", a...) }
