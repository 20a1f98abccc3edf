package notice

import (
	"context"
	"fmt"
	"slices"
	"time"

	"rollcall/services/fleet"
	"rollcall/services/show"
	"rollcall/services/store"
)

// everything is the limit of lists that are read whole.
const everything = 10_000_000

// longestUnsettled is how long a computation that is not settled keeps flags
// from being looked at: a fleet that never rests is told of all the same.
const longestUnsettled = 15 * time.Minute

// overdueKind is the kind of those flags that say a check is overdue; they are
// told as such.
const overdueKind = "check overdue"

// look returns the state of everything now, by subject, without ordinals; and
// whether the flags among it can be trusted.
func (s *Service) look(ctx context.Context, now time.Time) (all map[string]store.NoticeChangeRow, flagsHold bool, err error) {
	all = map[string]store.NoticeChangeRow{}
	registry := s.registry.At(now)
	put := func(kind, id string, cell fleet.CellID, state string, since time.Time, detail string) {
		all[kind+"/"+id] = store.NoticeChangeRow{
			Subject: kind + "/" + id, State: state, WantsAction: isOpen(state), Since: since.UTC(), CellID: string(cell),
			SiteID: string(registry.Cells[cell].Site), Detail: detail,
		}
	}

	settled := s.Settled == nil || s.Settled()
	if settled {
		s.unsettledSince = time.Time{}
	} else if s.unsettledSince.IsZero() {
		s.unsettledSince = now
	}
	flags, err := s.store.ListFlags(ctx, store.Filter{Limit: everything}, true)
	if err != nil {
		return nil, false, err
	}
	// A table without any row is one that is being rebuilt.
	flagsHold = len(flags) > 0 && (settled || now.Sub(s.unsettledSince) >= longestUnsettled)
	overdue := map[fleet.CellID]store.FlagRow{}
	for _, f := range flags {
		if f.Kind == overdueKind {
			if f.Open {
				overdue[fleet.CellID(f.CellID)] = f
			}
			continue
		}
		state, since, detail := f.Kind, f.OpenedAt, f.Evidence
		if !f.Open {
			state, detail = stateClosed, "Closed by "+show.Or(f.ClosedBy)+": "+show.Or(f.ClosedReason)
			if f.ClosedAt != nil {
				since = *f.ClosedAt
			}
		}
		put(subjectFlag, f.FlagID, fleet.CellID(f.CellID), state, since, detail)
		row := all[subjectFlag+"/"+f.FlagID]
		row.CarID, row.FlagID, row.Size, row.SizeU, row.SizeUnit, row.NextCheck = f.CarID, f.FlagID, f.Size, f.SizeU, f.SizeUnit, f.NextCheck
		if causes := f.Causes(); len(causes) > 0 {
			row.Cause, row.CauseProbability = causes[0].Fault, causes[0].Probability
		}
		all[row.Subject] = row
	}

	beats, err := s.store.LatestHeartbeats(ctx)
	if err != nil {
		return nil, false, err
	}
	results, err := s.store.ListVerdictsLatest(ctx, store.Filter{Limit: everything})
	if err != nil {
		return nil, false, err
	}
	intervals, err := s.store.ListIntervals(ctx, store.Filter{Limit: everything})
	if err != nil {
		return nil, false, err
	}
	due := map[fleet.CellID]store.IntervalRow{}
	for _, i := range intervals { // the earliest come first
		if _, ok := due[fleet.CellID(i.CellID)]; !ok && i.Asked {
			due[fleet.CellID(i.CellID)] = i
		}
	}
	checked, verdicts := map[fleet.CellID]store.VerdictRow{}, map[string]string{}
	for _, r := range results {
		verdicts[r.CheckID] = r.Verdict
		if k := fleet.CheckKind(r.Kind); k != fleet.CheckDeadWeight && k != fleet.CheckZero || r.Verdict == "unusable" {
			continue
		}
		if old, ok := checked[fleet.CellID(r.CellID)]; !ok || r.PerformedAt.After(old.PerformedAt) {
			checked[fleet.CellID(r.CellID)] = r
		}
	}
	for id := range registry.Cells {
		beat, heard := beats[id]
		if heard {
			silent := now.Sub(beat.ReceivedAt) >= s.config.AgentSilentAfter
			switch {
			case !silent:
				put(subjectAgent, string(id), id, stateHeard, beat.ReceivedAt, "")
			case now.Sub(s.wellSince) >= s.config.AgentSilentAfter:
				// Nothing is heard by a service that is not there.
				put(subjectAgent, string(id), id, stateSilent, beat.ReceivedAt,
					fmt.Sprintf("Last heard with %s waiting in its spool. What the cell measures is kept there and comes when the link is back.", show.Count(int(beat.SpoolMessages), "message", "messages")))
			}
			if !silent {
				s.spool(put, id, beat)
			}
		}
		if flag, flagged := overdue[id]; flagged {
			since := flag.OpenedAt
			if flag.DueAt != nil {
				since = *flag.DueAt
			}
			put(subjectCheck, string(id), id, stateOverdue, since, flag.Evidence)
		} else if cell := registry.Cells[id]; cell.CheckEvery > 0 || cell.CheckPulls > 0 || cell.Reliability > 0 {
			s.asked(put, cell, due[id], verdicts, heard, now)
		} else {
			last, ok := checked[id]
			s.notAsked(put, id, last, ok, heard, now)
		}
		if row := all[subjectCheck+"/"+string(id)]; row.WantsAction {
			row.NextCheck = "dead-weight check, as found"
			all[row.Subject] = row
		}
	}
	return all, flagsHold, nil
}

// putter notes the state of something.
type putter = func(kind, id string, cell fleet.CellID, state string, since time.Time, detail string)

// asked judges the checks of a cell whose registry entry asks for an interval: by
// the day that was computed for the next one. A cell that was never checked has
// none; its interval counts from when its entry holds.
func (s *Service) asked(put putter, cell fleet.Cell, due store.IntervalRow, verdicts map[string]string, heard bool, now time.Time) {
	switch {
	case due.LastCheckID == "" && !heard:
		// A cell that has not begun.
	case due.LastCheckID == "":
		if at := s.registry.EffectiveAt(cell.ID, now).Add(cell.CheckEvery); cell.CheckEvery > 0 && !at.After(now) {
			put(subjectCheck, string(cell.ID), cell.ID, stateOverdue, at, "No check of this cell's load cell is known.")
		}
	case due.DueAt != nil && !due.DueAt.After(now):
		put(subjectCheck, string(cell.ID), cell.ID, stateOverdue, *due.DueAt, show.Sentence(due.Says)+".")
	default:
		detail := ""
		if v := verdicts[due.LastCheckID]; v != "" {
			detail = "Verdict: " + v + "."
		}
		put(subjectCheck, string(cell.ID), cell.ID, stateDone, due.LastCheckAt, detail)
	}
}

// notAsked judges the checks of a cell whose registry entry asks for no interval:
// by the one of the configuration, if there is one.
func (s *Service) notAsked(put putter, id fleet.CellID, last store.VerdictRow, checked, heard bool, now time.Time) {
	after := s.config.CheckOverdueAfter
	switch {
	case after <= 0:
		// Whoever was told of one before is told that it is no more.
		put(subjectCheck, string(id), id, stateDone, s.registry.EffectiveAt(id, now), "The registry asks for no interval between its checks.")
		return
	case !checked && !heard:
		return
	}
	if !checked {
		if at := s.registry.EffectiveAt(id, now).Add(after); !at.After(now) {
			put(subjectCheck, string(id), id, stateOverdue, at, "No dead-weight or zero check of this cell is known.")
		}
		return
	}
	if at := last.PerformedAt.Add(after); !at.After(now) {
		put(subjectCheck, string(id), id, stateOverdue, at, "Last dead-weight or zero check: "+last.PerformedAt.UTC().Format("2006-01-02 15:04")+" UTC, "+last.Verdict+".")
		return
	}
	put(subjectCheck, string(id), id, stateDone, last.PerformedAt, "Verdict: "+last.Verdict+".")
}

// spool judges a spool by the agent's own clock. Between the limit and half of
// it a spool stays what it was.
func (s *Service) spool(put putter, id fleet.CellID, beat store.HeartbeatRow) {
	if beat.SpoolMessages == 0 || beat.SpoolOldestAt == nil {
		put(subjectSpool, string(id), id, stateDrained, beat.ReceivedAt, "")
		return
	}
	switch age := beat.SentAt.Sub(*beat.SpoolOldestAt); {
	case age >= s.config.SpoolGrowingAfter:
		put(subjectSpool, string(id), id, stateGrowing, *beat.SpoolOldestAt,
			fmt.Sprintf("%s, %.1f MB, while the agent is heard.", show.Count(int(beat.SpoolMessages), "message waits", "messages wait"), float64(beat.SpoolBytes)/1e6))
	case age < s.config.SpoolGrowingAfter/2:
		put(subjectSpool, string(id), id, stateDrained, beat.ReceivedAt, "")
	}
}

// note compares what is now with what was last noted and notes what changed, once
// it was seen in two rounds one after the other.
func (s *Service) note(ctx context.Context, now time.Time) error {
	all, flagsHold, err := s.look(ctx, now)
	if err != nil {
		return err
	}
	var changed []store.NoticeChangeRow
	candidates := map[string]string{}
	add := func(row store.NoticeChangeRow) {
		candidates[row.Subject] = row.State
		if s.candidates[row.Subject] != row.State {
			return
		}
		row.Ordinal, row.SeenAt = s.latest[row.Subject].Ordinal+1, now
		changed = append(changed, row)
	}
	gone := map[string]string{} // open flags that are not there any more, by what they are of
	if flagsHold {
		for subject, old := range s.latest {
			if _, there := all[subject]; !there && old.FlagID != "" && old.WantsAction {
				gone[old.CellID+"/"+old.CarID+"/"+old.State] = subject
			}
		}
	}
	var carried [][2]string
	for _, subject := range sorted(all) {
		row := all[subject]
		if row.FlagID != "" && !flagsHold {
			continue
		}
		old, known := s.latest[subject]
		switch {
		case known && old.State == row.State:
		case known:
			add(row)
		case row.WantsAction:
			if from := gone[row.CellID+"/"+row.CarID+"/"+row.State]; from != "" && row.FlagID != "" {
				row.Quiet = true
				before := len(changed)
				if add(row); len(changed) > before {
					carried = append(carried, [2]string{from, subject})
				}
				continue
			}
			add(row)
		case row.FlagID != "":
			// Whoever closed it knows; nobody was told that it was open.
			row.Quiet = true
			add(row)
		}
	}
	for _, subject := range sorted2(gone) {
		row := s.latest[subject]
		row.State, row.WantsAction, row.Since = stateWithdrawn, false, now
		row.Detail = "What is known now does not show it any more: data came late, the registry changed, or it was computed anew."
		row.Quiet = slices.ContainsFunc(carried, func(c [2]string) bool { return c[0] == subject })
		add(row)
	}
	s.candidates = candidates
	if len(changed) == 0 {
		return nil
	}
	if slices.ContainsFunc(changed, func(r store.NoticeChangeRow) bool { return r.FlagID != "" && r.WantsAction }) {
		touched, err := s.store.TouchedCount(ctx)
		if err != nil {
			return err
		}
		for i := range changed {
			changed[i].TouchedPulls = uint32(touched[changed[i].FlagID])
		}
	}
	if err := s.store.AppendNoticeChanges(ctx, changed); err != nil {
		return err
	}
	for _, row := range changed {
		s.latest[row.Subject] = row
	}
	return s.carry(ctx, carried, now)
}

// carry notes that what was told of a flag was told of the same finding under
// another id.
func (s *Service) carry(ctx context.Context, carried [][2]string, now time.Time) error {
	var rows []store.NoticeDeliveryRow
	for _, name := range sorted(s.receivers) {
		r := s.receivers[name]
		for _, c := range carried {
			if state := r.told[c[0]].TellState; isOpen(state) {
				row := s.latest[c[1]]
				rows = append(rows, store.NoticeDeliveryRow{
					At: now, Receiver: name, NoticeKey: keyOf(name, c[0], c[1]), Outcome: store.NoticeCarried, SiteID: row.SiteID,
					Subject: []string{row.Subject}, Ordinal: []uint32{row.Ordinal}, State: []string{row.State}, Answer: "told as " + c[0], Replica: s.replica,
				})
			}
		}
	}
	return s.deliver(ctx, rows)
}
