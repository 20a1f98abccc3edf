package pipeline_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap/zaptest"
	"google.golang.org/protobuf/encoding/protojson"

	"rollcall/agent/source/simulator"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/admin"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
)

// standards are what the demo's registry has not.
const standards = `standards:
  tlc-5k: {kind: force, range_n: 5000, expanded_uncertainty_percent: 0.02, least_expanded_uncertainty_n: 0.1, certificate: F-7, due: 2027-01-31}
`

func demoRegistry(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../deploy/demo/registry.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(text) + standards
}

func num(x float64) *float64 { return &x }

// transfer is a check of fen-1 beside a transfer load cell; the indicator reads
// zero + (1 + gain)·force.
func transfer(id string, state fleet.CheckState, at time.Time, zero, gain float64) fleet.Check {
	c := fleet.Check{ID: fleet.CheckID(strings.Repeat(id, 32)), Cell: "fen-1", Kind: fleet.CheckTransfer, State: state, PerformedAt: at, PerformedBy: "A. Ferris", Standard: "tlc-5k"}
	for cycle := 1; cycle <= 2; cycle++ {
		for i, load := range []float64{0, 500, 1000, 1500, 2000, 2500, 2000, 1500, 1000, 500, 0} {
			direction := fleet.Rising
			if i > 5 {
				direction = fleet.Falling
			}
			wobble := 0.05 * float64((i*7+cycle*3)%5-2)
			c.Readings = append(c.Readings, fleet.Reading{Cycle: cycle, Direction: direction, Reference: num(load), Force: num(zero + (1+gain)*load + wobble)})
		}
	}
	return c
}

// inertia is a base-inertia check of fen-1: timed runs of rollers of a mass
// under the registry's parasitic loss.
func inertia(id string, state fleet.CheckState, at time.Time, mass float64, loss fleet.Loss) fleet.Check {
	c := fleet.Check{ID: fleet.CheckID(strings.Repeat(id, 32)), Cell: "fen-1", Kind: fleet.CheckBaseInertia, State: state, PerformedAt: at, PerformedBy: "A. Ferris"}
	for i := range 6 {
		for _, force := range []float64{300, 1500} {
			const from, to, steps = 25.0, 5.0, 2000
			t, dv := 0.0, (from-to)/steps
			for k := range steps {
				t += mass * dv / (force + loss.At(from-(float64(k)+0.5)*dv))
			}
			t *= 1 + 1e-4*float64(i%3-1)
			c.Readings = append(c.Readings, fleet.Reading{Cycle: 1, Direction: fleet.Rising, SetForce: num(force), From: num(from), To: num(to), Duration: num(t)})
		}
	}
	return c
}

// bench is a running pipeline with its store and registry.
type bench struct {
	t    *testing.T
	s    *store.Store
	book *admin.Book
	p    *pipeline.Pipeline
	reg  *prometheus.Registry
	now  time.Time
	stop func()
}

func newBench(t *testing.T, now time.Time) *bench {
	t.Helper()
	b := &bench{t: t, s: storetest.Open(t), now: now}
	b.book = admin.NewBook(b.s)
	apply(t, b.s, b.book, demoRegistry(t))
	return b
}

func (b *bench) config() pipeline.Config {
	c := pipeline.DefaultConfig()
	c.FleetDelay, c.Sweep = 10*time.Millisecond, time.Hour
	c.Now = func() time.Time { return b.now }
	return c
}

func (b *bench) start() {
	b.t.Helper()
	b.reg = prometheus.NewRegistry()
	b.p = pipeline.New(b.config(), b.s, b.book, zaptest.NewLogger(b.t), b.reg)
	ctx, cancel := context.WithCancel(b.t.Context())
	done := make(chan error, 1)
	go func() { done <- b.p.Run(ctx) }()
	b.stop = func() {
		cancel()
		if err := <-done; err != nil {
			b.t.Error(err)
		}
	}
	await(b.t, b.p.Idle)
}

// take gives checks to the running pipeline.
func (b *bench) take(checks ...fleet.Check) {
	b.t.Helper()
	for _, c := range checks {
		if err := b.s.Append(b.t.Context(), store.Batch{Checks: []store.CheckRow{store.FromCheck(c, time.Unix(0, 0).UTC())}}); err != nil {
			b.t.Fatal(err)
		}
		b.p.StoredCheck(c.ID)
		await(b.t, b.p.Idle)
	}
}

func (b *bench) adopt(row store.AdoptionRow) {
	b.t.Helper()
	if err := b.s.AppendAdoption(b.t.Context(), row); err != nil {
		b.t.Fatal(err)
	}
	if b.p != nil {
		b.p.ParasiticAdopted()
		await(b.t, b.p.Idle)
	}
}

// computed counts the records computed so far.
func (b *bench) computed() int {
	b.t.Helper()
	families, err := b.reg.Gather()
	if err != nil {
		b.t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() == "rollcall_pipeline_records_total" {
			return int(f.GetMetric()[0].GetCounter().GetValue())
		}
	}
	b.t.Fatal("there is no count of records")
	return 0
}

// curves are the rows of fen-1's pulls as text, by id.
func (b *bench) curves() (rows map[string]store.CurveRow, text map[string]string) {
	b.t.Helper()
	all, err := b.s.ReadCurves(b.t.Context(), store.PullFilter{Filter: store.Filter{Cells: []fleet.CellID{"fen-1"}, Limit: 10000}})
	if err != nil {
		b.t.Fatal(err)
	}
	rows, text = map[string]store.CurveRow{}, map[string]string{}
	for _, r := range all {
		raw, err := json.Marshal(r)
		if err != nil {
			b.t.Fatal(err)
		}
		rows[r.PullID], text[r.PullID] = r, string(raw)
	}
	return rows, text
}

func (b *bench) dump() []store.Dump {
	b.t.Helper()
	d, err := b.s.DumpComputed(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	return d
}

// records counts the records of fen-1 in a stretch of time.
func (b *bench) records(from, until time.Time) int {
	b.t.Helper()
	rows, err := b.s.ListPulls(b.t.Context(), store.PullFilter{Filter: store.Filter{Cells: []fleet.CellID{"fen-1"}, From: from, Until: until, Limit: 10000}})
	if err != nil {
		b.t.Fatal(err)
	}
	return len(rows)
}

// changedOnly checks that the pulls within a stretch of time were computed
// again, those and no others, and that their rows say what they were computed
// with.
func (b *bench) changedOnly(what string, from, until time.Time, before map[string]string, says func(store.CurveRow) string, want string) {
	b.t.Helper()
	rows, after := b.curves()
	touched := 0
	for id, row := range rows {
		within := !row.StartedAt.Before(from) && (until.IsZero() || row.StartedAt.Before(until))
		if (after[id] != before[id]) != within {
			b.t.Errorf("%s: the pull of %s changed: %v, within: %v", what, row.StartedAt, after[id] != before[id], within)
		}
		if within {
			touched++
			if got := says(row); got != want {
				b.t.Errorf("%s: the pull of %s says %q, want %q", what, row.StartedAt, got, want)
			}
		}
	}
	if touched == 0 || touched == len(rows) {
		b.t.Fatalf("%s: %d of %d pulls are touched", what, touched, len(rows))
	}
}

// TestEpochsTouchWhatTheyTouch gives a cell with history a late check as left
// with a moment of its own, a base-inertia check, and a parasitic loss that is
// adopted: exactly the pulls made while each holds are computed again, they say
// so, a later change of the registry takes precedence, and recomputing gives the
// same bytes, whatever order everything came in.
func TestEpochsTouchWhatTheyTouch(t *testing.T) {
	week := func(n int) time.Time { return time.Date(2026, 5, 25, 0, 0, 0, 0, time.UTC).AddDate(0, 0, 7*(n-1)) } // the demo's
	b := newBench(t, week(9))
	feed(t, b.s, 1, 5, "fen-1", "fen-2")
	b.start()
	cell := b.book.At(week(2)).Cells["fen-1"]
	_, before := b.curves()
	for id := range before {
		if r, _, _ := b.s.ReadCurve(t.Context(), fleet.PullID(id)); r.StartedAt.Before(week(1)) || r.BaseInertiaEpoch != "" || r.ParasiticEpoch != "" {
			t.Fatalf("the pull of %s: %q, %q", r.StartedAt, r.BaseInertiaEpoch, r.ParasiticEpoch)
		}
	}

	// Performed in week 4, it holds from week 3 on.
	late := transfer("1", fleet.AsLeft, week(4).Add(30*time.Hour), 2, 0.01)
	late.EffectiveAt = week(3)
	count := b.computed()
	b.take(late)
	b.changedOnly("late check as left", week(3), time.Time{}, before, func(r store.CurveRow) string { return r.Epoch }, string(late.ID))
	if got, want := b.computed()-count, b.records(week(3), time.Time{}); got != want {
		t.Errorf("%d records were computed, %d are touched", got, want)
	}
	// One that came later still but holds before: only until the next epoch.
	_, before = b.curves()
	older := transfer("2", fleet.AsLeft, week(2), 1, 0.005)
	count = b.computed()
	b.take(older)
	b.changedOnly("older check as left", week(2), week(3), before, func(r store.CurveRow) string { return r.Epoch }, string(older.ID))
	if got, want := b.computed()-count, b.records(week(2), week(3)); got != want {
		t.Errorf("%d records were computed, %d are touched", got, want)
	}

	_, before = b.curves()
	mass := inertia("3", fleet.AsLeft, week(3), 612, cell.Parasitic)
	b.take(mass)
	b.changedOnly("base inertia", week(3), time.Time{}, before, func(r store.CurveRow) string { return r.BaseInertiaEpoch }, string(mass.ID))
	result, _, err := b.s.ReadCheckResult(t.Context(), mass.ID)
	if err != nil || result.BaseInertia == nil || *result.BaseInertia < 611 || *result.BaseInertia > 613 || result.OpensEpochAt == nil {
		t.Fatalf("base inertia %+v, %v", result, err)
	}

	coastDowns, err := b.s.ReadCoastDowns(t.Context(), store.Filter{Cells: []fleet.CellID{"fen-1"}, From: week(2), Until: week(3), Limit: 1})
	if err != nil || len(coastDowns) != 1 || coastDowns[0].LossU == nil {
		t.Fatalf("coast-downs %+v, %v", coastDowns, err)
	}
	_, before = b.curves()
	adoption := store.AdoptionRow{PullID: coastDowns[0].PullID, CellID: "fen-1", EffectiveAt: week(4), AdoptedAt: week(6), AdoptedBy: "M. Krause", Reason: "new bearings"}
	b.adopt(adoption)
	b.changedOnly("parasitic loss", week(4), time.Time{}, before, func(r store.CurveRow) string { return r.ParasiticEpoch }, adoption.PullID)
	// The base inertia under which that coast-down was computed acts on the loss,
	// and so on the pulls that rest on it.
	_, before = b.curves()
	heavier := inertia("4", fleet.AsLeft, week(2), 640, cell.Parasitic)
	b.take(heavier)
	rows, after := b.curves()
	for id, row := range rows {
		if should := !row.StartedAt.Before(week(2)) && row.StartedAt.Before(week(3)) || !row.StartedAt.Before(week(4)); should != (after[id] != before[id]) {
			t.Errorf("the pull of %s changed: %v", row.StartedAt, after[id] != before[id])
		}
	}

	// From week 5 on the registry says another base inertia: it holds.
	changed := strings.Replace(demoRegistry(t), "effective_from: 2026-01-01", "effective_from: "+week(5).Format(time.DateOnly), 1)
	apply(t, b.s, b.book, strings.Replace(changed, "base_inertia_kg: 585", "base_inertia_kg: 590", 1))
	_, before = b.curves()
	if err := b.p.RegistryChanged(t.Context(), []fleet.CellID{"fen-1"}, nil, nil, false, week(5)); err != nil {
		t.Fatal(err)
	}
	await(t, b.p.Idle)
	b.changedOnly("registry", week(5), time.Time{}, before, func(r store.CurveRow) string { return r.BaseInertiaEpoch + "/" + r.ParasiticEpoch }, "/"+adoption.PullID)

	epochs, err := b.s.ListEpochs(t.Context(), store.Filter{Cells: []fleet.CellID{"fen-1"}})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range epochs {
		until := "…"
		if e.Until != nil {
			until = e.Until.Format("01-02")
		}
		got = append(got, fmt.Sprintf("%s %s–%s %.4s %s", e.Of, e.Since.Format("01-02"), until, e.Epoch, e.Source))
	}
	want := []string{
		"base inertia 06-22–… " + " registry", "base inertia 06-08–06-22 3333 base inertia check", "base inertia 06-01–06-08 4444 base inertia check", "base inertia 01-01–06-01  registry",
		"load cell 06-08–… 1111 transfer load cell check", "load cell 06-01–06-08 2222 transfer load cell check", "load cell 01-01–06-01  registry",
		"parasitic loss 06-15–… " + adoption.PullID[:4] + " empty-roller coast-down", "parasitic loss 01-01–06-15  registry",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("epochs (-want +got):\n%s", diff)
	}

	live := b.dump()
	b.stop()
	// A pipeline that starts with all of it there finds nothing to do.
	b.start()
	if n := b.computed(); n != 0 {
		t.Errorf("%d records were computed again at the start", n)
	}
	b.stop()
	if diff := cmp.Diff(live, b.dump()); diff != "" {
		t.Errorf("another start changed what was computed:\n%s", diff)
	}
	recompute(t, pipeline.New(b.config(), b.s, b.book, zaptest.NewLogger(t), nil))
	if diff := cmp.Diff(b.dump(), live); diff != "" {
		t.Errorf("what was computed live differs (- recomputed, + live):\n%s", diff)
	}

	// The other way round: everything that people did is there before the pulls.
	other := newBench(t, week(9))
	apply(t, other.s, other.book, strings.Replace(changed, "base_inertia_kg: 585", "base_inertia_kg: 590", 1))
	other.start()
	other.take(heavier, mass, late, older)
	other.adopt(adoption)
	feed(t, other.s, 4, 5, "fen-2", "fen-1")
	feed(t, other.s, 1, 3, "fen-1", "fen-2")
	pulls, err := other.s.ListPulls(t.Context(), store.PullFilter{Filter: store.Filter{Limit: 10000}})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range pulls {
		other.p.Stored(fleet.PullID(r.PullID))
	}
	checks, err := other.s.ListChecks(t.Context(), store.Filter{Limit: 10000})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range checks {
		other.p.StoredCheck(fleet.CheckID(c.CheckID))
	}
	await(t, other.p.Idle)
	other.stop()
	if diff := cmp.Diff(live, other.dump()); diff != "" {
		t.Errorf("in another order of arrival (- first, + other):\n%s", diff)
	}
}

// TestUnusableIsKept takes checks that cannot be judged: each is stored with its
// reason.
func TestUnusableIsKept(t *testing.T) {
	at := time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)
	b := newBench(t, at.AddDate(0, 1, 0))
	b.start()
	defer func() { b.stop() }()
	one := transfer("1", fleet.AsFound, at, 0, 0)
	one.Readings = one.Readings[:1]
	left := transfer("2", fleet.AsFound, at, 0, 0)
	left.Readings[3].Force = nil
	none := transfer("3", fleet.AsFound, at, 0, 0)
	none.Standard = ""
	early := transfer("4", fleet.AsLeft, at.AddDate(-1, 0, 0), 0, 0)
	runs := inertia("5", fleet.AsFound, at, 600, fleet.Loss{F0: 40})
	runs.Readings[2].Duration = nil
	for _, c := range []fleet.Check{one, left, none, early, runs} {
		b.take(c)
		r, found, err := b.s.ReadCheckResult(t.Context(), c.ID)
		if err != nil || !found || r.Verdict != "unusable" || len(r.Reason) < 20 || r.OpensEpoch {
			t.Errorf("check %.1s: %v, %v, %q, %q", c.ID, found, err, r.Verdict, r.Reason)
		}
		if kept, found, err := b.s.ReadCheck(t.Context(), c.ID); err != nil || !found || !cmp.Equal(c, kept.Check()) {
			t.Errorf("check %.1s is not kept: %v, %v, %s", c.ID, found, err, cmp.Diff(c, kept.Check()))
		}
		var doc pb.CheckResult
		if err := protojson.Unmarshal([]byte(r.Result), &doc); err != nil || doc.Schema != 1 || doc.Verdict != "unusable" || !strings.Contains(r.Reason, doc.Reason) {
			t.Errorf("check %.1s: its result %q, %v", c.ID, r.Result, err)
		}
	}
}

// TestFailedCheckAndOverdue lets a check as found fail and be put right, and one
// come too late: flags open and close, the lookback begins with the last good
// check, and the same moment gives the same bytes.
func TestFailedCheckAndOverdue(t *testing.T) {
	day := func(d int) time.Time { return time.Date(2026, 5, 25, 7, 0, 0, 0, time.UTC).AddDate(0, 0, d) }
	b := newBench(t, day(50))
	text := strings.Replace(demoRegistry(t), "    zero_tolerance_n:", "    check_every_days: 10\n    zero_tolerance_n:", 1) // of fen-1, the first
	if !strings.Contains(text, "check_every_days") {
		t.Fatal("the registry has no such line")
	}
	apply(t, b.s, b.book, text)
	feed(t, b.s, 1, 2, "fen-1", "fen-2")
	made, err := b.s.ListPulls(t.Context(), store.PullFilter{Filter: store.Filter{Cells: []fleet.CellID{"fen-1"}, Car: "rowan", Limit: 1}, Kind: fleet.KindPull})
	if err != nil || len(made) != 1 {
		t.Fatal(made, err)
	}
	raw, err := b.s.ReadPull(t.Context(), fleet.PullID(made[0].PullID))
	if err != nil {
		t.Fatal(err)
	}
	// The same pull as a customer's, on four days.
	for i, d := range []int{8, 13, 19, 26} {
		p := part(raw, fleet.KindPull, strings.Repeat(string(rune('a'+i)), 32), 0, 1e9)
		p.Pulls[0].CarID, p.Pulls[0].Session, p.Pulls[0].CustomerCar, p.Pulls[0].StartedAt = "", "", "grey estate", day(d)
		if err := b.s.Append(t.Context(), p); err != nil {
			t.Fatal(err)
		}
	}
	b.start()
	defer func() { b.stop() }()
	flags := func(closed bool) map[string]store.FlagRow {
		t.Helper()
		rows, err := b.s.ListFlags(t.Context(), store.Filter{Cells: []fleet.CellID{"fen-1"}}, closed)
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]store.FlagRow{}
		for _, r := range rows {
			out[r.Kind] = r
		}
		return out
	}
	b.take(transfer("1", fleet.AsLeft, day(2), 0.1, 0), transfer("2", fleet.AsFound, day(11), 0.1, 0), transfer("3", fleet.AsFound, day(20), 0.1, 0.02))
	f, open := flags(false)["recalibrate"]
	if !open || !strings.Contains(f.Evidence, "transfer load cell check as found on 2026-06-14 failed: gain error +2.0") {
		t.Fatalf("flags %+v", flags(true))
	}
	touched, err := b.s.ReadTouched(t.Context(), []fleet.FlagID{fleet.FlagID(f.FlagID)})
	if err != nil {
		t.Fatal(err)
	}
	// From the last good check, of day 11, on. The error grows from nought there to
	// 2 % on day 20; of it a pull shows the brake's share of the tractive force.
	effects := touched[fleet.FlagID(f.FlagID)]
	if len(effects) < 3 {
		t.Fatalf("%d pulls are touched: %+v", len(effects), effects)
	}
	for i, d := range []float64{13, 19, 26} {
		p := effects[i]
		curve, found, err := b.s.ReadCurve(t.Context(), fleet.PullID(p.PullID))
		if err != nil || !found || !p.StartedAt.Equal(day(int(d))) {
			t.Fatalf("touched %+v, %v, %v", p, found, err)
		}
		best := 0
		for k, w := range curve.WheelPower {
			if w > curve.WheelPower[best] {
				best = k
			}
		}
		want := 0.02 * min(1, (d-11)/9) * curve.BrakeForce[best] / curve.TractiveForce[best]
		if p.EffectU <= 0 || p.Effect < want-p.EffectU || p.Effect > want+p.EffectU {
			t.Errorf("the pull of day %g: effect %.4f ± %.4f, want %.4f", d, p.Effect, p.EffectU, want)
		}
	}
	b.take(transfer("4", fleet.AsLeft, day(20).Add(2*time.Hour), 0.1, 0.02))
	if f := flags(true)["recalibrate"]; f.Open || f.ClosedReason != "transfer load cell check as left: pass" || f.ClosedBy != "A. Ferris" {
		t.Errorf("after the check as left: %+v", f)
	}
	// Now is day 50, the last check of day 20: due on day 30.
	late := flags(false)["check overdue"]
	if !late.Open || late.DueAt == nil || !late.DueAt.Equal(day(30).Add(2*time.Hour)) {
		t.Fatalf("overdue: %+v", late)
	}
	rows, err := b.s.ListIntervals(t.Context(), store.Filter{Cells: []fleet.CellID{"fen-1"}})
	if err != nil || len(rows) != 2 {
		t.Fatalf("intervals %+v, %v", rows, err)
	}
	for _, r := range rows {
		if gain := r.Of == "load-cell gain"; gain != r.Asked || gain && (r.DueAt == nil || !r.DueAt.Equal(*late.DueAt) || r.Rule != "time") {
			t.Errorf("interval %+v", r)
		}
	}
	before := b.dump()
	recompute(t, b.p)
	if diff := cmp.Diff(before, b.dump()); diff != "" {
		t.Errorf("recomputed at the same moment:\n%s", diff)
	}
	b.take(transfer("5", fleet.AsFound, day(45), 0.1, 0.02))
	if f := flags(true)["check overdue"]; f.Open || f.ClosedReason != "transfer load cell check as found: pass" || !f.ClosedAt.Equal(day(45)) {
		t.Errorf("after the check: %+v", f)
	}
}

// TestDemoCheckKinds takes the demo's zero check with rollers turning and its
// base-inertia check: both are judged, and the base inertia is the simulator's
// true one within U.
func TestDemoCheckKinds(t *testing.T) {
	b := newBench(t, time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC))
	feed(t, b.s, 3, 3, "tho-1")
	recompute(t, pipeline.New(b.config(), b.s, b.book, zaptest.NewLogger(t), nil))
	scenario, err := simulator.Load("../../deploy/demo/scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var mass float64
	for _, c := range scenario.Cells {
		if c.ID == "tho-1" {
			mass = c.BaseInertia * (1 + c.True.BaseInertia)
		}
	}
	rows, err := b.s.ReadCheckResults(t.Context(), store.Filter{Cells: []fleet.CellID{"tho-1"}})
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[fleet.CheckKind]store.CheckResultRow{}
	for _, r := range rows {
		kinds[fleet.CheckKind(r.Kind)] = r
	}
	if r := kinds[fleet.CheckZeroTurning]; r.Verdict != "pass" || r.ZeroErrorU == nil || r.Risk == nil {
		t.Errorf("zero, rollers turning: %+v", r)
	}
	r := kinds[fleet.CheckBaseInertia]
	if r.Verdict != "conditional pass" && r.Verdict != "pass" || !r.OpensEpoch || r.BaseInertia == nil || *r.BaseInertiaU <= 0 || *r.BaseInertiaU > 0.01*mass ||
		*r.BaseInertia < mass-*r.BaseInertiaU || *r.BaseInertia > mass+*r.BaseInertiaU {
		t.Errorf("base inertia %.2f kg is true: %+v", mass, r)
	}
	if kinds[fleet.CheckDeadWeight].Verdict == "" && kinds[fleet.CheckZero].Verdict == "" {
		t.Error("the weekly checks are gone")
	}
}
