package query

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/fleet"
)

// A car's next stops are those of a short plan that is not searched for long: a
// page waits for it, the first after each comparison of the fleet. Of a fleet of
// more cells nothing is said; PlanRotation says it.
const (
	nextWeeks = 4
	nextWork  = planWork / 50
	nextCells = 200
)

// planned is the plan that NextOf last made.
type planned struct {
	sync.Mutex
	of   *fleetstate.Fit
	plan *pb.PlanRotationResponse
}

// NextOf says in sentences where a reference car goes in the coming weeks, so that
// the largest uncertainty in the fleet falls most; none where nothing is planned.
// Cars that have not run yet are not planned with.
func (s *Server) NextOf(ctx context.Context, car string) ([]string, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	registry := s.latest()
	state, err := s.State(ctx)
	if err != nil || len(registry.Cells) > nextCells || state.Places[fleet.CarID(car)] == "" {
		// A page of a car can be read without it.
		return nil, ctx.Err()
	}
	s.next.Lock()
	defer s.next.Unlock()
	if s.next.of != state.Fit {
		req := &pb.PlanRotationRequest{Weeks: nextWeeks}
		for id := range registry.Cars {
			if state.Places[id] == "" {
				req.WithoutCarIds = append(req.WithoutCarIds, string(id))
			}
		}
		s.next.of, s.next.plan = state.Fit, nil
		if plan, err := s.planRotation(req, state, nextWork); err == nil {
			s.next.plan = plan
		}
	}
	return stopsOf(car, s.next.plan), nil
}

// stopsOf says a car's stops of a plan in sentences.
func stopsOf(car string, plan *pb.PlanRotationResponse) []string {
	var out []string
	for _, s := range plan.GetPlan().GetStops() {
		if s.GetCarId() != car {
			continue
		}
		cells := slices.Clone(s.GetCellIds())
		slices.Sort(cells)
		runs := "run on " + cmp.Or(strings.Join(cells, ", "), "none of its cells")
		from := plan.GetFrom().AsTime().AddDate(0, 0, 7*(int(s.GetWeek())-1)).Format("2006-01-02")
		switch {
		case s.GetAway():
			out = append(out, fmt.Sprintf("Week %d, from %s: it is away.", s.GetWeek(), from))
		case s.GetFromSiteId() == s.GetSiteId():
			out = append(out, fmt.Sprintf("Week %d, from %s: stay at %s and %s.", s.GetWeek(), from, s.GetSiteId(), runs))
		default:
			out = append(out, fmt.Sprintf("Week %d, from %s: go from %s to %s and %s.", s.GetWeek(), from, s.GetFromSiteId(), s.GetSiteId(), runs))
		}
	}
	return out
}
