package pipeline

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// baseline is the pull whose loss is to be carried to another one.
type baseline struct {
	record
	coast *record
	situation
	// refused says why it cannot be; empty: see carried.
	refused string
}

// readCarries reads which pulls' losses are carried from where. The caller holds
// records, or nothing else runs.
func (p *Pipeline) readCarries(ctx context.Context) error {
	rows, err := p.store.ReadCarries(ctx)
	if err != nil {
		return err
	}
	from := map[fleet.PullID]fleet.PullID{}
	to := map[fleet.PullID][]fleet.PullID{}
	for _, r := range rows {
		if r.FromPullID != "" {
			from[fleet.PullID(r.PullID)] = fleet.PullID(r.FromPullID)
			to[fleet.PullID(r.FromPullID)] = append(to[fleet.PullID(r.FromPullID)], fleet.PullID(r.PullID))
		}
	}
	p.known.Lock()
	p.carriedFrom, p.carriedTo = from, to
	p.known.Unlock()
	return nil
}

// LossCarried says that somebody decided on the losses of pulls: they are
// computed anew.
func (p *Pipeline) LossCarried(ctx context.Context, pulls []fleet.PullID) error {
	p.records.Lock()
	defer p.records.Unlock()
	if err := p.readCarries(ctx); err != nil {
		return err
	}
	for _, id := range pulls {
		p.queue.add(id)
	}
	poke(p.wake)
	return nil
}

// baselineOf returns the pull whose loss is to be carried to a pull, or nil.
func (p *Pipeline) baselineOf(ctx context.Context, pull fleet.Pull) (*baseline, error) {
	p.known.Lock()
	from := p.carriedFrom[pull.ID]
	p.known.Unlock()
	if from == "" {
		return nil, nil
	}
	return p.baseline(ctx, from, pull)
}

// baseline returns a pull as one whose loss is to be carried to another.
func (p *Pipeline) baseline(ctx context.Context, from fleet.PullID, to fleet.Pull) (*baseline, error) {
	records, err := p.read(ctx, []fleet.PullID{from})
	if err != nil {
		return nil, err
	}
	b := &baseline{}
	b.pull.ID = from
	switch r := records[0]; {
	case r == nil:
		b.refused = "it is not there, or has not ended"
	case r.missing != "":
		b.refused = r.missing
	case r.pull.Kind != fleet.KindPull:
		b.refused = fmt.Sprintf("it is of kind %s; the loss is carried from a pull with a coast-down", r.pull.Kind)
	case !r.pull.StartedAt.Before(to.StartedAt):
		b.refused = fmt.Sprintf("it was made at %s, the pull before it at %s; a loss is carried to later pulls only",
			r.pull.StartedAt.UTC().Format("2006-01-02 15:04:05"), to.StartedAt.UTC().Format("2006-01-02 15:04:05"))
	default:
		b.record = *r
	}
	if b.refused != "" {
		return b, nil
	}
	s, known := p.situationOf(b.pull)
	if !known {
		b.refused = errNoCell.Error()
		return b, nil
	}
	b.situation = s
	b.coast, err = p.coastDownOf(ctx, b.pull)
	return b, err
}

// carried returns the curve of a pull with the loss of a baseline. A loss that
// the pull's own coast-down measured stands: it is of this pull's tyres and heat,
// and nothing carried can be nearer.
func carried(own powercurve.Curve, in powercurve.Input, b *baseline) (powercurve.Curve, powercurve.Input) {
	if own.Loss != nil {
		return own, in
	}
	why := b.refused
	if why == "" {
		from := inputOf(b.record, b.coast, b.situation)
		curve, err := powercurve.Reduce(from)
		if err == nil {
			var loss powercurve.CarriedLoss
			if loss, err = curve.CarryLoss(from); err == nil {
				in.CarriedLoss = &loss
				if with, failed := powercurve.Reduce(in); failed == nil {
					return with, in
				} else {
					err = failed
				}
				in.CarriedLoss = nil
			}
		}
		why = strings.TrimPrefix(plain(err.Error()), "the loss cannot be carried: ")
	}
	own.NoEnginePower = fmt.Sprintf("the loss of pull %s cannot be carried to this one: %s", b.pull.ID, why)
	return own, in
}

// CarryFits says whether the loss of a pull can be carried to others: nil, or
// for the first to which it cannot a sentence that says why.
func (p *Pipeline) CarryFits(ctx context.Context, from fleet.PullID, pulls []fleet.PullID) error {
	all, err := p.read(ctx, append([]fleet.PullID{from}, pulls...))
	if err != nil {
		return fmt.Errorf("read the pulls of a carried loss: %w", err)
	}
	refuse := func(field string, id fleet.PullID, why string) error {
		return &wire.FieldError{Field: field, Reason: fmt.Sprintf("pull %s: %s", id, why)}
	}
	for i, r := range all {
		field, id := "pull_ids", from
		if i == 0 {
			field = "from_pull_id"
		} else {
			id = pulls[i-1]
		}
		switch {
		case r == nil:
			return fmt.Errorf("%s: there is no pull %s that has ended: %w", field, id, store.ErrNotFound)
		case r.pull.Kind != fleet.KindPull:
			return refuse(field, id, fmt.Sprintf("is of kind %s; a loss is carried from pull to pull", r.pull.Kind))
		case r.missing != "":
			return refuse(field, id, r.missing)
		case i > 0 && id == from:
			return refuse(field, id, "is the baseline itself")
		}
	}
	own := all[0]
	for _, r := range all[1:] {
		if a, b := setUpOf(own.pull), setUpOf(r.pull); a == "" || b == "" || a != b {
			return refuse("pull_ids", r.pull.ID, fmt.Sprintf("is of %s, the baseline of %s; a loss is carried for the same car and set-up only: record a coast-down", orUnnamed(b), orUnnamed(a)))
		}
		from, err := p.baseline(ctx, own.pull.ID, r.pull)
		if err != nil {
			return err
		}
		s, known := p.situationOf(r.pull)
		if !known {
			return refuse("pull_ids", r.pull.ID, errNoCell.Error())
		}
		coast, err := p.coastDownOf(ctx, r.pull)
		if err != nil {
			return err
		}
		alone := reduce(*r, coast, s)
		if alone.curve == nil {
			return refuse("pull_ids", r.pull.ID, "has no curve: "+plain(alone.err.Error()))
		}
		if alone.curve.Loss != nil {
			return refuse("pull_ids", r.pull.ID, "has a coast-down of its own, which measured its loss; nothing carried is nearer, and none is needed")
		}
		s.from = from
		if with := reduce(*r, coast, s); with.curve == nil || with.curve.CarriedFrom == "" {
			return refuse("pull_ids", r.pull.ID, plain(with.curve.NoEnginePower))
		}
	}
	return nil
}

// orUnnamed names a car with its set-up.
func orUnnamed(setUp string) string {
	if setUp == "" {
		return "a car without a name"
	}
	return fmt.Sprintf("%q", setUp)
}

// setUpOf returns the car of a pull with what its losses depend on; empty: it
// cannot be told from another.
func setUpOf(p fleet.Pull) string {
	car := p.CustomerCar
	if p.Car != "" {
		car = string(p.Car)
	}
	if car == "" || p.SetUp == "" {
		return car
	}
	return car + ", set-up " + p.SetUp
}

// carriersOf returns the pulls to which the loss of a pull is carried.
func (p *Pipeline) carriersOf(id fleet.PullID) []fleet.PullID {
	p.known.Lock()
	defer p.known.Unlock()
	return slices.Clone(p.carriedTo[id])
}
