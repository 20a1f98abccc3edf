package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"rollcall/deploy/chain"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// The cell whose agent drains, and the car whose band the recorded pulls cover.
const (
	drainCell fleet.CellID = "fen-1"
	drainCar  fleet.CarID  = "rowan"
)

// recordings returns recorded pulls of the drained cell.
func (r *rig) recordings() (recordings, error) {
	cell, known := r.registry.Cells[drainCell]
	car, knownCar := r.registry.Cars[drainCar]
	if !known || !knownCar {
		return nil, fmt.Errorf("the registry has no cell %q or no car %q", drainCell, drainCar)
	}
	return newRecordings(cell, car, r.rate), nil
}

// drained is what came of draining a spool.
type drained struct {
	values                 int
	took                   time.Duration
	peak                   int64   // bytes, of the agent
	agent, service, engine float64 // s of processor time
	did                    events  // by the engine
}

func (d drained) rate() float64 { return float64(d.values) / d.took.Seconds() }

// drain fills an agent's spool, starts the agent, and waits for the last
// answer. The time is from the agent's word that the link is up, after which it
// sends, until the service has answered the last message with OK.
func (r *rig) drain(ctx context.Context, recorded recordings, pulls int) (d drained, err error) {
	home := r.Home(drainCell)
	if err := os.RemoveAll(home); err != nil {
		return d, fmt.Errorf("remove the last round's agent: %w", err)
	}
	if err := recorded.fill(ctx, filepath.Join(home, "spool"), pulls, time.Now().Add(-90*24*time.Hour)); err != nil {
		return d, err
	}
	if err := r.quiet(ctx); err != nil {
		return d, err
	}
	if err := empty(ctx, r.served); err != nil {
		return d, err
	}
	before, err := r.stored(ctx)
	if err != nil {
		return d, err
	}
	last := before + recorded.messages(pulls)
	service, engine := seconds(r.Service.PID()), seconds(r.endpoint.PID)
	did, err := r.events(ctx)
	if err != nil {
		return d, err
	}
	if err := r.StartAgent(drainCell); err != nil {
		return d, err
	}
	agent := r.Agents[drainCell]
	defer func() {
		delete(r.Agents, drainCell)
		err = errors.Join(err, agent.Stop(15*time.Second))
	}()
	limit, cancel := context.WithTimeout(ctx, 3*time.Minute)
	defer cancel()
	err = chain.Poll(limit, 2*time.Millisecond, func() (bool, error) {
		if err := agent.Ended(); err != nil {
			return false, err
		}
		log, err := os.ReadFile(agent.Log)
		return bytes.Contains(log, []byte("link up")), err
	})
	if err != nil {
		return d, fmt.Errorf("wait for the agent's link, its log is %s: %w", agent.Log, err)
	}
	began := time.Now()
	err = chain.Poll(limit, 20*time.Millisecond, func() (bool, error) {
		if err := r.Alive(); err != nil {
			return false, err
		}
		n, err := r.stored(limit)
		return n >= last, err
	})
	d.took = time.Since(began)
	if err != nil {
		return d, fmt.Errorf("drain the spool: %w\n%s", err, tail(agent.Log))
	}
	d.agent, d.service, d.engine = seconds(agent.PID()), seconds(r.Service.PID())-service, seconds(r.endpoint.PID)-engine
	d.values = recorded.values(pulls)
	if d.did, err = r.events(ctx); err != nil {
		return d, err
	}
	d.did = d.did.minus(did)
	if d.peak, err = peak(agent.PID()); err != nil {
		return d, err
	}
	// Everything is there, and once.
	var stored uint64
	if err := r.served.Conn().QueryRow(ctx, "SELECT sum(sample_count) FROM sample_blocks").Scan(&stored); err != nil {
		return d, fmt.Errorf("count what was stored: %w", err)
	}
	if int(stored) != d.values {
		return d, fmt.Errorf("%d values were sent and acknowledged, %d are in the database", d.values, stored)
	}
	return d, nil
}

// tail returns the last lines of a log.
func tail(file string) string {
	text, err := os.ReadFile(file)
	if err != nil {
		return err.Error()
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	return strings.Join(lines[max(0, len(lines)-5):], "\n")
}

// way is how rows are inserted straight from memory.
type way struct {
	rows        int // an insert
	connections int
}

func (w way) String() string {
	return fmt.Sprintf("%d rows an insert on %d connections", w.rows, w.connections)
}

// insert inserts rows straight from memory and returns the time until the last
// insert was durable.
func insert(ctx context.Context, s *store.Store, rows []store.BlockRow, w way) (time.Duration, error) {
	began := time.Now()
	group, first := errgroup.WithContext(ctx)
	group.SetLimit(w.connections)
	for len(rows) > 0 {
		n := min(w.rows, len(rows))
		part := rows[:n]
		rows = rows[n:]
		group.Go(func() error {
			batch, err := s.Conn().PrepareBatch(first, `INSERT INTO sample_blocks (pull_id, cell_id, channel, block_index, start_s, step_s,
				times_scale, times_offset, times_counts, times_values, scale, offset, counts, values, sample_count, crc32c)`)
			if err != nil {
				return fmt.Errorf("insert from memory: %w", err)
			}
			defer batch.Close()
			for i := range part {
				r := &part[i]
				err := batch.Append(r.PullID, r.CellID, r.Channel, r.BlockIndex, r.Start, r.Step, r.TimesScale, r.TimesOffset,
					r.TimesCounts, r.TimesValues, r.Scale, r.Offset, r.Counts, r.Values, r.SampleCount, r.CRC)
				if err != nil {
					return fmt.Errorf("insert from memory: %w", err)
				}
			}
			if err := batch.Send(); err != nil {
				return fmt.Errorf("insert from memory: %w", err)
			}
			return nil
		})
	}
	err := group.Wait()
	return time.Since(began), err
}

// inserted is what came of an insert from memory.
type inserted struct {
	rate           float64 // values a second
	client, engine float64 // s of processor time
	did            events  // by the engine
}

// directly inserts so many pulls from memory.
func (r *rig) directly(ctx context.Context, recorded recordings, pulls int, w way) (inserted, error) {
	rows := recorded.rows(pulls)
	if err := r.quiet(ctx); err != nil {
		return inserted{}, err
	}
	did, err := r.events(ctx)
	if err != nil {
		return inserted{}, err
	}
	client, engine := processorTime(), seconds(r.endpoint.PID)
	took, err := insert(ctx, r.direct, rows, w)
	if err != nil {
		return inserted{}, err
	}
	in := inserted{rate: float64(recorded.values(pulls)) / took.Seconds(), client: processorTime() - client, engine: seconds(r.endpoint.PID) - engine}
	if in.did, err = r.events(ctx); err != nil {
		return inserted{}, err
	}
	in.did = in.did.minus(did)
	return in, empty(ctx, r.direct)
}

// bestWay tries inserts from memory of several sizes on one connection and on
// two, all of them and then all again, so that something else that runs for a
// moment does not choose, and returns the fastest.
func (r *rig) bestWay(ctx context.Context, recorded recordings, pulls int) (way, error) {
	var best way
	fastest := 0.0
	for range 2 {
		for _, values := range []int{1 << 20, 4 << 20, 16 << 20} {
			for _, connections := range []int{1, 2} {
				w := way{rows: max(1, values/len(recorded[0].blocks[0].Samples.Counts)), connections: connections}
				in, err := r.directly(ctx, recorded, pulls, w)
				if err != nil {
					return way{}, err
				}
				if in.rate > fastest {
					best, fastest = w, in.rate
				}
			}
		}
	}
	return best, nil
}

// measureThroughput drains a spool and inserts the same arrays from memory, in
// turn.
func (r *rig) measureThroughput(ctx context.Context, t *table) error {
	recorded, err := r.recordings()
	if err != nil {
		return err
	}
	pulls := recorded.pullsIn(r.roundBytes)
	say("looking for the fastest insert from memory …")
	w, err := r.bestWay(ctx, recorded, pulls)
	if err != nil {
		return err
	}
	var through, direct, ratio, agent, service, engine, client, directEngine sample
	var throughDid, directDid events
	for round := range r.rounds {
		say("round %d of %d: %s of spool, and the same from memory …", round+1, r.rounds, size(r.roundBytes))
		var d drained
		var in inserted
		// Turn about, so that neither is always the first.
		for _, draining := range []bool{round%2 == 0, round%2 != 0} {
			if draining {
				if d, err = r.drain(ctx, recorded, pulls); err != nil {
					return err
				}
				if round == r.rounds-1 {
					bytes, values, err := bytesOnDisk(ctx, r.served)
					if err != nil {
						return err
					}
					t.add(figure{name: "bytes on disk a value, recorded pulls", value: fmt.Sprintf("%.2f", float64(bytes)/float64(values)), spread: "exact"})
				}
			} else {
				in, err = r.directly(ctx, recorded, pulls, w)
			}
			if err != nil {
				return err
			}
		}
		through, direct, ratio = append(through, d.rate()/1e6), append(direct, in.rate/1e6), append(ratio, d.rate()/in.rate)
		v := float64(d.values) / 1e9
		agent, service, engine = append(agent, d.agent/v), append(service, d.service/v), append(engine, d.engine/v)
		throughDid, directDid = d.did, in.did
		client, directEngine = append(client, in.client/v), append(directEngine, in.engine/v)
	}
	const aim = 0.6
	t.add(figure{name: "acknowledged durable, agent → gRPC → ClickHouse", value: fmt.Sprintf("%.1f M values/s", through.median()), spread: through.spread("%.1f")})
	t.add(figure{name: "the same arrays by clickhouse-go from memory", value: fmt.Sprintf("%.1f M values/s", direct.median()), spread: direct.spread("%.1f")})
	t.judged(figure{name: "ratio of the two, round by round", value: fmt.Sprintf("%.2f", ratio.median()), spread: ratio.spread("%.2f"), aim: "≥ 0.6"}, ratio.median() >= aim)
	t.note("throughput: recorded pulls of %d channels, int32 counts, 15 s at %g Hz, in blocks of at most %d; %d pulls (%s) a round; "+
		"one agent; the service computes curves meanwhile; both ways into one engine, each acknowledged after fsync; in turn",
		channels, r.rate, blockSamples, pulls, size(r.roundBytes))
	t.note("throughput from memory: %s, the fastest of inserts of 1, 4 and 16 Mi values on 1 and 2 connections, each tried twice", w)
	t.note("processor time a value: drain: agent %.0f ns, service with its computing %.0f ns, engine %.0f ns; from memory: client %.0f ns, engine %.0f ns (medians, merges during the time included)",
		agent.median(), service.median(), engine.median(), client.median(), directEngine.median())
	t.note("the engine in the last round: %s; from memory: %s", throughDid, directDid)
	return nil
}

// measureMemory drains a large spool and looks at the agent's peak memory.
func (r *rig) measureMemory(ctx context.Context, t *table) error {
	recorded, err := r.recordings()
	if err != nil {
		return err
	}
	d, err := r.drain(ctx, recorded, recorded.pullsIn(r.memoryBytes))
	if err != nil {
		return err
	}
	const aim = 40 << 20
	t.judged(figure{
		name: fmt.Sprintf("agent's peak memory while %s drains", size(r.memoryBytes)), value: fmt.Sprintf("%.1f MiB", float64(d.peak)/(1<<20)),
		spread: "1 drain", aim: "< 40 MiB",
	}, d.peak < aim)
	t.note("memory: VmHWM of `rollcell run`; %d values in %.1f s, %.1f M values/s", d.values, d.took.Seconds(), d.rate()/1e6)
	return nil
}
