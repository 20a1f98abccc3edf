package showtest

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// view fills in what pages show beside the lists.
func (f *Fleet) view() {
	hazel := &rollcallv1.CarStatus{CarId: "hazel", Name: "Hazel", Change: Number(-0.0095), ExpandedUncertainty: Number(0.003), Probability: 0.97, Since: Day(180), Runs: 7, LastRunAt: Day(5), LastCellId: "fen-2",
		FlagId: CarFlag, FlagKind: "reference car", BandLowRadS: 2200 * math.Pi / 30, BandHighRadS: 6160 * math.Pi / 30, Correction: "sae_j1349"}
	for i := range 7 {
		hazel.History = append(hazel.History, &rollcallv1.CarChange{At: Day(180 - 29*i), CellId: "fen-2", RunId: fmt.Sprintf("%032x", i+1), Change: -0.0016 * float64(i), ExpandedUncertainty: 0.006 - 0.0005*float64(i)})
	}
	f.Cars = []*rollcallv1.CarStatus{{CarId: "alder", Name: "Alder", Change: Number(0.0008), ExpandedUncertainty: Number(0.0031), Runs: 6, LastRunAt: Day(12), LastCellId: "fen-2"}, hazel, {CarId: "larch", Name: "Larch"}}
	f.Geometries = []*rollcallv1.CellGeometry{
		{Since: Day(30), RollerRadiusM: 0.305, LeverArmM: 0.4602, BrakeRatio: 1, BaseInertiaKg: 1185.5, F0N: 41.2, F1NSM: 0.31, F2NS2M2: 0.0142, LoadCellRangeN: 5000, CalibrationArmM: 0.9, Tolerance: 0.01, Changed: []string{"lever arm"}},
		{Since: Day(300), RollerRadiusM: 0.305, LeverArmM: 0.46, BrakeRatio: 1, BaseInertiaKg: 1185.5, F0N: 41.2, F1NSM: 0.31, F2NS2M2: 0.0142, LoadCellRangeN: 5000, CalibrationArmM: 0.9, Tolerance: 0.01}}
	trace := func(channel, unit string, of func(t float64) float64) {
		t := &rollcallv1.Trace{Channel: channel, Unit: unit, Samples: 1500, Thinned: true}
		for i := range 60 {
			at := 0.3 * float64(i)
			t.TimeS, t.Value = append(t.TimeS, at), append(t.Value, of(at))
		}
		f.Traces = append(f.Traces, t)
	}
	trace("engine_speed", "rad/s", func(t float64) float64 { return 230 + 28*math.Min(t, 15) })
	trace("roller_speed", "m/s", func(t float64) float64 { return 15 + 2*math.Min(t, 15) })
	trace("load_cell", "N", func(t float64) float64 { return 900 + 50*math.Sin(7*t) })
	trace("intake_air_temperature", "K", func(t float64) float64 { return 298 + 0.6*math.Max(t-8, 0) })
}

// running are the pulls under way, which tests change while pages look.
var running sync.Map

// SetUnderWay sets the pulls that are under way.
func (f *Fleet) SetUnderWay(pulls ...*rollcallv1.PullUnderWay) { running.Store(f, pulls) }

// ListUnderWay returns what SetUnderWay was given last.
func (f *Fleet) ListUnderWay(context.Context, *rollcallv1.ListUnderWayRequest) (*rollcallv1.ListUnderWayResponse, error) {
	pulls, _ := running.Load(f)
	out, _ := pulls.([]*rollcallv1.PullUnderWay)
	return &rollcallv1.ListUnderWayResponse{Pulls: out}, f.Err
}

// ListCars returns the cars, of one that is asked for the history too.
func (f *Fleet) ListCars(_ context.Context, r *rollcallv1.ListCarsRequest) (*rollcallv1.ListCarsResponse, error) {
	all := slices.DeleteFunc(slices.Clone(f.Cars), func(c *rollcallv1.CarStatus) bool { return r.GetCarId() != "" && c.GetCarId() != r.GetCarId() })
	if f.Err == nil && r.GetCarId() != "" && len(all) == 0 {
		return nil, status.Errorf(codes.NotFound, "reference car %q is not in the registry", r.GetCarId())
	}
	return &rollcallv1.ListCarsResponse{Cars: all}, f.Err
}

// ListGeometries returns the geometries, whatever the cell.
func (f *Fleet) ListGeometries(context.Context, *rollcallv1.ListGeometriesRequest) (*rollcallv1.ListGeometriesResponse, error) {
	return &rollcallv1.ListGeometriesResponse{Geometries: f.Geometries}, f.Err
}

// GetTraces returns the traces in the span and of the channels asked for.
func (f *Fleet) GetTraces(_ context.Context, r *rollcallv1.GetTracesRequest) (*rollcallv1.GetTracesResponse, error) {
	if _, err := f.pull(r.GetPullId()); err != nil {
		return nil, err
	}
	out := &rollcallv1.GetTracesResponse{}
	for _, t := range f.Traces {
		if len(r.GetChannels()) > 0 && !slices.Contains(r.GetChannels(), t.GetChannel()) {
			continue
		}
		x := &rollcallv1.Trace{Channel: t.GetChannel(), Unit: t.GetUnit()}
		for i, at := range t.GetTimeS() {
			if r.GetFromS() == 0 && r.GetUntilS() == 0 || at >= r.GetFromS() && at <= r.GetUntilS() {
				x.TimeS, x.Value = append(x.TimeS, at), append(x.Value, t.GetValue()[i])
			}
		}
		x.Samples = uint64(len(x.Value))
		out.Traces = append(out.Traces, x)
	}
	for _, name := range r.GetChannels() {
		if !slices.ContainsFunc(f.Traces, func(t *rollcallv1.Trace) bool { return t.GetChannel() == name }) {
			return nil, status.Errorf(codes.InvalidArgument, "channels: %q is not among the pull's channels", name)
		}
	}
	return out, nil
}
