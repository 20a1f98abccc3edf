package query

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// ListCars returns where every reference car of the registry stands, and of one
// that is asked for how it got there.
func (s *Server) ListCars(ctx context.Context, req *pb.ListCarsRequest) (*pb.ListCarsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	r := s.latest()
	wanted := fleet.CarID(req.GetCarId())
	if _, ok := r.Cars[wanted]; wanted != "" && !ok {
		return nil, fmt.Errorf("reference car %q is not in the registry: %w", clip(req.GetCarId()), store.ErrNotFound)
	}
	f := store.Filter{Car: wanted, Limit: everything}
	asked := len(r.Cars)
	if wanted != "" {
		asked = 1
	}
	latest, err := s.store.ListCarEstimatesLatest(ctx, f, s.now(), asked)
	if err != nil {
		return nil, err
	}
	last := map[string]store.CarEstimateRow{}
	for _, e := range latest {
		last[e.CarID] = e
	}
	flags, err := s.store.ListFlags(ctx, store.Filter{Limit: everything}, false)
	if err != nil {
		return nil, err
	}
	out := &pb.ListCarsResponse{}
	for id, car := range r.Cars {
		if wanted != "" && id != wanted {
			continue
		}
		c := &pb.CarStatus{CarId: string(id), Name: car.Name, BandLowRadS: car.BandLow, BandHighRadS: car.BandHigh, Correction: string(car.Correction)}
		if e, ok := last[string(id)]; ok {
			c.Change, c.ExpandedUncertainty, c.Probability = &e.Change, &e.ChangeU, e.Probability
			c.Since, c.Runs, c.LastRunAt, c.LastCellId = stamp(e.Since), e.Runs, stamp(e.At), e.CellID
		}
		for _, g := range flags {
			if g.CellID == "" && g.CarID == string(id) {
				c.FlagId, c.FlagKind = g.FlagID, g.Kind
			}
		}
		out.Cars = append(out.Cars, c)
	}
	slices.SortFunc(out.Cars, func(a, b *pb.CarStatus) int { return strings.Compare(a.CarId, b.CarId) })
	if wanted == "" {
		return out, nil
	}
	rows, err := s.store.ReadCarEstimates(ctx, f)
	if err != nil {
		return nil, err
	}
	for _, e := range slices.Backward(rows) {
		out.Cars[0].History = append(out.Cars[0].History, &pb.CarChange{At: stamp(e.At), CellId: e.CellID, RunId: e.RunID, Change: e.Change, ExpandedUncertainty: e.ChangeU})
	}
	return out, nil
}

// ListGeometries returns what the registry said of a cell when, newest first.
// Moments at which nothing of this cell changed are left out.
func (s *Server) ListGeometries(ctx context.Context, req *pb.ListGeometriesRequest) (*pb.ListGeometriesResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	id := fleet.CellID(req.GetCellId())
	if _, ok := s.latest().Cells[id]; !ok {
		return nil, fmt.Errorf("cell %q is not in the registry: %w", clip(req.GetCellId()), store.ErrNotFound)
	}
	out := &pb.ListGeometriesResponse{}
	var before *fleet.Cell
	for _, at := range s.registry.Turns() {
		c, ok := s.registry.At(at).Cells[id]
		if !ok {
			continue
		}
		changed := geometryChanged(before, c)
		if before != nil && len(changed) == 0 {
			continue
		}
		before = &c
		out.Geometries = append(out.Geometries, &pb.CellGeometry{
			Since: stamp(at), RollerRadiusM: c.RollerRadius, LeverArmM: c.LeverArm, BrakeRatio: c.BrakeRatio, BaseInertiaKg: c.BaseInertia,
			F0N: c.Parasitic.F0, F1NSM: c.Parasitic.F1, F2NS2M2: c.Parasitic.F2, BrakeLimitN: c.BrakeLimit, LoadCellRangeN: c.LoadCellRange,
			CalibrationArmM: c.CalibrationArm, Tolerance: c.Tolerance, Changed: changed,
		})
	}
	slices.Reverse(out.Geometries)
	return out, nil
}

// geometryChanged names what differs from the entry before; nil: there is none.
func geometryChanged(before *fleet.Cell, now fleet.Cell) []string {
	if before == nil {
		return nil
	}
	var out []string
	for _, x := range []struct {
		name   string
		differ bool
	}{
		{"roller radius", before.RollerRadius != now.RollerRadius}, {"lever arm", before.LeverArm != now.LeverArm},
		{"brake ratio", before.BrakeRatio != now.BrakeRatio}, {"base inertia", before.BaseInertia != now.BaseInertia},
		{"parasitic loss", before.Parasitic != now.Parasitic}, {"brake limit", before.BrakeLimit != now.BrakeLimit},
		{"range of the load cell", before.LoadCellRange != now.LoadCellRange}, {"calibration arm", before.CalibrationArm != now.CalibrationArm},
		{"tolerance", before.Tolerance != now.Tolerance},
	} {
		if x.differ {
			out = append(out, x.name)
		}
	}
	return out
}

// GetTraces returns a pull's channels as they were logged.
func (s *Server) GetTraces(ctx context.Context, req *pb.GetTracesRequest) (*pb.GetTracesResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	from, until := req.GetFromS(), req.GetUntilS()
	whole := from == 0 && until == 0
	switch {
	case !wire.ValidHash(req.GetPullId()):
		return nil, noPullID(req.GetPullId())
	case from-from != 0 || until-until != 0:
		return nil, &wire.FieldError{Field: "from_s, until_s", Reason: "are no numbers of seconds"}
	case !whole && !(from < until):
		return nil, &wire.FieldError{Field: "until_s", Reason: fmt.Sprintf("is %g, which is not after from_s, %g; nothing lies between", until, from)}
	}
	raw, err := s.store.ReadPull(ctx, fleet.PullID(req.GetPullId()))
	if err != nil {
		return nil, err
	}
	if !raw.HasBegin {
		return nil, fmt.Errorf("pull %s: %w", req.GetPullId(), store.ErrNotFound)
	}
	out := &pb.GetTracesResponse{}
	traces := map[string]*pb.Trace{}
	for _, name := range req.GetChannels() {
		if !slices.ContainsFunc(raw.Blocks, func(b store.BlockRow) bool { return b.Channel == name }) {
			return nil, &wire.FieldError{Field: "channels", Reason: fmt.Sprintf("%q is not among the pull's channels", clip(name))}
		}
	}
	for _, row := range raw.Blocks { // by channel and index
		if len(req.GetChannels()) > 0 && !slices.Contains(req.GetChannels(), row.Channel) {
			continue
		}
		t := traces[row.Channel]
		if t == nil {
			t = &pb.Trace{Channel: row.Channel, Unit: fleet.Channels[fleet.Channel(row.Channel)]}
			traces[row.Channel] = t
			out.Traces = append(out.Traces, t)
		}
		b := row.Block()
		for i := range b.Samples.Len() {
			at := b.Start + float64(i)*b.Step
			if b.Step == 0 {
				at = b.Times.At(i)
			}
			if whole || at >= from && at <= until {
				t.TimeS, t.Value = append(t.TimeS, at), append(t.Value, b.Samples.At(i))
			}
		}
	}
	for _, t := range out.Traces {
		t.Samples = uint64(len(t.Value))
		if most := int(req.GetMost()); most > 0 && len(t.Value) > most {
			t.TimeS, t.Value = thin(t.TimeS, t.Value, most)
			t.Thinned = true
		}
	}
	return out, nil
}

// thin keeps of each of most/2 stretches the least and the greatest value, in
// their order, and the first and last sample of all.
func thin(times, values []float64, most int) ([]float64, []float64) {
	stretches := max(most/2, 1)
	n := len(values)
	var t, v []float64
	keep := func(i int) {
		if len(t) == 0 || times[i] != t[len(t)-1] {
			t, v = append(t, times[i]), append(v, values[i])
		}
	}
	keep(0)
	for k := range stretches {
		from, until := k*n/stretches, (k+1)*n/stretches
		if from == until {
			continue
		}
		least, greatest := from, from
		for i := from; i < until; i++ {
			if values[i] < values[least] {
				least = i
			}
			if values[i] > values[greatest] {
				greatest = i
			}
		}
		keep(min(least, greatest))
		keep(max(least, greatest))
	}
	keep(n - 1)
	return t, v
}

// underWayFor is how long a pull that has begun is looked for: longer than any
// pull lasts. mostUnderWay bounds the list.
const (
	underWayFor  = 15 * time.Minute
	mostUnderWay = 200
)

// ListUnderWay returns what has begun a short while ago and is not computed.
func (s *Server) ListUnderWay(ctx context.Context, _ *pb.ListUnderWayRequest) (*pb.ListUnderWayResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	rows, err := s.store.ListUnderWay(ctx, s.now().Add(-underWayFor), mostUnderWay)
	if err != nil {
		return nil, err
	}
	out := &pb.ListUnderWayResponse{}
	for _, r := range rows {
		out.Pulls = append(out.Pulls, &pb.PullUnderWay{
			PullId: r.PullID, CellId: r.CellID, Kind: fleet.Kind(r.Kind).String(), CarId: r.CarID, CustomerCar: r.CustomerCar, StartedAt: stamp(r.StartedAt),
			ReceivedAt: stamp(r.ReceivedAt), Blocks: r.Blocks, Samples: r.Samples, RecordedS: math.Max(r.Recorded, 0), Ended: r.Ended == 1,
		})
	}
	return out, nil
}

// The words of the audit for what is done about a flag.
const (
	deedAcknowledged = "flag acknowledged"
	deedClosed       = "flag closed"
)

// deeds completes flags with what people did about them.
func (s *Server) deeds(ctx context.Context, flags []*pb.Flag) error {
	byID := map[string]*pb.Flag{}
	var subjects []string
	for _, g := range flags {
		byID["flag "+g.FlagId] = g
		subjects = append(subjects, "flag "+g.FlagId)
	}
	rows, err := s.store.AuditOf(ctx, []string{deedAcknowledged, deedClosed, deedRestated, deedTakenBack}, subjects)
	if err != nil {
		return err
	}
	for _, r := range rows {
		g := byID[r.Subject]
		g.History = append(g.History, &pb.FlagDeed{At: stamp(r.At), By: r.Who, What: r.What, Reason: r.After})
		if r.What == deedAcknowledged {
			g.AcknowledgedBy, g.AcknowledgedAt = r.Who, stamp(r.At)
		}
	}
	return nil
}
