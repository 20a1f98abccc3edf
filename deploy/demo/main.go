// Command demo does Rollcall's main job on an invented chain: it starts the
// service with its engine and one agent process per cell, plays weeks of weekly
// checks and customer pulls through the agents' folders, spools and gRPC, with
// faults put in, and prints every cell's offset from the fleet, the verdict of
// its last check, its flag and the cause.
//
// The chain stands in scenario.yaml beside this file, what the service believes
// of it in registry.yaml, how the agents read the files in mapping.yaml.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"syscall"
	"time"
)

// options is what the command line can say.
type options struct {
	dir    string // where everything is kept
	source string // folder of scenario.yaml, registry.yaml, mapping.yaml
	bin    string // folder of the programs
	weeks  int    // how many to play; 0: all of the scenario
	goOn   bool   // continue with the data of the last run
	assert bool   // compare the outcome with the faults put in
	exit   bool   // end after the table
	grpc   string
	http   string
}

func main() {
	// Children are bound to the life of the thread that started them.
	runtime.LockOSThread()
	var o options
	flag.StringVar(&o.dir, "dir", "demo-data", "folder for everything the demo keeps")
	flag.StringVar(&o.source, "source", "deploy/demo", "folder with scenario.yaml, registry.yaml and mapping.yaml")
	flag.StringVar(&o.bin, "bin", "", "folder of the programs rollcall and rollcell (default: this program's own)")
	flag.IntVar(&o.weeks, "weeks", 0, "weeks to play (0: all of the scenario)")
	flag.BoolVar(&o.goOn, "continue", false, "go on with the data of the last run instead of starting clean")
	flag.BoolVar(&o.assert, "assert", false, "fail when the outcome is not what the faults put in should give")
	flag.BoolVar(&o.exit, "exit", false, "end after the table instead of serving until Ctrl-C")
	flag.StringVar(&o.grpc, "grpc", "127.0.0.1:7443", "address of the service's gRPC; another free port is taken when it is in use")
	flag.StringVar(&o.http, "http", "127.0.0.1:7480", "address of the pages; likewise")
	flag.Parse()
	if flag.NArg() > 0 {
		fmt.Fprintf(os.Stderr, "demo: unexpected argument %q\n", flag.Arg(0))
		os.Exit(2)
	}
	if o.bin == "" {
		program, err := os.Executable()
		if err != nil {
			fmt.Fprintln(os.Stderr, "demo:", err)
			os.Exit(1)
		}
		o.bin = filepath.Dir(program)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	began := time.Now()
	err := play(ctx, o)
	switch {
	case errors.Is(err, context.Canceled):
		fmt.Fprintf(os.Stderr, "\nstopped after %s; what was played is kept in %s (DEMOFLAGS=--continue goes on)\n", time.Since(began).Round(time.Second), o.dir)
	case err != nil:
		fmt.Fprintln(os.Stderr, "\ndemo:", err)
		os.Exit(1)
	}
}
