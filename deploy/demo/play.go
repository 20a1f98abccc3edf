package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/schollz/progressbar/v3"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"rollcall/agent/source/simulator"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

// chain is the demo while it runs.
type chain struct {
	options
	scenario simulator.Scenario
	service  *process
	agents   []*process
	conn     *grpc.ClientConn
	fleet    pb.FleetServiceClient
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
	c := &chain{options: o, scenario: scenario}
	defer func() {
		if stopped := c.stop(); err == nil {
			err = stopped
		}
	}()
	if err := c.startService(ctx); err != nil {
		return err
	}
	if err := c.applyRegistry(ctx); err != nil {
		return err
	}
	if err := c.startAgents(); err != nil {
		return err
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
	fmt.Printf("\nThe fleet on one page: http://%s/\n", c.http)
	fmt.Printf("Ask more: %s --server %s cells | flags | checks | pulls | pull ID | curve ID | runs\n", filepath.Join(shorten(o.bin), "rollcall"), c.grpc)
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

func (c *chain) startService(ctx context.Context) (err error) {
	if c.grpc, err = loopbackAddress(c.grpc); err != nil {
		return err
	}
	if c.http, err = loopbackAddress(c.http); err != nil {
		return err
	}
	fmt.Fprintln(os.Stderr, "starting engine and service …")
	c.service, err = start("the service", filepath.Join(c.dir, "service.log"), filepath.Join(c.bin, "rollcall"),
		"serve", "--data-dir", filepath.Join(c.dir, "service"), "--grpc-listen", c.grpc, "--http-listen", c.http)
	if err != nil {
		return err
	}
	if c.conn, err = grpc.NewClient(c.grpc, grpc.WithTransportCredentials(insecure.NewCredentials())); err != nil {
		return fmt.Errorf("dial the service: %w", err)
	}
	c.fleet = pb.NewFleetServiceClient(c.conn)
	health := healthpb.NewHealthClient(c.conn)
	limit, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	err = poll(limit, 50*time.Millisecond, func() (bool, error) {
		if err := c.service.ended(); err != nil {
			return false, err
		}
		answer, err := health.Check(limit, &healthpb.HealthCheckRequest{})
		return err == nil && answer.Status == healthpb.HealthCheckResponse_SERVING, nil
	})
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("the service was not ready within a minute; its log is %s", c.service.log)
	}
	return err
}

func (c *chain) applyRegistry(ctx context.Context) error {
	out, err := exec.CommandContext(ctx, filepath.Join(c.bin, "rollcall"), "--server", c.grpc,
		"fleet", "apply", filepath.Join(c.source, "registry.yaml")).CombinedOutput()
	if err != nil {
		return fmt.Errorf("apply the registry: %w\n%s", err, out)
	}
	return nil
}

// agentConfig is the file an agent is started with.
type agentConfig struct {
	Cell    string `yaml:"cell"`
	Server  string `yaml:"server"`
	Folder  string `yaml:"folder"`
	Mapping string `yaml:"mapping"`
	State   string `yaml:"state_dir"`
	Spool   struct {
		Dir string `yaml:"dir"`
	} `yaml:"spool"`
}

func (c *chain) inFolder(cell fleet.CellID) string {
	return filepath.Join(c.dir, "cells", string(cell), "in")
}

func (c *chain) startAgents() error {
	mapping, err := filepath.Abs(filepath.Join(c.source, "mapping.yaml"))
	if err != nil {
		return fmt.Errorf("find the mapping: %w", err)
	}
	for _, cell := range c.scenario.Cells {
		home := filepath.Join(c.dir, "cells", string(cell.ID))
		a := agentConfig{Cell: string(cell.ID), Server: c.grpc, Folder: c.inFolder(cell.ID), Mapping: mapping, State: filepath.Join(home, "state")}
		a.Spool.Dir = filepath.Join(home, "spool")
		text, err := yaml.Marshal(a)
		if err != nil {
			return fmt.Errorf("write %s's configuration: %w", cell.ID, err)
		}
		if err := os.MkdirAll(a.Folder, 0o755); err != nil {
			return fmt.Errorf("make %s's folder: %w", cell.ID, err)
		}
		file := filepath.Join(home, "agent.yaml")
		if err := os.WriteFile(file, text, 0o644); err != nil {
			return fmt.Errorf("write %s's configuration: %w", cell.ID, err)
		}
		p, err := start("agent "+string(cell.ID), filepath.Join(home, "agent.log"), filepath.Join(c.bin, "rollcell"), "run", "--config", file)
		if err != nil {
			return err
		}
		c.agents = append(c.agents, p)
	}
	return nil
}

// playWeeks writes week after week into the cells' folders, never more than
// about a week ahead of the agents, and waits until all is computed.
func (c *chain) playWeeks(ctx context.Context) error {
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
				_, err := c.scenario.Write(c.inFolder(cell.ID), simulator.WriteOptions{Cell: cell.ID, FromWeek: week, ToWeek: week}, nil)
				return err
			})
		}
		if err := group.Wait(); err != nil {
			return fmt.Errorf("write week %d: %w", week, err)
		}
		if err := os.WriteFile(filepath.Join(c.dir, progressFile), []byte(strconv.Itoa(week)), 0o644); err != nil {
			return fmt.Errorf("remember the week: %w", err)
		}
		if err := c.waitForFiles(ctx, 2*len(c.scenario.Cells)); err != nil {
			return err
		}
		_ = bar.Add(1)
	}
	fmt.Fprintln(os.Stderr, "waiting for the last pulls to be computed …")
	if err := c.waitForFiles(ctx, 0); err != nil {
		return err
	}
	return c.waitForRuns(ctx)
}

func (c *chain) weeksPlayed() int {
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

// alive returns an error when a child ended by itself.
func (c *chain) alive() error {
	for _, p := range append([]*process{c.service}, c.agents...) {
		if err := p.ended(); err != nil {
			return err
		}
	}
	return nil
}

// waitForFiles waits until the agents have taken all but a few files.
func (c *chain) waitForFiles(ctx context.Context, left int) error {
	return poll(ctx, 20*time.Millisecond, func() (bool, error) {
		if err := c.alive(); err != nil {
			return false, err
		}
		n := 0
		for _, cell := range c.scenario.Cells {
			entries, err := os.ReadDir(c.inFolder(cell.ID))
			if err != nil {
				return false, fmt.Errorf("look into %s's folder: %w", cell.ID, err)
			}
			for _, e := range entries {
				if !e.IsDir() && strings.HasSuffix(e.Name(), ".csv") {
					n++
				}
			}
		}
		return n <= left, nil
	})
}

// waitForRuns waits until every cell has an estimate from all weeks played and
// nothing has changed for a moment.
func (c *chain) waitForRuns(ctx context.Context) error {
	quiet, last := 0, ""
	limit, cancel := context.WithTimeout(ctx, 3*time.Minute)
	defer cancel()
	err := poll(limit, 250*time.Millisecond, func() (bool, error) {
		if err := c.alive(); err != nil {
			return false, err
		}
		answer, err := c.fleet.ListCells(limit, &pb.ListCellsRequest{})
		if err != nil {
			return false, nil // the service is busy or restarting
		}
		complete := len(answer.Cells) == len(c.scenario.Cells)
		for _, cell := range answer.Cells {
			if int(cell.Runs) < c.weeks {
				complete = false
			}
			// Heartbeats go on; they are no news of the fleet.
			cell.AgentSeenAt = nil
			cell.AgentSpoolMessages = 0
		}
		now := answer.String()
		if !complete || now != last {
			quiet, last = 0, now
			return false, nil
		}
		quiet++
		return quiet >= 6, nil
	})
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("the fleet was not computed within three minutes of the last file; see %s and `rollcell status --config %s`",
			c.service.log, filepath.Join(c.dir, "cells", string(c.scenario.Cells[0].ID), "agent.yaml"))
	}
	return err
}

// show prints the outcome with the program people use.
func (c *chain) show(ctx context.Context) error {
	for _, args := range [][]string{{"cells"}, {"flags", "--closed"}} {
		fmt.Println()
		cmd := exec.CommandContext(ctx, filepath.Join(c.bin, "rollcall"), append([]string{"--server", c.grpc}, args...)...)
		cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
		var exit *exec.ExitError
		if err := cmd.Run(); errors.As(err, &exit) && exit.ExitCode() == 3 {
			continue // nothing found is an answer
		} else if err != nil {
			return fmt.Errorf("list %s: %w", args[0], err)
		}
	}
	return nil
}

// serve waits for Ctrl-C.
func (c *chain) serve(ctx context.Context) error {
	return poll(ctx, time.Second, func() (bool, error) { return false, c.alive() })
}

// stop ends the agents, then the service, in order.
func (c *chain) stop() error {
	var group errgroup.Group
	for _, p := range c.agents {
		group.Go(func() error { return p.stop(15 * time.Second) })
	}
	err := group.Wait()
	if c.conn != nil {
		_ = c.conn.Close()
	}
	if c.service != nil {
		err = errors.Join(err, c.service.stop(40*time.Second))
	}
	return err
}
