package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"rollcall/agent/source/csvfolder"
	"rollcall/agent/source/simulator"
	"rollcall/agent/spool"
	"rollcall/agent/uplink"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// messages is a sink that keeps what it is given.
type messages []*pb.StreamRequest

// Append implements source.Sink.
func (m *messages) Append(_ context.Context, requests ...*pb.StreamRequest) error {
	for _, r := range requests {
		*m = append(*m, proto.Clone(r).(*pb.StreamRequest))
	}
	return nil
}

// simulate writes weeks of a scenario's cell as CSV files and reads them as an
// agent does: a record's messages each, in order of time.
func simulate(ctx context.Context, s simulator.Scenario, mapping *csvfolder.Mapping, dir string, cell fleet.CellID, weeks int) ([]messages, error) {
	if _, err := s.Write(dir, simulator.WriteOptions{Cell: cell, ToWeek: weeks}, nil); err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("list simulated files: %w", err)
	}
	var records []messages
	for _, e := range entries { // by name, which begins with the time
		f, err := os.Open(filepath.Join(dir, e.Name()))
		if err != nil {
			return nil, fmt.Errorf("open simulated file: %w", err)
		}
		var m messages
		err = errors.Join(mapping.Take(ctx, e.Name(), f, cell, "bench", &m), f.Close())
		if err != nil {
			return nil, fmt.Errorf("read simulated file %s: %w", e.Name(), err)
		}
		records = append(records, m)
	}
	return records, os.RemoveAll(dir)
}

// chainOf reads the demo's scenario and mapping.
func (o options) chainOf() (simulator.Scenario, *csvfolder.Mapping, error) {
	s, err := simulator.Load(filepath.Join(o.source, "scenario.yaml"))
	if err != nil {
		return s, nil, err
	}
	m, err := csvfolder.LoadMapping(filepath.Join(o.source, "mapping.yaml"))
	return s, m, err
}

// measureDisk stores weeks of the demo's chain and counts the bytes.
func (r *rig) measureDisk(ctx context.Context, t *table) error {
	scenario, mapping, err := r.chainOf()
	if err != nil {
		return err
	}
	records := 0
	for _, cell := range scenario.Cells {
		simulated, err := simulate(ctx, scenario, mapping, filepath.Join(r.dir, "simulated"), cell.ID, r.diskWeeks)
		if err != nil {
			return err
		}
		var batch store.Batch
		for _, record := range simulated {
			for _, m := range record {
				if m.GetSampleBlock() == nil {
					continue
				}
				b, err := wire.FromSampleBlock(m.GetSampleBlock())
				if err != nil {
					return fmt.Errorf("read a block: %w", err)
				}
				batch.Blocks = append(batch.Blocks, store.FromBlock(b))
			}
			records++
		}
		if err := r.direct.Append(ctx, batch); err != nil {
			return err
		}
	}
	bytes, values, err := bytesOnDisk(ctx, r.direct)
	if err != nil {
		return err
	}
	t.add(figure{name: "bytes on disk a value, simulated records", value: fmt.Sprintf("%.2f", float64(bytes)/float64(values)), spread: "exact"})
	t.note("disk: sample_blocks with keys and marks after OPTIMIZE FINAL; simulated: %d records of the demo's chain, %d weeks of %d cells at %g Hz, "+
		"%.1f M values in up to 8 channels as counts; int32 without compression would be 4 bytes", records, r.diskWeeks, len(scenario.Cells), scenario.SampleRate, float64(values)/1e6)
	return empty(ctx, r.direct)
}

// latencyCell is the cell whose pulls are timed.
const latencyCell fleet.CellID = "fen-1"

// measureLatency sends a cell's records one by one and times each pull from the
// handing over of its end to the spool until the service returns its curve.
func (r *rig) measureLatency(ctx context.Context, t *table) error {
	scenario, mapping, err := r.chainOf()
	if err != nil {
		return err
	}
	// As many pulls a week as make the number wanted; the rest of the week is as
	// planned.
	scenario.Plan.PullsEach = max(scenario.Plan.PullsEach, (r.pulls+2*scenario.Weeks-1)/(2*scenario.Weeks))
	records, err := simulate(ctx, scenario, mapping, filepath.Join(r.dir, "simulated"), latencyCell, scenario.Weeks)
	if err != nil {
		return err
	}
	config := spool.DefaultConfig()
	config.Dir = filepath.Join(r.dir, "latency", "spool")
	s, err := spool.Open(config, nop)
	if err != nil {
		return err
	}
	defer s.Close()
	up := uplink.DefaultConfig()
	up.Cell, up.Server, up.Version, up.AsideDir = string(latencyCell), r.GRPC, "bench", filepath.Join(r.dir, "latency", "aside")
	link, err := uplink.New(up, s, nop)
	if err != nil {
		return err
	}
	linkCtx, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- link.Run(linkCtx) }()
	defer func() {
		stop()
		<-ended
	}()

	sink := uplink.NewSink(s)
	random := rand.New(rand.NewPCG(1, 2))
	var latency, spooled sample
	before, err := r.metrics(ctx)
	if err != nil {
		return err
	}
	computed, reason := 0, ""
	next := time.Now()
	for _, record := range records {
		last := record[len(record)-1]
		begin := record[0].GetPullBegin()
		if begin == nil || begin.Kind != pb.PullKind_PULL_KIND_PULL {
			if err := sink.Append(ctx, record...); err != nil {
				return err
			}
			continue
		}
		if len(latency) == r.pulls {
			break
		}
		select {
		case <-time.After(time.Until(next)):
		case <-ctx.Done():
			return ctx.Err()
		}
		next = time.Now().Add(time.Duration((0.5 + random.Float64()) * float64(r.pace)))
		if err := sink.Append(ctx, record[:len(record)-1]...); err != nil {
			return err
		}
		began := time.Now()
		if err := sink.Append(ctx, last); err != nil {
			return err
		}
		spooled = append(spooled, float64(time.Since(began).Microseconds())/1000)
		pull, err := r.awaitCurve(ctx, begin.PullId)
		if err != nil {
			return err
		}
		latency = append(latency, float64(time.Since(began).Microseconds())/1000)
		if pull.State == "computed" {
			computed++
		} else {
			reason = fmt.Sprintf("pull %s is %s: %s", pull.PullId, pull.State, pull.Reason)
		}
	}
	if len(latency) < r.pulls {
		return fmt.Errorf("the scenario gave %d pulls, %d were wanted", len(latency), r.pulls)
	}
	if state := link.State(); state.SetAside > 0 || computed == 0 {
		return fmt.Errorf("%d of %d pulls were computed, %d messages were set aside: %s, %v", computed, len(latency), state.SetAside, reason, state.Answers)
	}
	p50, p99 := latency.quantile(0.5), latency.quantile(0.99)
	t.add(figure{name: "latency from last block to stored curve, p50", value: fmt.Sprintf("%.0f ms", p50), spread: latency.spread("%.0f")})
	t.judged(figure{name: "latency from last block to stored curve, p99", value: fmt.Sprintf("%.0f ms", p99), spread: fmt.Sprintf("p95 %.0f", latency.quantile(0.95)), aim: "< 250 ms"}, p99 < 250)
	after, err := r.metrics(ctx)
	if err != nil {
		return err
	}
	// A histogram's mean over the time, ms.
	mean := func(name string) float64 {
		return 1000 * (after[name+"_sum"] - before[name+"_sum"]) / max(1, after[name+"_count"]-before[name+"_count"])
	}
	slices.Sort(latency)
	t.note("latency: %d simulated pulls of one cell among its checks and coast-downs, one every %v on average, %g Hz, 8 channels; from handing the pull's end to the agent's spool "+
		"until GetCurve returns its row (asked again and again, no pause); %d have a curve, the others a reason; the five slowest %.0f ms",
		len(latency), r.pace, scenario.SampleRate, computed, latency[max(0, len(latency)-5):])
	t.note("latency's parts: the end durable in the spool %.0f ms (median, p99 %.0f); means: commit of a batch %.0f ms, computing and storing %.0f ms; comparing the fleet anew, which the next pull may have to wait for, %.0f ms, %.0f times",
		spooled.median(), spooled.quantile(0.99), mean("rollcall_ingest_commit_seconds"), mean("rollcall_pipeline_batch_seconds"), mean("rollcall_pipeline_fleet_seconds"),
		after["rollcall_pipeline_fleet_seconds_count"]-before["rollcall_pipeline_fleet_seconds_count"])
	return r.quiet(ctx)
}

// awaitCurve asks for a pull's curve until it is there, and returns its pull.
func (r *rig) awaitCurve(ctx context.Context, id string) (*pb.Pull, error) {
	limit, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	for {
		answer, err := r.Fleet.GetCurve(limit, &pb.GetCurveRequest{PullId: id})
		switch {
		case err == nil:
			return answer.Pull, nil
		case status.Code(err) != codes.NotFound:
			return nil, fmt.Errorf("wait for the curve of pull %s: %w", id, err)
		}
	}
}
