package pipeline

import (
	"context"
	"fmt"
	"time"

	"rollcall/services/compute/flag"
	"rollcall/services/compute/interval"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// What an interval looks at.
const (
	ofGain = "load-cell gain"
	ofZero = "load-cell zero"
)

// asks says that a registry entry asks for an interval between checks; without
// one the day is said and nobody is flagged for it.
func asks(c fleet.Cell) bool { return c.CheckEvery > 0 || c.CheckPulls > 0 || c.Reliability > 0 }

// asked returns an outcome with the day of the rules that the registry asks for:
// of time and pulls where it sets them, of drift where it sets a reliability.
// Where it sets nothing all rules count. The other rules' days stay in Rules.
func asked(o interval.Outcome, cell fleet.Cell) interval.Outcome {
	if !asks(cell) || cell.Reliability > 0 {
		return o
	}
	o.Due, o.Rule, o.Says, o.AtDue = time.Time{}, "", "the rules that the registry asks for give no day", 0
	for _, r := range o.Rules {
		if r.Known && r.Rule != interval.ByDrift && (o.Due.IsZero() || r.At.Before(o.Due)) {
			o.Due, o.Rule = r.At, r.Rule
			o.Says = fmt.Sprintf("due on %s by %s: %s", r.At.UTC().Format(time.DateOnly), r.Rule, r.Says)
		}
	}
	return o
}

// due returns the intervals between the load-cell checks of every cell, and when
// each cell's next checks are due. now is the end of what has not ended.
func (p *Pipeline) due(ctx context.Context, checks []flag.Check, now time.Time) ([]flag.Interval, []store.IntervalRow, error) {
	registry := p.registry.At(time.Unix(1<<40, 0))
	byCell := map[fleet.CellID][]*flag.Check{}
	for i := range checks {
		byCell[checks[i].Check.Cell] = append(byCell[checks[i].Check.Cell], &checks[i])
	}
	var counted []fleet.CellID
	for _, id := range keysOf(registry.Cells) {
		if registry.Cells[id].CheckPulls > 0 && len(byCell[id]) > 0 {
			counted = append(counted, id)
		}
	}
	var pulls map[fleet.CellID][]time.Time
	if len(counted) > 0 {
		var err error
		if pulls, err = p.store.PullTimes(ctx, counted); err != nil {
			return nil, nil, err
		}
	}
	var intervals []flag.Interval
	var rows []store.IntervalRow
	for _, id := range keysOf(registry.Cells) {
		// Checks are in the order of time.
		var gain, zero []observed
		for _, c := range byCell[id] {
			r := c.Result
			if r.Verdict == fleet.VerdictUnusable || r.Verdict == fleet.VerdictNone {
				continue
			}
			restart := c.Check.State == fleet.AsLeft && r.AsLeftValid
			if flag.SeesGain(c.Check.Kind) && r.GainValid {
				gain = append(gain, observed{c, interval.Observation{At: c.Check.PerformedAt, Error: r.GainError, U: r.UGainError, Restart: restart}})
			}
			if flag.SeesZero(c.Check.Kind) && r.ZeroValid {
				zero = append(zero, observed{c, interval.Observation{At: c.Check.PerformedAt, Error: r.ZeroError, U: r.UZeroError, Restart: restart}})
			}
		}
		cell := registry.Cells[id]
		for i := range gain {
			iv := flag.Interval{Cell: id, Check: gain[i].check.Check.ID, At: gain[i].seen.At}
			end := now
			if i+1 < len(gain) {
				iv.Next, end = gain[i+1].check, gain[i+1].seen.At
			}
			// What the registry asked for when the interval ended.
			then, known := p.registry.At(end).Cells[id]
			if !known {
				then = cell
			}
			if iv.Next != nil && !asks(then) {
				continue
			}
			in := interval.Input{Checks: seen(gain[:i+1]), Tolerance: then.CheckTolerance, Every: then.CheckEvery, MostPulls: then.CheckPulls, Reliability: then.Reliability}
			for _, at := range pulls[id] {
				if !at.After(end) {
					in.Pulls = append(in.Pulls, at)
				}
			}
			iv.Outcome = asked(interval.Next(in), then)
			if asks(then) {
				intervals = append(intervals, iv)
			}
			if iv.Next == nil {
				rows = append(rows, intervalRow(id, ofGain, gain[i].check, iv.Outcome, asks(then)))
			}
		}
		if len(gain) == 0 {
			rows = append(rows, intervalRow(id, ofGain, nil, interval.Next(interval.Input{Reliability: cell.Reliability}), asks(cell)))
		}
		if n := len(zero); n > 0 {
			// The registry's limits are for the load cell as a whole; its zero is
			// forecast beside.
			out := interval.Next(interval.Input{Checks: seen(zero), Tolerance: cell.ZeroTolerance, Reliability: cell.Reliability})
			rows = append(rows, intervalRow(id, ofZero, zero[n-1].check, out, false))
		}
	}
	return intervals, rows, nil
}

// observed is a check with the error it showed.
type observed struct {
	check *flag.Check
	seen  interval.Observation
}

func seen(all []observed) []interval.Observation {
	out := make([]interval.Observation, len(all))
	for i, o := range all {
		out[i] = o.seen
	}
	return out
}

// intervalRow returns an outcome as its row; last is nil where no check was made.
func intervalRow(cell fleet.CellID, of string, last *flag.Check, o interval.Outcome, asked bool) store.IntervalRow {
	row := store.IntervalRow{
		CellID: string(cell), Of: of, LastCheckAt: time.Unix(0, 0).UTC(),
		Rule: string(o.Rule), Says: o.Says, Asked: asked, Pulls: uint32(o.PullsMade), Reliability: o.Reliability, CodeVersion: CodeVersion,
	}
	if last != nil {
		row.LastCheckID, row.LastCheckAt = string(last.Check.ID), last.Check.PerformedAt
	}
	if !o.Due.IsZero() {
		row.DueAt = ptr(o.Due)
	}
	for _, r := range o.Rules {
		row.RuleName = append(row.RuleName, string(r.Rule))
		row.RuleReached = append(row.RuleReached, r.Reached)
		row.RuleSays = append(row.RuleSays, r.Says)
		var at *time.Time
		if r.Known {
			at = ptr(r.At)
		}
		row.RuleAt = append(row.RuleAt, at)
	}
	if o.DriftKnown {
		row.Rate, row.RateU = ptr(o.Rate), ptr(o.URate)
		if o.AtDue > 0 {
			row.AtDue = ptr(o.AtDue)
		}
	}
	return row
}

// overdueNext returns when the next check becomes overdue; zero: none will.
func (p *Pipeline) overdueNext() time.Time {
	p.known.Lock()
	defer p.known.Unlock()
	return p.overdueAt
}
