package query

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/rotation"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/wire"
)

// weeksAhead is how many weeks are planned where nothing is said.
const weeksAhead = 8

// planWork bounds the search, so that an answer comes well within a call's
// deadline.
const planWork = rotation.DefaultWork / 2

// PlanRotation plans where the reference cars go, from the fleet as it was last
// compared.
func (s *Server) PlanRotation(ctx context.Context, req *pb.PlanRotationRequest) (*pb.PlanRotationResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	// What is wrong with the request is said also while there is no run yet.
	if _, err := s.rotationInput(req); err != nil {
		return nil, err
	}
	state, err := s.state(ctx)
	if err != nil {
		return nil, err
	}
	return s.planRotation(req, state, planWork)
}

// planRotation plans from a state of the fleet, with so much work.
func (s *Server) planRotation(req *pb.PlanRotationRequest, state pipeline.State, work float64) (*pb.PlanRotationResponse, error) {
	in, err := s.rotationInput(req)
	if err != nil {
		return nil, err
	}
	fit := state.Fit
	in.Work = work
	in.Fit = fit
	if in.From.Before(fit.At) {
		if req.GetFrom() != nil {
			return nil, &wire.FieldError{Field: "from", Reason: fmt.Sprintf("is before the last run or check, %s; plan from then on", fit.At.UTC().Format(time.RFC3339))}
		}
		in.From = fit.At
	}
	if err := s.placeCars(in, req, state.Places); err != nil {
		return nil, err
	}
	plan, err := rotation.Make(*in)
	switch {
	case errors.Is(err, fleetstate.ErrNoRuns):
		return nil, status.Error(codes.FailedPrecondition, "no reference run is known whose like could be planned; make reference runs first")
	case err != nil:
		return nil, status.Error(codes.InvalidArgument, strings.ReplaceAll(err.Error(), "rotation: ", ""))
	}
	return &pb.PlanRotationResponse{
		From: timestamppb.New(in.From), Weeks: uint32(in.Weeks),
		Now: rotationScheme(plan.Now), Plan: rotationScheme(plan.Plan), Stays: rotationScheme(plan.Stays), Round: rotationScheme(plan.Round),
		CostUnit: plan.CostUnit, Travel: plan.Travel, Why: plan.Why, Complete: plan.Complete,
	}, nil
}

// state is the fleet as it was last compared.
func (s *Server) state(ctx context.Context) (pipeline.State, error) {
	state, err := s.State(ctx)
	switch {
	case errors.Is(err, fleetstate.ErrNoRuns):
		err = status.Error(codes.FailedPrecondition, "there is no reference run yet: nothing says how surely a cell is known; make reference runs first")
	case errors.Is(err, pipeline.ErrNotCompared):
		err = status.Error(codes.Unavailable, err.Error())
	}
	return state, err
}

// rotationInput is what a request asks for, with the registry's sites and cells.
func (s *Server) rotationInput(req *pb.PlanRotationRequest) (*rotation.Input, error) {
	in := &rotation.Input{
		From: s.now().UTC(), Weeks: int(req.GetWeeks()), CostUnit: req.GetCostUnit(), Budget: math.Inf(1), Worth: req.GetWorth(),
		CellsAWeek: int(req.GetCellsAWeek()),
	}
	if in.Weeks == 0 {
		in.Weeks = weeksAhead
	}
	if t := req.GetFrom(); t != nil {
		if t.CheckValid() != nil {
			return nil, &wire.FieldError{Field: "from", Reason: "is no time between the years 1 and 9999"}
		}
		in.From = t.AsTime()
	}
	if req.Budget != nil {
		in.Budget = req.GetBudget()
	}
	registry := s.registry.At(in.From)
	closed := map[fleet.CellID][]int{}
	for _, c := range req.GetClosed() {
		id := fleet.CellID(c.GetCellId())
		if _, ok := registry.Cells[id]; !ok {
			return nil, &wire.FieldError{Field: "closed", Reason: fmt.Sprintf("names cell %q, which is not in the registry", id)}
		}
		weeks := numbers(c.GetWeeks())
		if len(weeks) == 0 {
			for w := range in.Weeks {
				weeks = append(weeks, w+1)
			}
		}
		closed[id] = append(closed[id], weeks...)
	}
	cells := map[fleet.SiteID][]rotation.Cell{}
	for id, c := range registry.Cells {
		cells[c.Site] = append(cells[c.Site], rotation.Cell{ID: id, Closed: closed[id]})
	}
	for id, site := range registry.Sites {
		out := rotation.Site{ID: id, Cells: cells[id]}
		if site.Longitude != nil {
			out.Position = &rotation.Position{Latitude: site.Latitude, Longitude: *site.Longitude}
		}
		if len(out.Cells) > 0 {
			in.Sites = append(in.Sites, out)
		}
	}
	for _, t := range req.GetTravel() {
		in.Legs = append(in.Legs, rotation.Leg{A: fleet.SiteID(t.GetSiteId()), B: fleet.SiteID(t.GetOtherSiteId()), Cost: t.GetCost()})
	}
	return in, nil
}

// placeCars fills in the registry's reference cars and where they are.
func (s *Server) placeCars(in *rotation.Input, req *pb.PlanRotationRequest, ran map[fleet.CarID]fleet.CellID) error {
	registry := s.registry.At(in.From)
	check := func(field, car string) (fleet.CarID, error) {
		if _, ok := registry.Cars[fleet.CarID(car)]; !ok {
			return "", &wire.FieldError{Field: field, Reason: fmt.Sprintf("names reference car %q, which is not in the registry", car)}
		}
		return fleet.CarID(car), nil
	}
	stays, without := map[fleet.CarID]bool{}, map[fleet.CarID]bool{}
	for _, x := range []struct {
		field string
		cars  []string
		to    map[fleet.CarID]bool
	}{{"stay_car_ids", req.GetStayCarIds(), stays}, {"without_car_ids", req.GetWithoutCarIds(), without}} {
		for _, car := range x.cars {
			id, err := check(x.field, car)
			if err != nil {
				return err
			}
			x.to[id] = true
		}
	}
	away := map[fleet.CarID][]int{}
	for _, x := range req.GetAway() {
		id, err := check("away", x.GetCarId())
		if err != nil {
			return err
		}
		away[id] = append(away[id], numbers(x.GetWeeks())...)
	}
	at := map[fleet.CarID]fleet.SiteID{}
	for car, cell := range ran {
		at[car] = registry.Cells[cell].Site
	}
	for _, x := range req.GetPlaces() {
		id, err := check("places", x.GetCarId())
		if err != nil {
			return err
		}
		site := fleet.SiteID(x.GetSiteId())
		if !slices.ContainsFunc(in.Sites, func(s rotation.Site) bool { return s.ID == site }) {
			return &wire.FieldError{Field: "places", Reason: fmt.Sprintf("puts reference car %s at site %q, which is not in the registry or has no cell", id, site)}
		}
		at[id] = site
	}
	var nowhere []string
	for id := range registry.Cars {
		switch {
		case without[id]:
		case at[id] == "":
			nowhere = append(nowhere, string(id))
		default:
			in.Cars = append(in.Cars, rotation.Car{ID: id, Site: at[id], Stays: stays[id], Away: away[id]})
		}
	}
	if len(nowhere) > 0 {
		slices.Sort(nowhere)
		return &wire.FieldError{Field: "places", Reason: "lacks where these reference cars are, which have not run yet: " + strings.Join(nowhere, ", ") + "; place each at a site, or leave it out of the plan"}
	}
	return nil
}

func numbers(list []uint32) []int {
	var out []int
	for _, x := range list {
		out = append(out, int(x))
	}
	return out
}

func rotationScheme(s rotation.Scheme) *pb.RotationScheme {
	out := &pb.RotationScheme{
		Cost: s.Cost, OverBudget: s.OverBudget, LargestExpandedUncertainty: s.Largest.U, LargestCellId: string(s.Largest.Cell), TypicalExpandedUncertainty: s.Typical,
	}
	for _, x := range s.Stops {
		stop := &pb.RotationStop{
			Week: uint32(x.Week), CarId: string(x.Car), SiteId: string(x.Site), FromSiteId: string(x.From), Cost: x.Cost, Away: x.Away,
		}
		for _, c := range x.Cells {
			stop.CellIds = append(stop.CellIds, string(c))
		}
		out.Stops = append(out.Stops, stop)
	}
	for _, c := range s.Cells {
		out.Cells = append(out.Cells, &pb.CellUncertainty{CellId: string(c.Cell), ExpandedUncertainty: c.U})
	}
	return out
}
