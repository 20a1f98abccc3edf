package flag

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/interval"
	"rollcall/services/fleet"
)

// Interval is the time after one check of a load cell, until the next.
type Interval struct {
	Cell    fleet.CellID
	Check   fleet.CheckID // it begins with
	At      time.Time
	Outcome interval.Outcome // seen from that check, with the pulls since
	// Next ends it; nil: it has not ended.
	Next *Check
}

// overdueID returns the id of the flag of the interval that a check begins.
func overdueID(cell fleet.CellID, check fleet.CheckID) fleet.FlagID {
	return flagID("overdue", string(cell), string(check))
}

// overdue returns a flag for every interval that was longer than it should have
// been by the time now. A flag opens on its due date and closes by the next check, whatever its verdict, or by a
// signed reason. It touches no pull: that a check is late says nothing against
// what the cell reads.
func overdue(intervals []Interval, closings []Closing, now time.Time) []Flag {
	var out []Flag
	for _, i := range intervals {
		id := overdueID(i.Cell, i.Check)
		due := i.Outcome.Due
		end := now
		if i.Next != nil {
			end = i.Next.Check.PerformedAt
		}
		if !i.Outcome.Overdue(end) {
			continue
		}
		f := Flag{
			ID: id, Cell: i.Cell, Kind: Overdue, Open: true,
			FirstEvidenceAt: due, EarliestAt: due, LatestAt: due, LastGoodAt: i.At, OpenedAt: due, UpdatedAt: due, DueAt: due,
			NextCheck: DeadWeights, Evidence: i.Outcome.Says,
			Life: []Event{{At: due, What: Opened, Kind: Overdue, Text: i.Outcome.Says}},
		}
		closed := func(at time.Time, by, reason string) {
			f.Open, f.ClosedAt, f.ClosedBy, f.ClosedReason = false, at, by, reason
			f.Life = append(f.Life, Event{At: at, What: Closed, Kind: Overdue, Text: reason})
		}
		signed := slices.IndexFunc(closings, func(c Closing) bool {
			return c.Flag == id && !c.At.Before(due) && (i.Next == nil || c.At.Before(i.Next.Check.PerformedAt))
		})
		switch {
		case signed >= 0:
			closed(closings[signed].At, closings[signed].By, closings[signed].Reason)
		case i.Next != nil:
			c := i.Next
			closed(c.Check.PerformedAt, c.Check.PerformedBy, c.Check.Kind.String()+" check "+c.Check.State.String()+": "+c.Verdict().String())
		}
		out = append(out, f)
	}
	return out
}

// dueEarlyID returns the id of the flag that asks for an earlier end of the interval
// that a check begins.
func dueEarlyID(cell fleet.CellID, check fleet.CheckID) fleet.FlagID {
	return flagID("due early", string(cell), string(check))
}

// dueEarly returns a flag for every interval in which a cell is forecast to be out of
// tolerance, with probability ½, before its check is due. It opens with the first run
// that says so while no flag on what the cell reads is open, and closes by the next
// check, by such a flag, which asks for more, or by a signed reason; not because a
// later run says otherwise. It touches no pull: the cell is still within.
func (d *decider) dueEarly(others []Flag) []Flag {
	if len(d.in.Intervals) == 0 {
		return nil
	}
	steps, errors := map[fleet.CellID][]*drift.Step{}, map[fleet.CellID][]*Flag{}
	for k := range d.steps {
		if st := &d.steps[k]; !st.CellEstimate.Crossing.IsZero() && st.CellEstimate.NotSeparable == "" {
			steps[st.Cell] = append(steps[st.Cell], st)
		}
	}
	for k := range others {
		if f := &others[k]; !f.Kind.OfChecks() {
			errors[f.Cell] = append(errors[f.Cell], f)
		}
	}
	var out []Flag
	for _, i := range d.in.Intervals {
		due := i.Outcome.Due
		if due.IsZero() {
			continue
		}
		ended := func(at time.Time) bool { return i.Next != nil && !at.Before(i.Next.Check.PerformedAt) }
		open := func(at time.Time) bool {
			return slices.ContainsFunc(errors[i.Cell], func(f *Flag) bool { return !f.OpenedAt.After(at) && (f.Open || f.ClosedAt.After(at)) })
		}
		var f *Flag
		for _, st := range steps[i.Cell] {
			e := st.CellEstimate
			if !st.At.After(i.At) || ended(st.At) || !e.Crossing.Before(due) || open(st.At) {
				continue
			}
			text := fmt.Sprintf("It is forecast to leave its tolerance by %s, before its check is due on %s.", date(e.Crossing), date(due))
			if !e.Earliest.IsZero() {
				text = strings.TrimSuffix(text, ".") + fmt.Sprintf("; as early as %s with 2.5 %%.", date(e.Earliest))
			}
			f = &Flag{
				ID: dueEarlyID(i.Cell, i.Check), Cell: i.Cell, Kind: DueEarly, Open: true,
				FirstEvidenceAt: st.At, EarliestAt: st.At, LatestAt: st.At, LastGoodAt: st.At, OpenedAt: st.At, UpdatedAt: st.At, DueAt: e.Crossing,
				Size: e.Offset, U: e.U, NextCheck: DeadWeights, Evidence: text,
				Life: []Event{{At: st.At, What: Opened, Kind: DueEarly, Text: text}},
			}
			break
		}
		if f == nil {
			continue
		}
		closed := func(at time.Time, by, reason string) {
			if !f.Open && !at.Before(f.ClosedAt) {
				return
			}
			f.Open, f.ClosedAt, f.ClosedBy, f.ClosedReason = false, at, by, reason
		}
		if c := i.Next; c != nil {
			closed(c.Check.PerformedAt, c.Check.PerformedBy, c.Check.Kind.String()+" check "+c.Check.State.String()+": "+c.Verdict().String())
		}
		for _, o := range errors[i.Cell] {
			if o.OpenedAt.After(f.OpenedAt) {
				closed(o.OpenedAt, "", fmt.Sprintf("a flag of kind %q opened", o.Kind))
			}
		}
		for _, c := range d.in.Closings {
			if c.Flag == f.ID && !c.At.Before(f.OpenedAt) {
				closed(c.At, c.By, c.Reason)
			}
		}
		if !f.Open {
			f.Life = append(f.Life, Event{At: f.ClosedAt, What: Closed, Kind: DueEarly, Text: f.ClosedReason})
		}
		out = append(out, *f)
	}
	return out
}

// ofErrors returns the closings that are not of a flag on when a check is made: those
// that answer for what a cell or a car reads.
func ofErrors(closings []Closing, checks []Check) []Closing {
	if len(closings) == 0 {
		return nil
	}
	late := map[fleet.FlagID]bool{}
	for _, c := range checks {
		late[overdueID(c.Check.Cell, c.Check.ID)] = true
		late[dueEarlyID(c.Check.Cell, c.Check.ID)] = true
	}
	return slices.DeleteFunc(slices.Clone(closings), func(c Closing) bool { return late[c.Flag] })
}
