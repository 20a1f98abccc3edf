package query

import (
	"math"
	"testing"
	"time"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

func ptr(x float64) *float64 { return &x }

// The expected sentences are written by hand.
func TestDoubtful(t *testing.T) {
	g := store.FlagRow{CellID: "fen-2", Kind: "recalibrate", OpenedAt: time.Date(2026, 8, 18, 8, 50, 0, 0, time.UTC)}
	g.SetCauses([]store.CauseRow{{Fault: "load-cell gain", Probability: 0.934}})
	for _, c := range []struct {
		flag store.FlagRow
		row  store.TouchedRow
		want string
	}{
		{g, store.TouchedRow{Effect: -0.00794, EffectU: 0.0061}, "Cell fen-2 was not known to be good: flag recalibrate, open since 2026-08-18, most likely load-cell gain, 93 %. The stated power is off by −0.79 % ± 0.61 % (k = 2)."},
		{store.FlagRow{CellID: "a", Kind: "drifting", OpenedAt: g.OpenedAt}, store.TouchedRow{Effect: 0.01}, "Cell a was not known to be good: flag drifting, open since 2026-08-18. The stated power is off by +1.00 % ± 0.00 % (k = 2)."},
	} {
		if got := doubtful(c.flag, c.row); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestStandingAgainst(t *testing.T) {
	air := store.FlagRow{Evidence: "Offset from the fleet -1.25 %."}
	air.SetCauses([]store.CauseRow{{Fault: "air sensor", Probability: 1}})
	gain := store.FlagRow{Evidence: "Offset from the fleet +1.25 %."}
	gain.SetCauses([]store.CauseRow{{Fault: "load-cell gain", Probability: 1}})
	for _, c := range []struct {
		flag          store.FlagRow
		verdict, want string
	}{
		{air, "pass", "The load cell passed its last checks; what stands against the cell: Offset from the fleet −1.25 %. A check of the load cell does not see the likely cause, air sensor."},
		{gain, "conditional pass", "The load cell passed its last checks; what stands against the cell: Offset from the fleet +1.25 %."},
		{gain, "fail", ""}, {gain, "", ""},
	} {
		if got := standingAgainst(c.flag, c.verdict); got != c.want {
			t.Errorf("%s: %q, want %q", c.verdict, got, c.want)
		}
	}
}

func TestNotJudged(t *testing.T) {
	for _, c := range []struct {
		run  *pb.Run
		want string
	}{
		{&pb.Run{PullsUsed: 4, Deviation: ptr(0), Offset: ptr(0)}, ""},
		{&pb.Run{PullsUsed: 4, Offset: ptr(0)}, "no expectation yet"},
		{&pb.Run{Offset: ptr(0)}, "no pull fit to judge with"},
		{&pb.Run{PullsUsed: 4}, "not compared yet"},
	} {
		if got := notJudged(c.run); got != c.want {
			t.Errorf("%v: %q, want %q", c.run, got, c.want)
		}
	}
}

func TestPeakNote(t *testing.T) {
	curve := func(wheel, engine *float64) *store.CurveRow {
		return &store.CurveRow{EngineSpeed: []float64{300, 400, 500}, EnginePower: []*float64{ptr(1), ptr(2), nil},
			PeakWheelPowerEngineSpeed: wheel, PeakEnginePowerEngineSpeed: engine, PeakEnginePower: engine}
	}
	for name, c := range map[string]struct {
		row   *store.CurveRow
		noted bool
	}{
		"engine at its last point, where no loss is known beyond": {curve(ptr(500), ptr(400)), true},
		"engine before its last point":                            {curve(ptr(500), ptr(300)), false},
		"wheel alone, at the last point":                          {curve(ptr(500), nil), true},
		"wheel alone, before":                                     {curve(ptr(400), nil), false},
		"read without points":                                     {&store.CurveRow{PeakWheelPowerEngineSpeed: ptr(500)}, false},
		"nothing":                                                 {&store.CurveRow{}, false},
	} {
		if got := peakNote(c.row); got != "" != c.noted {
			t.Errorf("%s: %q", name, got)
		}
	}
}

func TestCut(t *testing.T) {
	for _, c := range []struct {
		limit, there, want int
		more               bool
	}{{0, 1001, 1000, true}, {0, 1000, 1000, false}, {2, 3, 2, true}, {2, 1, 1, false}} {
		f := store.Filter{Limit: c.limit}
		asked := oneMore(&f)
		rows, more := cut(make([]int, min(c.there, f.Limit)), asked)
		if len(rows) != c.want || more != c.more {
			t.Errorf("limit %d of %d: %d rows, more %v", c.limit, c.there, len(rows), more)
		}
	}
	f := store.Filter{Limit: math.MaxInt32}
	if asked := oneMore(&f); asked != math.MaxInt32 || f.Limit != math.MaxInt32+1 {
		t.Errorf("%d of %d", asked, f.Limit)
	}
}

// A kind of check is found by the word of the column KIND and by the words that
// check files and mappings have for it.
func TestCheckKind(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]fleet.CheckKind{
		"": 0, "dead weight": fleet.CheckDeadWeight, "dead_weight": fleet.CheckDeadWeight, "Dead-Weight": fleet.CheckDeadWeight,
		"zero": fleet.CheckZero, "zero, rollers turning": fleet.CheckZeroTurning, "zero_turning": fleet.CheckZeroTurning, "zero turning": fleet.CheckZeroTurning,
		"shunt": fleet.CheckShunt, "transfer": fleet.CheckTransfer, "transfer load cell": fleet.CheckTransfer,
		"torque": fleet.CheckTorque, "torque reference": fleet.CheckTorque, "base_inertia": fleet.CheckBaseInertia,
	} {
		if got, err := checkKind(name); err != nil || got != want {
			t.Errorf("%q: got %v and %v, want %v", name, got, err, want)
		}
	}
	for _, name := range []string{"weights", " ", "unknown kind"} {
		if got, err := checkKind(name); err == nil {
			t.Errorf("%q: got %v, want an error", name, got)
		}
	}
}
