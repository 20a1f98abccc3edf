package pipeline_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"

	"rollcall/agent/source/csvfolder"
	"rollcall/agent/source/simulator"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/admin"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/registry"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

func TestMain(m *testing.M) { os.Exit(storetest.Main(m)) }

// sink puts what a source yields into the store, as ingest does.
type sink struct {
	t     *testing.T
	store *store.Store

	mu    sync.Mutex
	batch store.Batch
}

func (s *sink) Append(ctx context.Context, requests ...*pb.StreamRequest) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	at := time.Unix(0, 0).UTC()
	for _, r := range requests {
		var err error
		switch body := r.Body.(type) {
		case *pb.StreamRequest_PullBegin:
			var p fleet.Pull
			p, err = wire.FromPullBegin(body.PullBegin)
			s.batch.Pulls = append(s.batch.Pulls, store.FromPull(p, at))
		case *pb.StreamRequest_SampleBlock:
			var b wire.Block
			b, err = wire.FromSampleBlock(body.SampleBlock)
			// The source reuses its slices.
			b.Samples.Counts = append([]int32(nil), b.Samples.Counts...)
			b.Samples.Values = append([]float64(nil), b.Samples.Values...)
			b.Times.Counts = append([]int32(nil), b.Times.Counts...)
			b.Times.Values = append([]float64(nil), b.Times.Values...)
			s.batch.Blocks = append(s.batch.Blocks, store.FromBlock(b))
		case *pb.StreamRequest_PullEnd:
			var e wire.End
			e, err = wire.FromPullEnd(body.PullEnd)
			s.batch.Ends = append(s.batch.Ends, store.FromEnd(e, at))
		case *pb.StreamRequest_CalibrationCheck:
			var c fleet.Check
			c, err = wire.FromCalibrationCheck(body.CalibrationCheck)
			s.batch.Checks = append(s.batch.Checks, store.FromCheck(c, at))
		}
		if err != nil {
			return fmt.Errorf("%T: %w", r.Body, err)
		}
	}
	return nil
}

func (s *sink) flush() {
	s.t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.store.Append(s.t.Context(), s.batch); err != nil {
		s.t.Fatal(err)
	}
	s.batch = store.Batch{}
}

// feed simulates weeks of cells and puts them into the store.
func feed(t *testing.T, s *store.Store, from, to int, cells ...fleet.CellID) {
	t.Helper()
	scenario, err := simulator.Load("../../deploy/demo/scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	mapping, err := csvfolder.LoadMapping("../../deploy/demo/mapping.yaml")
	if err != nil {
		t.Fatal(err)
	}
	into := &sink{t: t, store: s}
	for _, cell := range scenario.Cells {
		if len(cells) > 0 && !contains(cells, cell.ID) {
			continue
		}
		dir := t.TempDir()
		if _, err := scenario.Write(dir, simulator.WriteOptions{Cell: cell.ID, FromWeek: from, ToWeek: to}, nil); err != nil {
			t.Fatal(err)
		}
		c := csvfolder.DefaultConfig()
		c.Folder, c.Cell, c.Settle, c.Poll = dir, cell.ID, 0, 100*time.Millisecond
		folder, err := csvfolder.New(c, mapping, zap.NewNop())
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- folder.Run(ctx, into) }()
		for {
			left, err := filepath.Glob(filepath.Join(dir, "*.csv"))
			if err != nil {
				t.Fatal(err)
			}
			if len(left) == 0 {
				break
			}
			runtime.Gosched()
			time.Sleep(5 * time.Millisecond)
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if rejected, _ := filepath.Glob(filepath.Join(dir, "rejected", "*")); len(rejected) > 0 {
			t.Fatalf("rejected: %v", rejected)
		}
		into.flush()
	}
}

func contains(cells []fleet.CellID, c fleet.CellID) bool {
	for _, x := range cells {
		if x == c {
			return true
		}
	}
	return false
}

// newBook returns the demo's registry, applied.
func newBook(t *testing.T, s *store.Store) *admin.Book {
	t.Helper()
	text, err := os.ReadFile("../../deploy/demo/registry.yaml")
	if err != nil {
		t.Fatal(err)
	}
	book := admin.NewBook(s)
	apply(t, s, book, string(text))
	return book
}

// apply applies a registry file.
func apply(t *testing.T, s *store.Store, book *admin.Book, text string) {
	t.Helper()
	doc, problems := registry.Parse("registry.yaml", []byte(text), time.Now())
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	_, add, err := registry.Plan(book.Versions(), doc, time.Unix(int64(len(book.Versions())), 0), "test")
	if err != nil {
		t.Fatal(err)
	}
	var rows []store.RegistryRow
	for _, v := range add {
		rows = append(rows, store.RegistryRow{Kind: string(v.Kind), ID: v.ID, EffectiveAt: v.EffectiveAt, RecordedAt: v.RecordedAt, AppliedBy: v.By, Body: string(v.Body)})
	}
	if err := s.AppendRegistry(t.Context(), rows); err != nil {
		t.Fatal(err)
	}
	if err := book.Load(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func recompute(t *testing.T, p *pipeline.Pipeline) {
	t.Helper()
	if err := p.Recompute(t.Context(), func(string, uint64, uint64) error { return nil }); err != nil {
		t.Fatal(err)
	}
}

// TestRecompute computes a stretch of the demo twice from the raw tables, by
// two pipelines, and asks for the same bytes.
func TestRecompute(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 6, "fen-1", "fen-2", "rid-1", "rid-2")
	var dumps [2][]store.Dump
	for i := range dumps {
		recompute(t, pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil))
		var err error
		if dumps[i], err = s.DumpComputed(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	for _, d := range dumps[0] {
		if d.Rows == 0 && d.Table != "flags" && d.Table != "touched_pulls" && d.Table != "car_estimates" && d.Table != "neighbour_findings" {
			t.Errorf("%s is empty", d.Table)
		}
	}
	if d := cmp.Diff(dumps[0], dumps[1]); d != "" {
		t.Errorf("recomputing gave other bytes:\n%s", d)
	}
}

// TestLiveIsRecompute takes the records in as they come, in an order of its
// own, through a running pipeline that is stopped and started between, and asks
// for the bytes that recomputing gives.
func TestLiveIsRecompute(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	c := pipeline.DefaultConfig()
	c.FleetDelay = 10 * time.Millisecond
	c.Sweep = 100 * time.Millisecond
	run := func(load func()) {
		t.Helper()
		p := pipeline.New(c, s, book, zaptest.NewLogger(t), nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- p.Run(ctx) }()
		load()
		// Nobody says that a record has come: it is found by a sweep, and until
		// then the pipeline is idle.
		await(t, func() bool {
			pulls, err := s.PullsAwaitingComputation(ctx, pipeline.CodeVersion, 1)
			if err != nil {
				t.Fatal(err)
			}
			checks, err := s.ChecksAwaitingComputation(ctx, pipeline.CodeVersion, 1)
			if err != nil {
				t.Fatal(err)
			}
			return len(pulls)+len(checks) == 0 && p.Idle()
		})
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
	run(func() { feed(t, s, 4, 5, "rid-1", "rid-2") })
	run(func() { feed(t, s, 1, 3, "rid-2"); feed(t, s, 1, 3, "rid-1") })
	live, err := s.DumpComputed(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	recompute(t, pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil))
	again, err := s.DumpComputed(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(again, live); d != "" {
		t.Errorf("what was computed live differs (- recomputed, + live):\n%s", d)
	}
}

func await(t *testing.T, done func() bool) {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	for !done() {
		if time.Now().After(deadline) {
			t.Fatal("not done within a minute")
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// TestDemoHistory prints what the demo's 26 weeks give; it is for people.
func TestDemoHistory(t *testing.T) {
	if os.Getenv("ROLLCALL_DEMO_HISTORY") == "" {
		t.Skip("set ROLLCALL_DEMO_HISTORY=1 to see it")
	}
	s := storetest.Open(t)
	book := newBook(t, s)
	began := time.Now()
	feed(t, s, 1, 26)
	t.Logf("fed in %s", time.Since(began))
	began = time.Now()
	p := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	recompute(t, p)
	t.Logf("computed in %s", time.Since(began))
	flags, err := s.ListFlags(t.Context(), store.Filter{}, true)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range flags {
		var causes []string
		for _, c := range f.Causes() {
			causes = append(causes, fmt.Sprintf("%s %.2f (%.4g ± %.2g %s)", c.Fault, c.Probability, c.Size, c.SizeU, c.Unit))
		}
		t.Logf("%s%s %s open=%v first %s opened %s closed %v size %+.2f %% ± %.2f %% | %s | next %s | %s", f.CellID, f.CarID, f.Kind, f.Open,
			f.FirstEvidenceAt.Format(time.DateOnly), f.OpenedAt.Format(time.DateOnly), f.ClosedAt, 100*f.Size, 100*f.SizeU, strings.Join(causes, ", "), f.NextCheck, f.Evidence)
	}
	est, err := s.ReadEstimatesLatest(t.Context(), store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range est {
		t.Logf("%s %+.2f %% ± %.2f %% runs %d cusum %.1f/%.1f of %.1f %s", e.CellID, 100*e.Offset, 100*e.OffsetU, e.Runs, e.CusumHigh, e.CusumLow, e.CusumLimit, e.NotSeparable)
	}
	cars, err := s.ReadCarEstimatesLatest(t.Context(), store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range cars {
		t.Logf("%s %+.2f %% ± %.2f %% P %.2f", e.CarID, 100*e.Change, 100*e.ChangeU, e.Probability)
	}
	curves, err := s.ListCurves(t.Context(), store.PullFilter{Filter: store.Filter{Limit: 100000}})
	if err != nil {
		t.Fatal(err)
	}
	findings := map[string]int{}
	for _, c := range curves {
		findings["state "+c.State]++
		for _, f := range c.Findings() {
			findings[fmt.Sprintf("%s disqualifying=%v", f.Kind, f.Disqualifying)]++
			if findings[f.Kind+"!"] < 2 {
				findings[f.Kind+"!"]++
				t.Log(c.CellID, c.CarID, c.Label, f.Text)
			}
		}
		if c.State != store.StateComputed && findings["reason"] < 3 {
			findings["reason"]++
			t.Log(c.CellID, c.Label, c.Reason)
		}
	}
	t.Log(findings)
}

// TestRegistryChange corrects a cell's base inertia from a date on: the pulls
// from then on are computed anew, those before stay, and recomputing agrees.
func TestRegistryChange(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 4, "fen-1", "fen-2")
	c := pipeline.DefaultConfig()
	c.FleetDelay = 10 * time.Millisecond
	p := pipeline.New(c, s, book, zaptest.NewLogger(t), nil)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	await(t, p.Idle)
	peaks := func() map[string]float64 {
		t.Helper()
		curves, err := s.ListCurves(ctx, store.PullFilter{Kind: fleet.KindPull})
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]float64{}
		for _, c := range curves {
			out[c.CellID+" "+c.StartedAt.Format(time.DateTime)] = *c.PeakWheelPower
		}
		return out
	}
	before := peaks()

	text, err := os.ReadFile("../../deploy/demo/registry.yaml")
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 6, 8, 0, 0, 0, 0, time.UTC) // week 3
	changed := strings.Replace(string(text), "effective_from: 2026-01-01", "effective_from: 2026-06-08", 1)
	changed = strings.Replace(changed, "base_inertia_kg: 585", "base_inertia_kg: 605", 1)
	apply(t, s, book, changed)
	if err := p.RegistryChanged(ctx, []fleet.CellID{"fen-1"}, nil, nil, false, from); err != nil {
		t.Fatal(err)
	}
	await(t, p.Idle)
	after := peaks()
	for key, was := range before {
		at, err := time.Parse(time.DateTime, key[len(key)-len(time.DateTime):])
		if err != nil {
			t.Fatal(err)
		}
		should := strings.HasPrefix(key, "fen-1") && !at.Before(from)
		// 20 kg more, accelerated in the sweep, are a few hundred watts.
		if now := after[key]; (now > was+100) != should || !should && now != was {
			t.Errorf("%s: %.1f W, then %.1f W; should change: %v", key, was, now, should)
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	live, err := s.DumpComputed(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	recompute(t, pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil))
	again, err := s.DumpComputed(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(again, live); d != "" {
		t.Errorf("what was computed live differs (- recomputed, + live):\n%s", d)
	}
}

// TestSeparateCoastDown cuts a pull into two records, the pull and its
// coast-down, and asks for the engine power of the whole; whichever of the two
// comes first.
func TestSeparateCoastDown(t *testing.T) {
	for _, first := range []fleet.Kind{fleet.KindPull, fleet.KindCoastDown} {
		t.Run(first.String()+" first", func(t *testing.T) {
			s := storetest.Open(t)
			book := newBook(t, s)
			feed(t, s, 1, 1, "fen-1")
			recompute(t, pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil))
			curves, err := s.ReadCurves(t.Context(), store.PullFilter{Filter: store.Filter{Car: "rowan", Limit: 1}, Kind: fleet.KindPull})
			if err != nil || len(curves) != 1 || curves[0].PeakEnginePower == nil {
				t.Fatalf("%d curves, %v", len(curves), err)
			}
			whole := curves[0]
			raw, err := s.ReadPull(t.Context(), fleet.PullID(whole.PullID))
			if err != nil {
				t.Fatal(err)
			}
			cut := *whole.CoastDownStart - 0.4
			parts := map[fleet.Kind]store.Batch{
				fleet.KindPull:      part(raw, fleet.KindPull, strings.Repeat("a", 32), 0, cut),
				fleet.KindCoastDown: part(raw, fleet.KindCoastDown, strings.Repeat("b", 32), cut, 1e9),
			}
			c := pipeline.DefaultConfig()
			c.FleetDelay, c.Sweep = 10*time.Millisecond, time.Hour
			p := pipeline.New(c, s, book, zaptest.NewLogger(t), nil)
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- p.Run(ctx) }()
			second := fleet.KindPull + fleet.KindCoastDown - first
			for _, kind := range []fleet.Kind{first, second} {
				if err := s.Append(ctx, parts[kind]); err != nil {
					t.Fatal(err)
				}
				p.Stored(fleet.PullID(parts[kind].Ends[0].PullID))
				await(t, p.Idle)
			}
			cancel()
			if err := <-done; err != nil {
				t.Fatal(err)
			}
			got, found, err := s.ReadCurve(t.Context(), fleet.PullID(strings.Repeat("a", 32)))
			if err != nil || !found {
				t.Fatalf("found %v, %v", found, err)
			}
			if got.PeakEnginePower == nil {
				t.Fatalf("no engine power: %s %s", got.Reason, got.NoEnginePower)
			}
			// The coast-down's fit begins a few samples earlier or later.
			if d := *got.PeakEnginePower / *whole.PeakEnginePower - 1; d > 0.001 || d < -0.001 {
				t.Errorf("engine power %.1f W of two records, %.1f W of one", *got.PeakEnginePower, *whole.PeakEnginePower)
			}
		})
	}
}

// part returns the stretch of a record from one time to another as a record of
// its own.
func part(raw store.RawPull, kind fleet.Kind, id string, from, until float64) store.Batch {
	pull := raw.Begin.Pull()
	pull.ID, pull.Kind, pull.Label = fleet.PullID(id), kind, "cut"
	pull.StartedAt = pull.StartedAt.Add(time.Duration(from * 1e9))
	b := store.Batch{Pulls: []store.PullRow{store.FromPull(pull, time.Unix(0, 0))}}
	var sums []wire.BlockSum
	for _, row := range raw.Blocks {
		block := row.Block()
		lo, hi := 0, block.Samples.Len()
		at := func(i int) float64 { return block.Start + float64(i)*block.Step }
		for lo < hi && at(lo) < from {
			lo++
		}
		for hi > lo && at(hi-1) >= until {
			hi--
		}
		if lo == hi {
			continue
		}
		block.Pull, block.Index, block.Start = pull.ID, 0, at(lo)-from
		if block.Samples.Counts != nil {
			block.Samples.Counts = block.Samples.Counts[lo:hi]
		} else {
			block.Samples.Values = block.Samples.Values[lo:hi]
		}
		block.CRC = wire.BlockCRC(wire.ToSampleBlock(block))
		b.Blocks = append(b.Blocks, store.FromBlock(block))
		sums = append(sums, block.Sum())
	}
	b.Ends = []store.PullEndRow{store.FromEnd(wire.NewEnd(pull.ID, pull.Cell, sums), time.Unix(0, 0))}
	return b
}
