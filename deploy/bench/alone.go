package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"syscall"
	"time"

	"rollcall/agent/source/simulator"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// aloneRounds and aloneTime are how often and how long a rate on one core is
// measured.
const (
	aloneRounds = 7
	aloneTime   = 600 * time.Millisecond
)

// rates is what was measured in a process of its own, on one core.
type rates struct {
	Wall  sample  // a second of the clock, each round
	CPU   sample  // a second of processor time, each round
	Bytes float64 // allocated each time
}

// measure calls f, which returns how much it did, over and over.
func measure(f func() (int, error)) (rates, error) {
	var out rates
	if _, err := f(); err != nil {
		return out, err
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	calls := 0
	for range aloneRounds {
		began, used := time.Now(), processorTime()
		done := 0
		for time.Since(began) < aloneTime {
			n, err := f()
			if err != nil {
				return out, err
			}
			done += n
			calls++
		}
		out.Wall = append(out.Wall, float64(done)/time.Since(began).Seconds())
		out.CPU = append(out.CPU, float64(done)/(processorTime()-used))
	}
	runtime.ReadMemStats(&after)
	out.Bytes = float64(after.TotalAlloc-before.TotalAlloc) / float64(calls)
	return out, nil
}

func processorTime() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// alone runs a part in a process of its own with GOMAXPROCS=1.
func alone(ctx context.Context, part string, to any, args ...string) error {
	program, err := os.Executable()
	if err != nil {
		return fmt.Errorf("find this program: %w", err)
	}
	cmd := exec.CommandContext(ctx, program, append([]string{"--alone", part}, args...)...)
	cmd.Env = append(os.Environ(), "GOMAXPROCS=1")
	cmd.Stderr = os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	out, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("measure %s: %w", part, err)
	}
	return json.Unmarshal(out, to)
}

// runAlone is the child's side of alone.
func runAlone(o options) error {
	if n := runtime.GOMAXPROCS(0); n != 1 {
		return fmt.Errorf("--alone is for one core, GOMAXPROCS is %d", n)
	}
	var result any
	var err error
	switch o.alone {
	case "compute":
		result, err = computeAlone()
	case "csv":
		result, err = csvAlone(o)
	default:
		err = fmt.Errorf("--alone %q is not a part that runs alone", o.alone)
	}
	if err != nil {
		return err
	}
	return json.NewEncoder(os.Stdout).Encode(result)
}

// shapes are the pulls that are computed.
var shapes = []struct {
	name              string
	hold, ramp, coast float64 // s
}{
	{"15 s sweep and 30 s coast-down", 0.5, 15, 30},
	{"15 s with both in it", 0.5, 5, 9.5},
}

// computeAlone measures everything that is computed of a pull: curve, findings,
// its part of a reference run.
func computeAlone() ([]rates, error) {
	var out []rates
	for _, shape := range shapes {
		p := pulltest.Example()
		p.Hold, p.Ramp, p.Coast = shape.hold, shape.ramp, shape.coast
		p.Accel, p.Bend = 31/p.Ramp, 0
		p.Random = rand.New(rand.NewPCG(1, 1))
		p.SpeedNoise, p.LoadNoise, p.EngineNoise = 0.01, 20, 1
		in := powercurve.Input{
			Cell: p.Cell, Vehicle: powercurve.VehicleOf(p.Car), Channels: widen(&p), Correction: fleet.CorrectionSAEJ1349,
			Band: refrun.BandPoints(p.Car.BandLow, p.Car.BandHigh),
		}
		if len(in.Channels) != channels {
			return nil, fmt.Errorf("the pull has %d channels, not %d", len(in.Channels), channels)
		}
		ramp := p.Accel * p.Car.GearRatio / p.Car.TyreRadius
		session := refrun.Session{Site: "site-1", Cell: p.Cell.ID, Car: p.Car.ID, Name: "week 1"}
		pull := fleet.Pull{ID: "a", StartedAt: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}
		r, err := measure(func() (int, error) {
			c, err := powercurve.Reduce(in)
			if err != nil {
				return 0, err
			}
			found := finding.Judge(finding.Input{
				Pull: in, Curve: &c, RampRate: &ramp, BandLow: p.Car.BandLow, BandHigh: p.Car.BandHigh, Limits: finding.DefaultLimits(),
			})
			run := refrun.Assemble(session, []refrun.Source{{Pull: pull, Curve: &c, Findings: found}})
			if len(run.Pulls) != 1 || c.NoEnginePower != "" {
				return 0, fmt.Errorf("%s: the pull is not computed whole: %v %s", shape.name, run.LeftOut, c.NoEnginePower)
			}
			return 1, nil
		})
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

func measureCompute(ctx context.Context, t *table) error {
	var measured []rates
	if err := alone(ctx, "compute", &measured); err != nil {
		return err
	}
	for i, m := range measured {
		name := shapes[i].name
		t.judged(figure{name: "pulls computed a second of one core, " + name, value: fmt.Sprintf("%.0f", m.CPU.median()), spread: m.CPU.spread("%.0f"), aim: "≥ 500"}, m.CPU.median() >= 500)
		t.judged(figure{name: "bytes allocated a pull, " + name, value: fmt.Sprintf("%.2f MB", m.Bytes/1e6), spread: "mean", aim: "< 2 MB"}, m.Bytes < 2e6)
		t.note("computing, %s: 100 Hz, %d channels; curve, findings, reference run; GOMAXPROCS=1, a second of processor time with garbage collection; by the clock, beside whatever else ran, %.0f pulls/s",
			name, channels, m.Wall.median())
	}
	return nil
}

// count is a sink that counts numbers.
type count int

// Append implements source.Sink.
func (c *count) Append(_ context.Context, requests ...*pb.StreamRequest) error {
	for _, r := range requests {
		s := r.GetSampleBlock().GetSamples()
		*c += count(len(s.GetCounts()) + len(s.GetValues()))
	}
	return nil
}

// csvResult is what reading CSV files came to.
type csvResult struct {
	Rates         rates
	Files, Values int
	Bytes         int64
}

// csvAlone reads the simulated files in o.tmp again and again.
func csvAlone(o options) (csvResult, error) {
	var out csvResult
	_, mapping, err := o.chainOf()
	if err != nil {
		return out, err
	}
	names, err := filepath.Glob(filepath.Join(o.tmp, "*.csv"))
	if err != nil {
		return out, err
	}
	if len(names) == 0 {
		return out, errors.New("there are no files to read")
	}
	out.Files = len(names)
	out.Rates, err = measure(func() (int, error) {
		var n count
		out.Bytes = 0
		for _, name := range names {
			f, err := os.Open(name)
			if err != nil {
				return 0, err
			}
			info, err := f.Stat()
			if err == nil {
				out.Bytes += info.Size()
				err = mapping.Take(context.Background(), filepath.Base(name), f, latencyCell, "bench", &n)
			}
			if err = errors.Join(err, f.Close()); err != nil {
				return 0, err
			}
		}
		out.Values = int(n)
		return int(n), nil
	})
	return out, err
}

func measureCSV(ctx context.Context, o options, dir string, t *table) error {
	scenario, _, err := o.chainOf()
	if err != nil {
		return err
	}
	folder := filepath.Join(dir, "csv")
	if _, err := scenario.Write(folder, simulator.WriteOptions{Cell: latencyCell, ToWeek: 2}, nil); err != nil {
		return err
	}
	var m csvResult
	if err := alone(ctx, "csv", &m, "--source", o.source, "--tmp", folder); err != nil {
		return err
	}
	rate := make(sample, len(m.Rates.CPU))
	for i, x := range m.Rates.CPU {
		rate[i] = x / 1e6
	}
	t.add(figure{name: "values read from CSV files a second of one core", value: fmt.Sprintf("%.1f M", rate.median()), spread: rate.spread("%.1f")})
	t.note("CSV: %d files of the demo's recorder, %.1f MB, %d values, each file read twice as the agent does (checked, then sent), into nothing; %.0f MB of text a second of processor time; by the clock %.1f M values/s",
		m.Files, float64(m.Bytes)/1e6, m.Values, rate.median()*float64(m.Bytes)/float64(m.Values), m.Rates.Wall.median()/1e6)
	return os.RemoveAll(folder)
}
