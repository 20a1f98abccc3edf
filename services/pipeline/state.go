package pipeline

import (
	"context"
	"errors"
	"time"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// ErrNotCompared says that there are reference runs and the fleet was not compared
// since the service started.
var ErrNotCompared = errors.New("the fleet has not been compared since the service started; ask again in a moment")

// State is the fleet as it was last compared.
type State struct {
	Fit *fleetstate.Fit // it stays as it is; to be read by any number at once
	// Places is the cell that each reference car last ran on.
	Places map[fleet.CarID]fleet.CellID
}

// latest is what the fleet's room leaves for State.
type latest struct {
	// lent is the follower's, which goes on with it.
	lent   *fleetstate.Fit
	places map[fleet.CarID]fleet.CellID
	kept   *State // of known; the copy, made when it is first asked for
}

// leave keeps what State copies. The caller holds comparing.
func (p *Pipeline) leave(lent *fleetstate.Fit, runs []refrun.Run) {
	now := &latest{lent: lent, places: map[fleet.CarID]fleet.CellID{}}
	at := map[fleet.CarID]time.Time{}
	for i := range runs {
		// By id, so that of two at one moment it is always the same.
		if r := &runs[i]; !r.At.Before(at[r.Car]) {
			at[r.Car], now.places[r.Car] = r.At, r.Cell
		}
	}
	p.known.Lock()
	p.latest = now
	p.known.Unlock()
}

// unleave forgets what was lent and may have been changed since; a copy stays.
func (p *Pipeline) unleave() {
	p.known.Lock()
	defer p.known.Unlock()
	if p.latest != nil && p.latest.kept == nil {
		p.latest = nil
	}
}

// State returns the fleet as it was last compared. Only who first asks after a
// comparison waits for the next, where one is under way: it makes the copy.
//
// It returns fleetstate.ErrNoRuns while there is no reference run, ErrNotCompared,
// or the error of ctx.
func (p *Pipeline) State(ctx context.Context) (State, error) {
	if s, ok := p.kept(); ok {
		return s, nil
	}
	const pause = 10 * time.Millisecond
	for !p.comparing.TryLock() {
		select {
		case <-ctx.Done():
			return State{}, ctx.Err()
		case <-time.After(pause):
		}
		if s, ok := p.kept(); ok {
			return s, nil
		}
	}
	defer p.comparing.Unlock()
	p.known.Lock()
	defer p.known.Unlock()
	switch l := p.latest; {
	case len(p.runs) == 0, l != nil && len(l.lent.Cells()) == 0:
		return State{}, fleetstate.ErrNoRuns
	case l == nil:
		return State{}, ErrNotCompared
	case l.kept == nil:
		l.kept = &State{Fit: l.lent.Clone(), Places: l.places}
	}
	return *p.latest.kept, nil
}

func (p *Pipeline) kept() (State, bool) {
	p.known.Lock()
	defer p.known.Unlock()
	if p.latest == nil || p.latest.kept == nil {
		return State{}, false
	}
	return *p.latest.kept, true
}
