package flag_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rollcall/services/compute/baseinertia"
	"rollcall/services/compute/drift"
	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/interval"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// judged returns a check of any kind with a verdict and a result that its kind
// can have.
func judged(id string, kind fleet.CheckKind, state fleet.CheckState, day int, v fleet.Verdict) flag.Check {
	c := flag.Check{Check: fleet.Check{ID: fleet.CheckID(id), Cell: drifttest.CellID(0), Kind: kind, State: state, PerformedAt: drifttest.Start.AddDate(0, 0, day), PerformedBy: "ada"}}
	if kind == fleet.CheckBaseInertia {
		c.Inertia = baseinertia.Result{Verdict: v, Valid: true, Mass: 600, U: 2, Stated: 630, Deviation: -30.0 / 630}
		return c
	}
	c.Result = loadcell.Result{Verdict: v, ZeroError: 9, UZeroError: 1, ZeroValid: kind != fleet.CheckShunt, AsLeftValid: flag.SeesZero(kind)}
	if flag.SeesGain(kind) {
		c.Result.GainError, c.Result.UGainError, c.Result.GainValid = 0.012, 0.002, true
	}
	return c
}

// Every kind of check but the shunt opens a recalibration flag when one as found
// fails. One as left that passes closes it when it puts right what the flag is
// about: the load cell's kinds close what they opened, the base inertia's its
// own; a check with rollers turning and a shunt close nothing.
func TestEveryKindOpensAndCloses(t *testing.T) {
	kinds := []fleet.CheckKind{fleet.CheckDeadWeight, fleet.CheckZero, fleet.CheckShunt, fleet.CheckZeroTurning, fleet.CheckTransfer, fleet.CheckTorque, fleet.CheckBaseInertia}
	loads := []fleet.CheckKind{fleet.CheckDeadWeight, fleet.CheckZero, fleet.CheckTransfer, fleet.CheckTorque}
	cells := registry(1)
	for _, found := range kinds {
		for _, left := range kinds {
			for _, verdict := range []fleet.Verdict{fleet.VerdictPass, fleet.VerdictConditionalPass, fleet.VerdictFail, fleet.VerdictUnusable} {
				in := flag.Input{Cells: cells, Checks: []flag.Check{judged("a", found, fleet.AsFound, 1, fleet.VerdictFail), judged("b", left, fleet.AsLeft, 2, verdict)}}
				flags := flag.Decide(in, flag.DefaultSettings())
				if found == fleet.CheckShunt {
					if len(flags) != 0 {
						t.Errorf("a failed shunt: %+v", flags)
					}
					continue
				}
				if len(flags) != 1 || flags[0].Kind != flag.Recalibrate || !strings.Contains(flags[0].Evidence, "The "+found.String()+" check as found") {
					t.Fatalf("a failed %s: %+v", found, flags)
				}
				closes := verdict == fleet.VerdictPass || verdict == fleet.VerdictConditionalPass
				if found == fleet.CheckBaseInertia {
					closes = closes && left == found
				} else {
					closes = closes && slices.Contains(loads, left)
				}
				if flags[0].Open == closes {
					t.Errorf("%s failed as found, %s as left %s: open %v", found, left, verdict, flags[0].Open)
				}
				if closes && (flags[0].ClosedBy != "ada" || flags[0].ClosedReason != left.String()+" check as left: "+verdict.String()) {
					t.Errorf("closed %q by %q", flags[0].ClosedReason, flags[0].ClosedBy)
				}
			}
		}
	}
}

// A failed transfer load cell or torque reference names the gain, a failed
// base-inertia check the base inertia's value, with the size it measured; the
// lookback begins at the last check without an error.
func TestCauseOfNewKinds(t *testing.T) {
	cells := registry(1)
	for _, c := range []struct {
		kind  fleet.CheckKind
		fault fleet.Fault
		size  float64
	}{{fleet.CheckTransfer, fleet.FaultGain, 0.012}, {fleet.CheckTorque, fleet.FaultGain, 0.012}, {fleet.CheckBaseInertia, fleet.FaultInertia, 30}} {
		good, bad := judged("g", c.kind, fleet.AsFound, 1, fleet.VerdictPass), judged("x", c.kind, fleet.AsFound, 60, fleet.VerdictFail)
		good.Result.GainError, good.Result.ZeroError, bad.Result.ZeroError = 0.001, 0, 0
		good.Inertia.Mass, good.Inertia.Deviation = 630, 0
		f := decided(t, flag.Input{Cells: cells, Checks: []flag.Check{bad, good}}, nil)[0]
		top := f.Causes[0]
		if top.Fault != c.fault || top.Probability < 0.9 || math.Abs(top.Size-c.size) > 1.1*top.U+0.1*c.size {
			t.Errorf("%s: %+v", c.kind, f.Causes)
		}
		if !f.LastGoodAt.Equal(good.Check.PerformedAt) {
			t.Errorf("%s: last good %v, want %v", c.kind, f.LastGoodAt, good.Check.PerformedAt)
		}
	}
}

// A check with a moment of its own from which it holds restarts the cell then.
func TestRestartFromEffect(t *testing.T) {
	cells := registry(1)
	c := judged("a", fleet.CheckTransfer, fleet.AsLeft, 5, fleet.VerdictPass)
	c.Check.EffectiveAt = c.Check.PerformedAt.Add(-time.Hour)
	c.Result.AsLeft = loadcell.Calibration{Epoch: "a", Since: c.Check.EffectiveAt}
	got := flag.Restarts([]flag.Check{c, judged("b", fleet.CheckBaseInertia, fleet.AsLeft, 6, fleet.VerdictPass)}, nil, cells)
	if len(got) != 1 || !got[0].At.Equal(c.Check.EffectiveAt) || got[0].Epoch != "a" || !got[0].Adjusted {
		t.Errorf("restarts %+v", got)
	}
}

// A cell forecast to leave its tolerance before its check is due is flagged once, from
// the first run that says so, and until the next check, a flag that asks for more, or
// a signature.
func TestDueEarly(t *testing.T) {
	cells := registry(2)
	day := func(d int) time.Time { return drifttest.Start.AddDate(0, 0, d) }
	first := judged("a", fleet.CheckDeadWeight, fleet.AsFound, 0, fleet.VerdictPass)
	first.Result.GainError = 0
	next := judged("b", fleet.CheckDeadWeight, fleet.AsFound, 40, fleet.VerdictPass)
	next.Result.GainError = 0
	span := flag.Interval{Cell: drifttest.CellID(0), Check: "a", At: day(0), Outcome: interval.Outcome{Due: day(90), Says: "due by time"}}
	ended := span
	ended.Next = &next
	run := func(cell, at, crossing int, drifting bool) drift.Step {
		st := drift.Step{Run: fleet.RunID(fmt.Sprintf("%d at %d", cell, at)), Cell: drifttest.CellID(cell), At: day(at), Judged: true, Drifting: drifting,
			CellEstimate: drift.CellEstimate{Cell: drifttest.CellID(cell), Offset: 0.006, U: 0.002, Runs: 9, LastAt: day(at)}}
		if crossing > 0 {
			st.CellEstimate.Crossing, st.CellEstimate.Earliest = day(crossing), day(crossing-10)
		}
		return st
	}
	decide := func(i flag.Interval, closings []flag.Closing, steps ...drift.Step) []flag.Flag {
		return flag.Decide(flag.Input{Cells: cells, Steps: steps, Checks: []flag.Check{first, next}, Intervals: []flag.Interval{i}, Now: day(60), Closings: closings}, flag.DefaultSettings())
	}
	if got := decide(span, nil, run(0, 7, 0, false), run(0, 14, 91, false), run(1, 14, 30, false)); len(got) != 0 {
		t.Errorf("nothing crosses before its check: %+v", got)
	}
	got := decide(span, nil, run(0, 7, 0, false), run(0, 14, 80, false), run(0, 21, 0, false))
	if len(got) != 1 || got[0].Kind != flag.DueEarly || !got[0].Open || !got[0].OpenedAt.Equal(day(14)) || !got[0].DueAt.Equal(day(80)) || got[0].Size != 0.006 || got[0].NextCheck != flag.DeadWeights {
		t.Fatalf("crosses on day 80, due on day 90: %+v", got)
	}
	id := got[0].ID
	if got := decide(ended, nil, run(0, 14, 80, false), run(0, 50, 70, false)); len(got) != 1 || got[0].ID != id || got[0].Open || !got[0].ClosedAt.Equal(day(40)) {
		t.Errorf("checked on day 40: %+v", got)
	}
	got = decide(span, nil, run(0, 14, 80, false), run(0, 28, 60, true))
	if len(got) != 2 || got[0].Kind != flag.DueEarly || got[0].Open || !got[0].ClosedAt.Equal(day(28)) || got[1].Kind != flag.Drifting || !got[1].Open {
		t.Errorf("drifting from day 28: %+v", got)
	}
	if got := decide(span, nil, run(0, 14, 0, true), run(0, 21, 60, true)); len(got) != 1 || got[0].Kind != flag.Drifting {
		t.Errorf("drifting already: %+v", got)
	}
	sign := flag.Closing{Flag: id, Cell: drifttest.CellID(0), At: day(20), By: "grace", Reason: "check moved to next week"}
	if got := decide(span, []flag.Closing{sign}, run(0, 14, 80, false), run(0, 21, 80, false)); len(got) != 1 || got[0].Open || got[0].ClosedBy != "grace" {
		t.Errorf("signed: %+v", got)
	}
	if r := flag.Restarts([]flag.Check{first}, []flag.Closing{sign}, cells); len(r) != 0 {
		t.Errorf("signing for the day of a check restarts the cell: %+v", r)
	}
}

// A late check is a flag of its own, from its due date until the next check or a
// signed reason; it depends on the moment handed in and on nothing else.
func TestOverdue(t *testing.T) {
	cells := registry(1)
	day := func(d int) time.Time { return drifttest.Start.AddDate(0, 0, d) }
	first := judged("a", fleet.CheckDeadWeight, fleet.AsFound, 0, fleet.VerdictPass)
	first.Result.GainError = 0
	next := judged("b", fleet.CheckTransfer, fleet.AsFound, 50, fleet.VerdictPass)
	next.Result.GainError = 0
	open := flag.Interval{Cell: drifttest.CellID(0), Check: "a", At: day(0), Outcome: interval.Outcome{Due: day(30), Says: "due by time"}}
	closed := open
	closed.Next = &next
	decide := func(i flag.Interval, now time.Time, closings ...flag.Closing) []flag.Flag {
		return flag.Decide(flag.Input{Cells: cells, Checks: []flag.Check{first, next}, Intervals: []flag.Interval{i}, Now: now, Closings: closings}, flag.DefaultSettings())
	}
	if got := decide(open, day(30)); len(got) != 0 {
		t.Errorf("on its day: %+v", got)
	}
	got := decide(open, day(31))
	if len(got) != 1 || got[0].Kind != flag.Overdue || !got[0].Open || !got[0].DueAt.Equal(day(30)) || !got[0].OpenedAt.Equal(day(30)) || got[0].Evidence != "due by time" {
		t.Fatalf("a day late: %+v", got)
	}
	id := got[0].ID
	if again := decide(open, day(300)); len(again) != 1 || again[0].ID != id || !again[0].UpdatedAt.Equal(got[0].UpdatedAt) {
		t.Errorf("later it is another flag: %+v", again)
	}
	if got := decide(closed, day(300)); len(got) != 1 || got[0].Open || !got[0].ClosedAt.Equal(day(50)) || got[0].ClosedReason != "transfer load cell check as found: pass" || got[0].ClosedBy != "ada" {
		t.Errorf("checked on day 50: %+v", got)
	}
	sign := flag.Closing{Flag: id, Cell: drifttest.CellID(0), At: day(40), By: "grace", Reason: "cell out of use"}
	if got := decide(open, day(60), sign); len(got) != 1 || got[0].Open || got[0].ClosedBy != "grace" || !got[0].ClosedAt.Equal(day(40)) {
		t.Errorf("signed: %+v", got)
	}
	// Signing for a late check signs nothing else of the cell.
	failed := judged("c", fleet.CheckDeadWeight, fleet.AsFound, 35, fleet.VerdictFail)
	flags := flag.Decide(flag.Input{Cells: cells, Checks: []flag.Check{first, failed}, Intervals: []flag.Interval{open}, Now: day(60), Closings: []flag.Closing{sign}}, flag.DefaultSettings())
	if len(flags) != 2 || !slices.ContainsFunc(flags, func(f flag.Flag) bool { return f.Kind == flag.Recalibrate && f.Open }) {
		t.Errorf("both: %+v", flags)
	}
	if r := flag.Restarts([]flag.Check{first, failed}, []flag.Closing{sign}, cells); len(r) != 0 {
		t.Errorf("a late check restarts the cell: %+v", r)
	}
}
