package flag

import (
	"slices"
	"time"

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

// ofErrors returns the closings that are not of an overdue check's flag: those
// that answer for what a cell or a car reads.
func ofErrors(closings []Closing, checks []Check) []Closing {
	if len(closings) == 0 {
		return nil
	}
	late := map[fleet.FlagID]bool{}
	for _, c := range checks {
		late[overdueID(c.Check.Cell, c.Check.ID)] = true
	}
	return slices.DeleteFunc(slices.Clone(closings), func(c Closing) bool { return late[c.Flag] })
}
