package main

import (
	"context"
	"fmt"
	"os"
	"runtime/debug"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"rollcall/agent/source/csvfolder"
	"rollcall/agent/spool"
	"rollcall/agent/uplink"
)

// The agent shares its PC with the logger and whatever steers the dyno: it
// stays under 40 MB however much is in the spool. What Go manages is held to
// memoryLimit; the program itself and its threads come to it.
const (
	memoryLimit = 20 << 20
	gcPercent   = 50
)

func (m Main) runCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "run",
		Short: "watch the folder, keep what comes in the spool, send it to the service",
		Long: "Run watches a folder for the logger's files, reads them as the mapping says, makes\n" +
			"their content durable in the spool and sends it to the service. What the service has\n" +
			"not made durable stays in the spool, through any end of this program, of the service\n" +
			"or of the link. It runs until it is interrupted.",
		Args: noArguments,
	}
	load := configFlags(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		config, err := load()
		if err != nil {
			return err
		}
		mapping, err := csvfolder.LoadMapping(config.Mapping)
		if err != nil {
			return usageError{err}
		}
		log, err := config.logger(m.Err)
		if err != nil {
			return usageError{err}
		}
		return run(c.Context(), config, mapping, log)
	}
	return c
}

// run is the agent: everything it consists of, from the folder to the service.
func run(ctx context.Context, config Config, mapping *csvfolder.Mapping, log *zap.Logger) (err error) {
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(memoryLimit))
	defer debug.SetGCPercent(debug.SetGCPercent(gcPercent))
	if err := os.MkdirAll(config.StateDir, 0o755); err != nil {
		return fmt.Errorf("make state folder: %w", err)
	}
	s, err := spool.Open(config.spool(), log)
	if err != nil {
		return err
	}
	defer func() {
		if e := s.Close(); e != nil && err == nil {
			err = e
		}
	}()
	folder, err := csvfolder.New(config.csvfolder(), mapping, log)
	if err != nil {
		return err
	}
	up, err := uplink.New(config.uplink(), s, log)
	if err != nil {
		return err
	}
	up.Rejected = func() int { return folder.Status().InRejected }
	r := &reporter{config: config, started: time.Now(), now: time.Now, spool: s, folder: folder, uplink: up, since: map[string]time.Time{}}

	log.Info("agent started", zap.String("cell_id", config.Cell), zap.String("server", config.Server),
		zap.String("folder", config.Folder), zap.Int64("spool_messages", s.Stats().Messages), zap.String("version", version()))
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return folder.Run(ctx, uplink.NewSink(s)) })
	group.Go(func() error { return up.Run(ctx) })
	group.Go(func() error {
		every := time.NewTicker(statusEvery)
		defer every.Stop()
		told := false
		for {
			// A disk that cannot take status.json is no reason to stop.
			if err := r.write(false); err != nil && !told {
				log.Error("status not written", zap.Error(err))
				told = true
			} else if err == nil {
				told = false
			}
			select {
			case <-every.C:
			case <-ctx.Done():
				return nil
			}
		}
	})
	err = group.Wait()
	if e := r.write(true); e != nil {
		log.Warn("status not written", zap.Error(e))
	}
	log.Info("agent stopped", zap.Int64("spool_messages", s.Stats().Messages), zap.Error(err))
	return err
}
