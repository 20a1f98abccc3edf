package chain

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

// Config says where the parts are and how they are reached.
type Config struct {
	Dir     string // everything is kept below it, absolute
	Bin     string // folder of the programs rollcall and rollcell
	Mapping string // how the agents read files
	GRPC    string // wished address of the service's gRPC
	HTTP    string // wished address of its pages
	// ServeFlags are further flags of `rollcall serve`.
	ServeFlags []string
	// AgentServer is the address the agents send to; empty: the service's.
	AgentServer string
}

// Chain is a service and its agents while they run. Make it with New; Stop
// ends everything.
type Chain struct {
	Config
	Service *Process
	Agents  map[fleet.CellID]*Process
	conn    *grpc.ClientConn
	Fleet   pb.FleetServiceClient
}

// New returns a chain of which nothing runs yet. Where a wished port is in use
// it takes another.
func New(c Config) (*Chain, error) {
	var err error
	if c.GRPC, err = LoopbackAddress(c.GRPC); err != nil {
		return nil, err
	}
	if c.HTTP, err = LoopbackAddress(c.HTTP); err != nil {
		return nil, err
	}
	if c.Mapping, err = filepath.Abs(c.Mapping); err != nil {
		return nil, fmt.Errorf("find the mapping: %w", err)
	}
	conn, err := grpc.NewClient(c.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		return nil, fmt.Errorf("dial the service: %w", err)
	}
	return &Chain{Config: c, Agents: map[fleet.CellID]*Process{}, conn: conn, Fleet: pb.NewFleetServiceClient(conn)}, nil
}

// StartService starts the service and waits until it serves.
func (c *Chain) StartService(ctx context.Context) (err error) {
	args := append([]string{"serve", "--data-dir", filepath.Join(c.Dir, "service"), "--grpc-listen", c.GRPC, "--http-listen", c.HTTP, "--fleet-delay", fleetDelay.String()}, c.ServeFlags...)
	if c.Service, err = Start("the service", filepath.Join(c.Dir, "service.log"), filepath.Join(c.Bin, "rollcall"), args...); err != nil {
		return err
	}
	health := healthpb.NewHealthClient(c.conn)
	limit, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	err = Poll(limit, 50*time.Millisecond, func() (bool, error) {
		if err := c.Service.Ended(); err != nil {
			return false, err
		}
		answer, err := health.Check(limit, &healthpb.HealthCheckRequest{})
		return err == nil && answer.Status == healthpb.HealthCheckResponse_SERVING, nil
	})
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("the service was not ready within a minute; its log is %s", c.Service.Log)
	}
	return err
}

// Rollcall returns the program people use, pointed at the service.
func (c *Chain) Rollcall(ctx context.Context, args ...string) *exec.Cmd {
	return exec.CommandContext(ctx, filepath.Join(c.Bin, "rollcall"), append([]string{"--server", c.GRPC}, args...)...)
}

// ApplyRegistry applies a registry file.
func (c *Chain) ApplyRegistry(ctx context.Context, file string) error {
	out, err := c.Rollcall(ctx, "fleet", "apply", file).CombinedOutput()
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
	// Settle is 0: the files appear by renaming.
	Settle float64 `yaml:"settle_s"`
	Spool  struct {
		Dir string `yaml:"dir"`
	} `yaml:"spool"`
}

// Home returns the folder of a cell's agent.
func (c *Chain) Home(cell fleet.CellID) string { return filepath.Join(c.Dir, "cells", string(cell)) }

// In returns the folder a cell's agent watches.
func (c *Chain) In(cell fleet.CellID) string { return filepath.Join(c.Home(cell), "in") }

// StartAgent starts the agent of a cell.
func (c *Chain) StartAgent(cell fleet.CellID) error {
	a := agentConfig{Cell: string(cell), Server: c.GRPC, Folder: c.In(cell), Mapping: c.Mapping, State: filepath.Join(c.Home(cell), "state")}
	if c.AgentServer != "" {
		a.Server = c.AgentServer
	}
	a.Spool.Dir = filepath.Join(c.Home(cell), "spool")
	text, err := yaml.Marshal(a)
	if err != nil {
		return fmt.Errorf("write %s's configuration: %w", cell, err)
	}
	if err := os.MkdirAll(a.Folder, 0o755); err != nil {
		return fmt.Errorf("make %s's folder: %w", cell, err)
	}
	file := filepath.Join(c.Home(cell), "agent.yaml")
	if err := os.WriteFile(file, text, 0o644); err != nil {
		return fmt.Errorf("write %s's configuration: %w", cell, err)
	}
	p, err := Start("agent "+string(cell), filepath.Join(c.Home(cell), "agent.log"), filepath.Join(c.Bin, "rollcell"), "run", "--config", file)
	if err != nil {
		return err
	}
	c.Agents[cell] = p
	return nil
}

// Alive returns an error when a child ended by itself.
func (c *Chain) Alive() error {
	if err := c.Service.Ended(); err != nil {
		return err
	}
	for _, p := range c.Agents {
		if err := p.Ended(); err != nil {
			return err
		}
	}
	return nil
}

// FilesLeft counts the CSV files the agents have not taken yet.
func (c *Chain) FilesLeft() (int, error) {
	n := 0
	for cell := range c.Agents {
		entries, err := os.ReadDir(c.In(cell))
		if err != nil {
			return 0, fmt.Errorf("look into %s's folder: %w", cell, err)
		}
		for _, e := range entries {
			if !e.IsDir() && strings.HasSuffix(e.Name(), ".csv") {
				n++
			}
		}
	}
	return n, nil
}

// WaitForFiles waits until the agents have taken all but a few files.
func (c *Chain) WaitForFiles(ctx context.Context, left int) error {
	return Poll(ctx, 20*time.Millisecond, func() (bool, error) {
		if err := c.Alive(); err != nil {
			return false, err
		}
		n, err := c.FilesLeft()
		return n <= left, err
	})
}

// fleetDelay is how long the service gathers runs, and look how often
// WaitForRuns asks whether something changed.
const (
	fleetDelay = 500 * time.Millisecond
	look       = 250 * time.Millisecond
)

// WaitForRuns waits until every cell with an agent has as many reference runs
// as asked and nothing of the fleet has changed for a moment.
func (c *Chain) WaitForRuns(ctx context.Context, runs int) error {
	quiet, last := 0, ""
	limit, cancel := context.WithTimeout(ctx, 3*time.Minute)
	defer cancel()
	err := Poll(limit, look, func() (bool, error) {
		if err := c.Alive(); err != nil {
			return false, err
		}
		answer, err := c.Fleet.ListCells(limit, &pb.ListCellsRequest{})
		if err != nil {
			return false, nil // the service is busy or restarting
		}
		complete := 0
		for _, cell := range answer.Cells {
			if _, ours := c.Agents[fleet.CellID(cell.CellId)]; ours && int(cell.Runs) >= runs {
				complete++
			}
			// Heartbeats go on; they are no news of the fleet.
			cell.AgentSeenAt = nil
			cell.AgentSpoolMessages = 0
		}
		now := answer.String()
		if complete < len(c.Agents) || now != last {
			quiet, last = 0, now
			return false, nil
		}
		quiet++
		return time.Duration(quiet)*look > 2*fleetDelay+look, nil
	})
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("the fleet was not computed within three minutes of the last file; see %s and the agents' logs below %s", c.Service.Log, filepath.Join(c.Dir, "cells"))
	}
	return err
}

// Stop ends the agents, then the service, in order.
func (c *Chain) Stop() error {
	var group errgroup.Group
	for _, p := range c.Agents {
		group.Go(func() error { return p.Stop(15 * time.Second) })
	}
	err := group.Wait()
	_ = c.conn.Close()
	if c.Service != nil {
		err = errors.Join(err, c.Service.Stop(40*time.Second))
	}
	return err
}
