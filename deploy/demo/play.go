package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/sync/errgroup"

	"rollcall/agent/source/simulator"
	"rollcall/deploy/chain"
	pb "rollcall/proto/rollcall/v1"
)

// demo is the demo while it runs.
type demo struct {
	options
	*chain.Chain
	scenario simulator.Scenario
}

// progressFile remembers, in the demo's folder, how many weeks were played.
const progressFile = "weeks-played"

func play(ctx context.Context, o options) (err error) {
	scenario, err := simulator.Load(filepath.Join(o.source, "scenario.yaml"))
	if err != nil {
		return err
	}
	if o.weeks == 0 {
		o.weeks = scenario.Weeks
	}
	if o.weeks < 1 || o.weeks > scenario.Weeks {
		return fmt.Errorf("--weeks is %d; the scenario has 1 to %d", o.weeks, scenario.Weeks)
	}
	if o.dir, err = filepath.Abs(o.dir); err != nil {
		return fmt.Errorf("make the folder absolute: %w", err)
	}
	if err := o.prepareFolder(); err != nil {
		return err
	}
	running, err := chain.New(chain.Config{
		Dir: o.dir, Bin: o.bin, Mapping: filepath.Join(o.source, "mapping.yaml"), GRPC: o.grpc, HTTP: o.http,
	})
	if err != nil {
		return err
	}
	c := &demo{options: o, Chain: running, scenario: scenario}
	defer func() {
		if stopped := c.Stop(); err == nil {
			err = stopped
		}
	}()
	fmt.Fprintln(os.Stderr, "starting engine and service …")
	if err := c.StartService(ctx); err != nil {
		return err
	}
	if err := c.ApplyRegistry(ctx, filepath.Join(o.source, "registry.yaml")); err != nil {
		return err
	}
	for _, cell := range scenario.Cells {
		if err := c.StartAgent(cell.ID); err != nil {
			return err
		}
	}
	if err := c.playWeeks(ctx); err != nil {
		return err
	}
	if err := c.show(ctx); err != nil {
		return err
	}
	if o.assert {
		if err := c.judge(ctx); err != nil {
			return err
		}
	}
	if o.exit {
		return nil
	}
	fmt.Printf("\nThe fleet on one page: http://%s/\n", c.HTTP)
	fmt.Printf("Ask more: %s --server %s cells | flags | checks | pulls | pull ID | curve ID | runs\n", filepath.Join(shorten(o.bin), "rollcall"), c.GRPC)
	fmt.Println("Ctrl-C ends it.")
	return c.serve(ctx)
}

// shorten returns a path relative to the working folder where that is shorter.
func shorten(path string) string {
	wd, err := os.Getwd()
	if err != nil {
		return path
	}
	if rel, err := filepath.Rel(wd, path); err == nil && len(rel) < len(path) {
		return rel
	}
	return path
}

// prepareFolder empties the demo's folder, unless it is to go on. It only ever
// removes a folder that it made.
func (o options) prepareFolder() error {
	marker := filepath.Join(o.dir, ".rollcall-demo")
	if !o.goOn {
		entries, err := os.ReadDir(o.dir)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("read the demo's folder: %w", err)
		}
		if len(entries) > 0 {
			if _, err := os.Stat(marker); err != nil {
				return fmt.Errorf("%s is not empty and was not made by the demo; name another folder with --dir", o.dir)
			}
			if err := os.RemoveAll(o.dir); err != nil {
				return fmt.Errorf("empty the demo's folder: %w", err)
			}
		}
	}
	if err := os.MkdirAll(o.dir, 0o755); err != nil {
		return fmt.Errorf("make the demo's folder: %w", err)
	}
	return os.WriteFile(marker, []byte("This folder belongs to Rollcall's demo, which empties it.\n"), 0o644)
}

// playWeeks writes week after week into the cells' folders, never more than
// about a week ahead of the agents, and waits until all is computed.
func (c *demo) playWeeks(ctx context.Context) error {
	from := c.weeksPlayed() + 1
	bar := progressbar.NewOptions(c.weeks-from+1,
		progressbar.OptionSetWriter(os.Stderr), progressbar.OptionSetDescription("weeks played"),
		progressbar.OptionShowCount(), progressbar.OptionSetPredictTime(true), progressbar.OptionSetWidth(40),
		progressbar.OptionOnCompletion(func() { fmt.Fprintln(os.Stderr) }))
	for week := from; week <= c.weeks; week++ {
		var group errgroup.Group
		group.SetLimit(2)
		for _, cell := range c.scenario.Cells {
			group.Go(func() error {
				if err := ctx.Err(); err != nil {
					return err
				}
				_, err := c.scenario.Write(c.In(cell.ID), simulator.WriteOptions{Cell: cell.ID, FromWeek: week, ToWeek: week}, nil)
				return err
			})
		}
		if err := group.Wait(); err != nil {
			return fmt.Errorf("write week %d: %w", week, err)
		}
		if err := os.WriteFile(filepath.Join(c.dir, progressFile), []byte(strconv.Itoa(week)), 0o644); err != nil {
			return fmt.Errorf("remember the week: %w", err)
		}
		if err := c.WaitForFiles(ctx, 2*len(c.scenario.Cells)); err != nil {
			return err
		}
		_ = bar.Add(1)
	}
	fmt.Fprintln(os.Stderr, "waiting for the last pulls to be computed …")
	if err := c.WaitForFiles(ctx, 0); err != nil {
		return err
	}
	return c.WaitForRuns(ctx, c.weeks)
}

func (c *demo) weeksPlayed() int {
	text, err := os.ReadFile(filepath.Join(c.dir, progressFile))
	if err != nil {
		return 0
	}
	n, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || n < 0 || n > c.weeks {
		return 0
	}
	return n
}

// show prints the outcome with the program people use, and what its table of
// cells does not hold: the flags of reference cars and the closed ones.
func (c *demo) show(ctx context.Context) error {
	fmt.Println()
	cmd := c.Rollcall(ctx, "cells")
	cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("list the cells: %w", err)
	}
	answer, err := c.Fleet.ListFlags(ctx, &pb.ListFlagsRequest{IncludeClosed: true})
	if err != nil {
		return fmt.Errorf("list the flags: %w", err)
	}
	for _, f := range answer.Flags {
		switch {
		case f.CarId != "":
			fmt.Printf("Reference car %s: %s\n", f.CarId, f.Evidence)
		case !f.Open:
			fmt.Printf("Cell %s had a flag from %s until %s: %s\n", f.CellId, f.OpenedAt.AsTime().Format(time.DateOnly), f.ClosedAt.AsTime().Format(time.DateOnly), f.ClosedReason)
		}
	}
	return nil
}

// serve waits for Ctrl-C.
func (c *demo) serve(ctx context.Context) error {
	return chain.Poll(ctx, time.Second, func() (bool, error) { return false, c.Alive() })
}
