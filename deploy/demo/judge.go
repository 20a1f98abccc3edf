package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

// noticeWeeks is how long a fault of a cell may take to be flagged, in weeks:
// the ramps need a month to grow past what one session hides. A car that loses
// 0.1 % a week takes longer: it has to be half a percent off with 95 % certainty,
// and its change is known to half a percent (k = 2).
const (
	noticeWeeks    = 7
	noticeCarWeeks = 13
)

// causeOf names the cause that a fault of the scenario should be given.
var causeOf = map[string]fleet.Fault{
	"gain":     fleet.FaultGain,
	"zero":     fleet.FaultZero,
	"drag":     fleet.FaultParasitic,
	"pressure": fleet.FaultAir,
}

// judge compares flags and causes with the faults that the scenario put in.
func (c *demo) judge(ctx context.Context) error {
	answer, err := c.Fleet.ListFlags(ctx, &pb.ListFlagsRequest{IncludeClosed: true})
	if err != nil {
		return fmt.Errorf("list the flags: %w", err)
	}
	open := map[string]*pb.Flag{}
	closed := map[string]bool{}
	for _, f := range answer.Flags {
		if f.Open {
			open[f.CellId+f.CarId] = f
		} else {
			closed[f.CellId+f.CarId] = true
		}
	}
	mended := map[fleet.CellID]int{}
	for _, r := range c.scenario.Recalibrations {
		mended[r.Cell] = r.Week
	}
	var errs []error
	expected := map[string]bool{}
	for _, f := range c.scenario.Faults {
		week, recalibrated := mended[f.Cell]
		name := string(f.Cell) + string(f.Car)
		notice := noticeWeeks
		if f.Car != "" {
			notice = noticeCarWeeks
		}
		switch {
		case recalibrated && week <= c.weeks:
			if !closed[name] {
				errs = append(errs, fmt.Errorf("%s was recalibrated in week %d and should have a closed flag; it has none", name, week))
			}
			if o, ok := open[name]; ok {
				errs = append(errs, fmt.Errorf("%s was recalibrated in week %d and should have no open flag; it has %q", name, week, o.Kind))
			}
			expected[name] = true
		case f.FromWeek+notice > c.weeks:
			expected[name] = true // it may or may not be noticed yet
		default:
			expected[name] = true
			o, ok := open[name]
			if !ok {
				errs = append(errs, fmt.Errorf("%s has had the fault %q since week %d and is not flagged", name, f.Kind, f.FromWeek))
				continue
			}
			want := causeOf[f.Kind]
			if f.Car != "" {
				want = fleet.FaultReferenceCar
			}
			if len(o.Causes) == 0 || o.Causes[0].Fault != want.String() {
				errs = append(errs, fmt.Errorf("%s has had the fault %q since week %d; its flag should name %q first, it says %v", name, f.Kind, f.FromWeek, want, o.Causes))
			}
		}
	}
	// One cell-year without a fault may raise a tenth of a drift flag; the
	// scenario's sound cells are about three cell-years.
	sound := 0
	for name, f := range open {
		if expected[name] {
			continue
		}
		sound++
		if f.Kind == "recalibrate" {
			errs = append(errs, fmt.Errorf("%s has no fault and is flagged %q", name, f.Kind))
		}
	}
	if sound > 1 {
		errs = append(errs, fmt.Errorf("%d sound cells or cars are flagged; at most one is expected", sound))
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("the outcome is not what the faults put in should give:\n%w", err)
	}
	fmt.Fprintln(os.Stderr, "the outcome is what the faults put in should give")
	return nil
}
