package flag

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollcall/services/compute/drift"
	"rollcall/services/fleet"
)

// Decide returns every flag of the history, by opening time, then id.
//
// A cell has at most one open flag. It opens
//
//   - as recalibrate when P(|offset| > tolerance) ≥ Certainty after a run, and
//     the offset is separable from the cars', or when a check as found fails,
//     of any kind but the shunt;
//   - as drifting when the weight of evidence is above its limit after a run, or
//     when the speed ratio shows that tyres slip on it: slipping pulls judge no cell,
//     so that nothing else would ever say so,
//
// turns from drifting to recalibrate as evidence grows, and closes by a check as
// left of the load cell (dead weight, zero, transfer load cell, torque
// reference) that passes, conditionally or not, or by a signed reason. One that
// a base-inertia check opened closes by such a check too, one that slip opened by a
// signed reason only. Beside it a cell may
// have an overdue flag, see Interval. A reference car's flag opens when P(|change| > limit) ≥
// Certainty or the weight of evidence of its change is above its limit, and closes by
// a signed reason only.
//
// A flag's id is made of its cell or car and the run or check that opened it,
// so a recomputed history gives the same. Where a run that arrived late changes
// which run opened a flag, a signed closing still finds it by its cell and time.
func Decide(in Input, s Settings) []Flag {
	d := decider{in: in, s: s, steps: slices.Clone(in.Steps), speeds: map[fleet.CarID][]*Speed{}}
	slices.SortStableFunc(d.steps, func(a, b drift.Step) int { return order(a.At, b.At, string(a.Run), string(b.Run)) })
	d.closings = ofErrors(in.Closings, in.Checks)
	slices.SortStableFunc(d.closings, func(a, b Closing) int { return order(a.At, b.At, string(a.Flag), string(b.Flag)) })
	var cells []fleet.CellID
	byCell := map[fleet.CellID][]moment{}
	add := func(c fleet.CellID, m moment) {
		if _, ok := byCell[c]; !ok {
			cells = append(cells, c)
		}
		byCell[c] = append(byCell[c], m)
	}
	var cars []fleet.CarID
	byCar := map[fleet.CarID][]moment{}
	addCar := func(c fleet.CarID, m moment) {
		if _, ok := byCar[c]; !ok {
			cars = append(cars, c)
		}
		byCar[c] = append(byCar[c], m)
	}
	for i := range d.steps {
		st := &d.steps[i]
		m := moment{at: st.At, rank: 1, id: string(st.Run), step: st}
		add(st.Cell, m)
		addCar(st.Car, m)
	}
	speeds := slices.Clone(in.Speeds)
	slices.SortStableFunc(speeds, func(a, b Speed) int { return order(a.At, b.At, string(a.Run), string(b.Run)) })
	for i := range speeds {
		x := &speeds[i]
		d.speeds[x.Car] = append(d.speeds[x.Car], x)
		add(x.Cell, moment{at: x.At, rank: 1, id: string(x.Run), speed: x})
	}
	for i := range in.Checks {
		c := &in.Checks[i]
		m := moment{at: c.Check.PerformedAt, id: string(c.Check.ID), check: c}
		if c.Check.State == fleet.AsLeft {
			m.rank = 2
		}
		add(c.Check.Cell, m)
	}
	for i := range d.closings {
		c := &d.closings[i]
		m := moment{at: c.At, rank: 3, id: string(c.Flag), closing: c}
		if c.Car != "" {
			addCar(c.Car, m)
		} else {
			add(c.Cell, m)
		}
	}
	out := overdue(in.Intervals, in.Closings, in.Now)
	for _, c := range cells {
		out = append(out, d.cell(c, sorted(byCell[c]))...)
	}
	for _, c := range cars {
		out = append(out, d.car(c, sorted(byCar[c]))...)
	}
	out = append(out, d.dueEarly(out)...)
	slices.SortFunc(out, func(a, b Flag) int { return order(a.OpenedAt, b.OpenedAt, string(a.ID), string(b.ID)) })
	return out
}

type decider struct {
	in       Input
	s        Settings
	steps    []drift.Step
	closings []Closing
	speeds   map[fleet.CarID][]*Speed // by time, then run
}

// moment is a step, a check or a closing. At one time a check as found comes
// before a run, a check as left and a closing after it.
type moment struct {
	at      time.Time
	rank    int
	id      string
	step    *drift.Step
	speed   *Speed // of the same run
	check   *Check
	closing *Closing
}

func sorted(m []moment) []moment {
	slices.SortStableFunc(m, func(a, b moment) int {
		if c := a.at.Compare(b.at); c != 0 {
			return c
		}
		if a.rank != b.rank {
			return a.rank - b.rank
		}
		return strings.Compare(a.id, b.id)
	})
	return m
}

func order(a, b time.Time, x, y string) int {
	if c := a.Compare(b); c != 0 {
		return c
	}
	return strings.Compare(x, y)
}

// flagID returns the first 16 bytes of SHA-256 over the parts, in hexadecimal.
func flagID(parts ...string) fleet.FlagID {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d:%s", len(p), p)
	}
	return fleet.FlagID(hex.EncodeToString(h.Sum(nil)[:16]))
}

// side follows one side of the CUSUM.
type side struct {
	zeroAt  time.Time // last run with the side at nought
	sinceAt time.Time // first run after that; zero while at nought
}

func (s *side) take(value float64, st *drift.Step) {
	if st.Restarted {
		s.sinceAt = time.Time{}
	}
	switch {
	case value == 0:
		s.zeroAt, s.sinceAt = st.At, time.Time{}
	case s.sinceAt.IsZero():
		s.sinceAt = st.At
	}
}

// cell returns the flags of a cell.
func (d *decider) cell(id fleet.CellID, moments []moment) []Flag {
	cell := d.in.Cells[id]
	var out []Flag
	var open *Flag
	var high, low side
	var passes []time.Time // checks that passed
	armed := true
	checks := map[fleet.CheckKind]string{}
	var last *drift.Step
	// Of the open flag: when the CUSUM's side that says it was last at nought, and
	// the kind of check that opened it.
	var nought time.Time
	var byKind fleet.CheckKind
	// restartedAt is the first run since the cell's errors last restarted.
	var restartedAt time.Time
	// What the speed ratio has said but while somebody has answered for its slip, and
	// of a flag that slip opened the sessions that did.
	var speeds, slip []*Speed

	sideOf := func(sign float64) *side {
		if sign < 0 {
			return &low
		}
		return &high
	}
	start := func(kind Kind, at time.Time, evidence string, sign float64, text string) {
		sd := sideOf(sign)
		f := Flag{
			ID: flagID("flag", string(id), evidence), Cell: id, Kind: kind, Open: true,
			FirstEvidenceAt: at, OpenedAt: at, UpdatedAt: at,
			Life: []Event{{At: at, What: Opened, Kind: kind, Text: text}},
		}
		if !sd.sinceAt.IsZero() {
			f.FirstEvidenceAt = sd.sinceAt
		}
		nought, byKind = sd.zeroAt, 0
		open = &f
	}
	update := func(at time.Time, kind Kind, text string) {
		open.UpdatedAt = at
		if kind != open.Kind {
			open.Kind = kind
			open.Life = append(open.Life, Event{At: at, What: Updated, Kind: kind, Text: text})
		}
	}
	finish := func(until time.Time) {
		open.EarliestAt, open.LatestAt = open.FirstEvidenceAt, open.FirstEvidenceAt
		decisive := d.decisive(id, cell, restartedAt, open.FirstEvidenceAt, until)
		v, ok := d.weigh(open, until, d.suspects(checks, decisive))
		switch {
		case slip != nil:
			d.dateSlip(open, slip, speeds)
		case ok:
			d.date(open, v, moments)
		}
		var ratio *ratioSeen
		epoch := restartedAt
		if slip != nil {
			epoch = time.Time{} // a calibration says nothing of tyres
		}
		if r, known := ratioOf(speeds, epoch, open.FirstEvidenceAt, until); known {
			ratio = &r
		}
		if nought.After(open.LastGoodAt) && nought.Before(open.FirstEvidenceAt) {
			open.LastGoodAt = nought
		}
		// A load-cell check does not see every fault: once the runs may already
		// show one, its pass alone does not make the cell good.
		for _, at := range passes {
			if at.After(open.LastGoodAt) && at.Before(open.EarliestAt) {
				open.LastGoodAt = at
			}
		}
		var c judged
		if ok || slip != nil {
			c = d.suspect(v, ratio, cell, checks, decisive)
		}
		if len(c.causes) > 0 && c.causes[0].Probability >= known {
			d.clean(open, c.causes[0].Fault, moments)
		}
		open.Causes, open.NextCheck = c.causes, c.next
		open.Evidence = d.evidence(cell, last, checks)
		if ratio != nil && (slip != nil || len(c.causes) > 0 && c.causes[0].Fault == fleet.FaultSlip) {
			open.Evidence = strings.TrimSpace(slipText(*ratio) + " " + open.Evidence)
		}
		if !open.EarliestAt.Equal(open.LatestAt) {
			open.Evidence += fmt.Sprintf(" The change began between %s and %s (95 %%), most likely by %s.", date(open.EarliestAt), date(open.LatestAt), date(open.FirstEvidenceAt))
		}
		out = append(out, *open)
		open, slip = nil, nil
	}
	closeBy := func(at time.Time, by, reason string) {
		open.Open, open.ClosedAt, open.ClosedBy, open.ClosedReason = false, at, by, reason
		open.Life = append(open.Life, Event{At: at, What: Closed, Kind: open.Kind, Text: reason})
		finish(at)
		clear(checks)
	}
	for _, m := range moments {
		switch {
		case m.step != nil:
			st := m.step
			last = st
			if st.Restarted && open == nil {
				restartedAt = st.At
			}
			high.take(st.High, st)
			low.take(st.Low, st)
			e := st.CellEstimate
			p := 0.0
			if e.Runs > 0 && e.NotSeparable == "" && cell.Tolerance > 0 {
				p = e.Beyond
			}
			if p < d.s.Rearm {
				armed = true
			}
			out95 := p >= d.s.Certainty && armed
			switch {
			case open == nil && st.Drifting:
				sign := 1.0
				if st.Low > st.High {
					sign = -1
				}
				kind := Drifting
				if out95 {
					kind = Recalibrate
				}
				start(kind, st.At, string(st.Run), sign, d.evidence(cell, st, checks))
			case open == nil && out95:
				start(Recalibrate, st.At, string(st.Run), e.Offset, d.evidence(cell, st, checks))
			case open != nil && out95:
				update(st.At, Recalibrate, d.evidence(cell, st, checks))
			case open != nil:
				update(st.At, open.Kind, "")
			}
			if open != nil && e.Runs > 0 {
				open.Size, open.U = e.Offset, e.U
			}
		case m.speed != nil:
			speeds = append(speeds, m.speed)
			if open != nil {
				if slip != nil {
					open.UpdatedAt = m.at
				}
				continue
			}
			if all, enough := d.slipping(speeds); enough {
				slip = all
				start(Drifting, m.at, "slip "+string(m.speed.Run), 1, "")
				open.FirstEvidenceAt, nought = all[0].At, time.Time{}
				if r, ok := ratioOf(speeds, time.Time{}, all[0].At, m.at); ok {
					open.Life[0].Text = slipText(r)
				}
				if last != nil && last.CellEstimate.Runs > 0 {
					open.Size, open.U = last.CellEstimate.Offset, last.CellEstimate.U
				}
			}
		case m.check != nil:
			c := m.check
			kind, r := c.Check.Kind, c.Result
			if !slices.Contains(flagKinds, kind) {
				continue
			}
			verdict := c.Verdict()
			good := verdict == fleet.VerdictPass || verdict == fleet.VerdictConditionalPass
			if good && (SeesGain(kind) || kind == fleet.CheckZero && c.Check.State == fleet.AsLeft) {
				// A zero check as found knows nothing of the gain, nor do the others
				// of the load cell.
				passes = append(passes, m.at)
			}
			// What mends the load cell does not mend the base inertia's value, nor
			// the other way round.
			mends := slip == nil && SeesZero(kind) && byKind != fleet.CheckBaseInertia || slip == nil && kind == fleet.CheckBaseInertia && byKind == kind
			switch {
			case c.Check.State == fleet.AsLeft && good && open != nil && mends:
				closeBy(m.at, c.Check.PerformedBy, fmt.Sprintf("%s check as left: %s", kind, verdict))
			case c.Check.State == fleet.AsFound && verdict == fleet.VerdictFail:
				checks[kind] = checkText(c)
				sign := r.GainError
				if x, _, ok := c.inertiaError(); ok {
					sign = x
				} else if kind == fleet.CheckZero || !r.GainValid {
					sign = r.ZeroError
				}
				if open == nil {
					start(Recalibrate, m.at, string(c.Check.ID), sign, d.evidence(cell, last, checks))
					byKind = kind
					if last != nil && last.CellEstimate.Runs > 0 {
						open.Size, open.U = last.CellEstimate.Offset, last.CellEstimate.U
					} else if r.GainValid {
						open.Size, open.U = r.GainError, r.UGainError
					}
				} else {
					update(m.at, Recalibrate, d.evidence(cell, last, checks))
				}
			case c.Check.State == fleet.AsFound && open != nil:
				open.UpdatedAt = m.at
			}
		case m.closing != nil:
			c := m.closing
			if open == nil || c.At.Before(open.OpenedAt) {
				continue
			}
			// What the ratio showed meanwhile is what was answered for, not what the cell
			// does.
			kept := slices.DeleteFunc(slices.Clone(speeds), func(s *Speed) bool { return !s.At.Before(open.FirstEvidenceAt) })
			closeBy(c.At, c.By, c.Reason)
			armed, speeds = false, kept
		}
	}
	if open != nil {
		until := open.UpdatedAt
		if n := len(moments); n > 0 && moments[n-1].at.After(until) {
			until = moments[n-1].at
		}
		finish(until)
	}
	return out
}

// clean moves the flag's last good moment and first evidence to where the
// checks of its cause put them, and says whether they moved: the cell was good
// at its last check as found whose error is within its own U before the first
// that failed.
func (d *decider) clean(f *Flag, fault fleet.Fault, moments []moment) bool {
	var good, failed time.Time
	for _, m := range moments {
		if m.check == nil || m.check.Check.State != fleet.AsFound || (!f.ClosedAt.IsZero() && m.at.After(f.ClosedAt)) {
			continue
		}
		kind, r := m.check.Check.Kind, m.check.Result
		var e, u float64
		switch {
		case fault == fleet.FaultGain && SeesGain(kind) && r.GainValid:
			e, u = r.GainError, r.UGainError
		case fault == fleet.FaultZero && SeesZero(kind) && r.ZeroValid:
			e, u = r.ZeroError, r.UZeroError
		case fault == fleet.FaultInertia && kind == fleet.CheckBaseInertia:
			var ok bool
			if e, u, ok = m.check.inertiaError(); !ok {
				continue
			}
		default:
			continue
		}
		if m.check.Verdict() == fleet.VerdictFail && m.at.After(f.LastGoodAt) {
			failed = m.at
			break
		}
		if math.Abs(e) <= u {
			good = m.at
		}
	}
	if failed.IsZero() || !good.After(f.LastGoodAt) {
		return false
	}
	f.LastGoodAt = good
	// The first moment after it, not after the failed check.
	next := failed
	for _, m := range moments {
		if m.step != nil && m.at.After(good) && m.at.Before(next) {
			next = m.at
		}
	}
	later := func(t *time.Time, than time.Time) {
		if t.Before(than) {
			*t = than
		}
	}
	later(&f.EarliestAt, next)
	later(&f.FirstEvidenceAt, next)
	later(&f.LatestAt, f.FirstEvidenceAt)
	return true
}

// weight writes a weight of evidence; of what is beyond doubt the figure says nothing.
func weight(x float64) string {
	if x > 1e6 {
		return "over 1 000 000"
	}
	return fmt.Sprintf("%.0f", x)
}

func date(t time.Time) string { return t.UTC().Format(time.DateOnly) }

// signed writes a number with its sign, the minus as it is set in print; what
// rounds to nought has none.
func signed(x float64, decimals int) string {
	s := strconv.FormatFloat(math.Abs(x), 'f', decimals, 64)
	switch {
	case strings.Trim(s, "0.") == "":
		return s
	case x < 0:
		return "−" + s
	}
	return "+" + s
}

// evidence says what was seen, in sentences.
func (d *decider) evidence(cell fleet.Cell, st *drift.Step, checks map[fleet.CheckKind]string) string {
	var parts []string
	if st != nil && st.CellEstimate.Runs > 0 {
		e := st.CellEstimate
		t := fmt.Sprintf("Offset from the fleet %s %% ± %.2f %% (k = 2)", signed(100*e.Offset, 2), 100*e.U)
		if cell.Tolerance > 0 {
			t += fmt.Sprintf(", tolerance %.2f %%", 100*cell.Tolerance)
		}
		parts = append(parts, t+".")
		if st.Drifting {
			parts = append(parts, fmt.Sprintf("Weight of evidence that the cell has changed %s, limit %.0f.", weight(st.Evidence), st.EvidenceLimit))
		}
		if !e.Crossing.IsZero() && e.Beyond < 0.5 {
			t := fmt.Sprintf("If it goes on it leaves the tolerance by %s", date(e.Crossing))
			if !e.Earliest.IsZero() && !e.Latest.IsZero() {
				t += fmt.Sprintf(" (95 %%: %s to %s)", date(e.Earliest), date(e.Latest))
			}
			parts = append(parts, t+".")
		}
		if e.NotSeparable != "" {
			parts = append(parts, e.NotSeparable)
		}
	}
	for k := fleet.CheckDeadWeight; k <= fleet.CheckBaseInertia; k++ {
		if t := checks[k]; t != "" {
			parts = append(parts, t)
		}
	}
	return strings.Join(parts, " ")
}

// car returns the flags of a reference car.
func (d *decider) car(id fleet.CarID, moments []moment) []Flag {
	var out []Flag
	var open *Flag
	armed := true
	good := time.Time{}
	for _, m := range moments {
		if c := m.closing; c != nil {
			if open != nil && !c.At.Before(open.OpenedAt) {
				open.Open, open.ClosedAt, open.ClosedBy, open.ClosedReason = false, c.At, c.By, c.Reason
				open.Life = append(open.Life, Event{At: c.At, What: Closed, Kind: open.Kind, Text: c.Reason})
				out = append(out, *open)
				open, armed = nil, false
			}
			continue
		}
		e := m.step.CarEstimate
		if !e.Known {
			armed = true
			continue
		}
		if e.Probability < d.s.Rearm && !e.Drifting {
			armed, good = true, m.at
		}
		text := fmt.Sprintf("Car %s now gives %s %% ± %.2f %% (k = 2) of tractive force beyond what it gave in its first weeks, around %s, measured against the other cars.",
			id, signed(100*e.Change, 2), 100*e.U, date(e.Since))
		if e.Drifting {
			text += fmt.Sprintf(" Weight of evidence that it has changed %s, limit %.0f.", weight(e.Evidence), e.EvidenceLimit)
		}
		if open == nil && (e.Probability >= d.s.Certainty || e.Drifting) && armed {
			open = &Flag{
				ID: flagID("flag", string(id), string(m.step.Run)), Car: id, Kind: ReferenceCar, Open: true,
				FirstEvidenceAt: m.at, LastGoodAt: good, OpenedAt: m.at,
				NextCheck: ServiceCar,
				Life:      []Event{{At: m.at, What: Opened, Kind: ReferenceCar, Text: text}},
			}
			if !good.IsZero() {
				open.FirstEvidenceAt = firstAfter(moments, good)
			}
			open.EarliestAt, open.LatestAt = open.FirstEvidenceAt, open.FirstEvidenceAt
		}
		if open != nil {
			open.UpdatedAt, open.Size, open.U, open.Evidence = m.at, e.Change, e.U, text
			open.Causes = []Cause{{Fault: fleet.FaultReferenceCar, Probability: e.Probability, Size: e.Change, U: e.U, Unit: "ratio", Car: id}}
		}
	}
	if open != nil {
		out = append(out, *open)
	}
	return out
}

// firstAfter returns the time of the first step after at.
func firstAfter(moments []moment, at time.Time) time.Time {
	for _, m := range moments {
		if m.step != nil && m.at.After(at) {
			return m.at
		}
	}
	return at
}

// steady is the change of a load cell's calibration that leaves the cell as it
// was: of the gain, and of the zero as a share of the load cell's range.
const steady = 0.0005

// Restarts returns the restarts drift must know of: a cell's error starts anew
// with every check as left that loaded the load cell, since the cell was worked
// on, and with a zero check as left that moved the calibration by more than
// 0.05 % of the load cell's range; each from when it takes effect. A signed closing starts only the cell's CUSUM at nought;
// for a reference car it starts its level anew, since somebody has answered for
// the car as it now is.
func Restarts(checks []Check, closings []Closing, cells map[fleet.CellID]fleet.Cell) []drift.Restart {
	left := make([]*Check, 0, len(checks))
	for i := range checks {
		if c := &checks[i]; c.Check.Kind != fleet.CheckBaseInertia && c.opens() {
			left = append(left, c)
		}
	}
	slices.SortStableFunc(left, func(a, b *Check) int {
		return order(a.Check.From(), b.Check.From(), string(a.Check.ID), string(b.Check.ID))
	})
	type calibration struct{ zero, gain float64 }
	inForce := map[fleet.CellID]calibration{}
	var out []drift.Restart
	for _, c := range left {
		cell := c.Check.Cell
		line := c.Result.AsLeft.Line()
		now := calibration{line.Zero, line.Gain}
		old := inForce[cell]
		inForce[cell] = now
		moved := math.Abs(now.gain-old.gain) > steady || math.Abs(now.zero-old.zero) > steady*cells[cell].LoadCellRange
		if SeesGain(c.Check.Kind) || moved {
			out = append(out, drift.Restart{Cell: cell, At: c.Check.From(), Epoch: c.Result.AsLeft.Epoch, Adjusted: true})
		}
	}
	signed := ofErrors(closings, checks)
	slices.SortStableFunc(signed, func(a, b Closing) int { return order(a.At, b.At, string(a.Flag), string(b.Flag)) })
	for _, c := range signed {
		out = append(out, drift.Restart{Cell: c.Cell, Car: c.Car, At: c.At, Adjusted: c.Car != ""})
	}
	return out
}
