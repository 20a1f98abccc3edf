package reader

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// A risk far out in the tails is no figure: neither 0 nor 1.6e-38 is known.
func TestRiskPercent(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		risk float64
		want string
	}{
		{0, "< 0.001"}, {1.6e-40, "< 0.001"}, {9.9e-6, "< 0.001"}, {2e-5, "0.002"}, {0.114, "11"}, {0.5, "50"},
	} {
		if got := riskPercent(c.risk); got != c.want {
			t.Errorf("risk %v: got %q, want %q", c.risk, got, c.want)
		}
	}
}

func TestWhyDue(t *testing.T) {
	t.Parallel()
	ptr := func(x float64) *float64 { return &x }
	zero := &rollcallv1.DueCheck{Of: "load-cell zero", Rule: "drift", Says: "of the service", RatePerDay: ptr(-4 / 365.25),
		RateExpandedUncertaintyPerDay: ptr(1.5 / 365.25), Reliability: 0.95, InToleranceAtDue: ptr(0.962)}
	out := &rollcallv1.DueCheck{Of: "load-cell gain", Rule: "drift", Says: "of the service", RatePerDay: ptr(0.044 / 365.25),
		RateExpandedUncertaintyPerDay: ptr(0.018 / 365.25), Reliability: 0.95, InToleranceAtDue: ptr(0)}
	for _, c := range []struct {
		name string
		due  *rollcallv1.DueCheck
		want string
	}{
		{"zero", zero, "its checks showed a steady drift of −4.0 N ± 1.5 N a year, and scatter beside it: it stays in tolerance until then with a probability of 95 %, and no longer"},
		{"out already", out, "its checks showed a steady drift of +4.40 % ± 1.80 % a year, and scatter beside it: that it is in tolerance now is not 95 % sure"},
		{"no rate", &rollcallv1.DueCheck{Rule: "drift", Says: "of the service"}, "of the service"},
		{"another rule", &rollcallv1.DueCheck{Rule: "time", Says: "of the service", RatePerDay: ptr(1)}, "of the service"},
	} {
		if got := whyDue(c.due); got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

func TestOutdated(t *testing.T) {
	t.Parallel()
	run := time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC)
	cell := func(change func(*rollcallv1.CellStatus)) *rollcallv1.CellStatus {
		offset := 0.0117
		s := &rollcallv1.CellStatus{Offset: &offset, Tolerance: 0.01, LastCheckVerdict: "pass",
			LastRunAt: timestamppb.New(run), LastCheckAt: timestamppb.New(run.AddDate(0, 0, 7))}
		change(s)
		return s
	}
	for _, c := range []struct {
		name   string
		change func(*rollcallv1.CellStatus)
		want   bool
	}{
		{"passed since the last run", func(*rollcallv1.CellStatus) {}, true},
		{"reads low", func(s *rollcallv1.CellStatus) { x := -0.0117; s.Offset = &x }, true},
		{"in tolerance", func(s *rollcallv1.CellStatus) { s.Tolerance = 0.012 }, false},
		{"a flag says more", func(s *rollcallv1.CellStatus) { s.FlagId = "0123" }, false},
		{"a run since", func(s *rollcallv1.CellStatus) { s.LastRunAt = timestamppb.New(run.AddDate(0, 0, 8)) }, false},
		{"failed", func(s *rollcallv1.CellStatus) { s.LastCheckVerdict = "fail" }, false},
		{"no run", func(s *rollcallv1.CellStatus) { s.Offset, s.LastRunAt = nil, nil }, false},
	} {
		if got := outdated(cell(c.change)); got != c.want {
			t.Errorf("%s: got %v, want %v", c.name, got, c.want)
		}
	}
}
