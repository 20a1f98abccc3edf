package pipeline_test

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/query"
	"rollcall/services/rpc"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

// twice appends a record to itself, the second copy later seconds later.
func twice(b store.Batch, later float64) store.Batch {
	out := store.Batch{Pulls: b.Pulls}
	var sums []wire.BlockSum
	for _, row := range b.Blocks {
		for i := range uint32(2) {
			block := row.Block()
			block.Index, block.Start = i, block.Start+float64(i)*later
			block.CRC = wire.BlockCRC(wire.ToSampleBlock(block))
			out.Blocks = append(out.Blocks, store.FromBlock(block))
			sums = append(sums, block.Sum())
		}
	}
	out.Ends = []store.PullEndRow{store.FromEnd(wire.NewEnd(fleet.PullID(b.Pulls[0].PullID), fleet.CellID(b.Pulls[0].CellID), sums), time.Unix(0, 0))}
	return out
}

// asked is a query server over a pipeline, as the service plugs them together.
func asked(s *store.Store, registry query.Registry, p *pipeline.Pipeline) *query.Server {
	server := query.New(s, registry, time.Now)
	server.Reduce, server.Sweeps = p.Reduce, p.Sweeps
	return server
}

// refused fails unless err is of a code and says something.
func refused(t *testing.T, err error, code codes.Code, says string) {
	t.Helper()
	got := status.Convert(rpc.Status(zaptest.NewLogger(t), "test", err))
	if got.Code() != code || !strings.Contains(got.Message(), says) {
		t.Errorf("%s %q, want %s %q", got.Code(), got.Message(), code, says)
	}
}

// A record of two sweeps says so, gives the curve of each on either grid, and
// the segments of each without a gap; the speed grid interpolates what the
// engine-speed grid has.
func TestSweepsOnRequest(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 1, "fen-1")
	p := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	recompute(t, p)
	f := newCarryFleet(t, s, book.At)
	single := f.baseline
	double := f.after(2, nil, true)
	const later = 100
	for _, b := range []store.Batch{f.batches[single], twice(f.batches[double], later)} {
		if err := s.Append(t.Context(), b); err != nil {
			t.Fatal(err)
		}
	}
	recompute(t, p)
	server := asked(s, book, p)
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	pull := func(id fleet.PullID, with bool) *pb.GetPullResponse {
		t.Helper()
		r, err := server.GetPull(ctx, &pb.GetPullRequest{PullId: string(id), WithSweeps: with})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	if n := len(pull(double, false).Sweeps); n != 0 {
		t.Errorf("%d sweeps, and none were asked for", n)
	}
	one, two := pull(single, true), pull(double, true)
	if len(one.Sweeps) != 1 || len(two.Sweeps) != 2 || !one.Sweeps[0].Taken || two.Sweeps[0].Taken || !two.Sweeps[1].Taken {
		t.Fatalf("sweeps %v, %v", one.Sweeps, two.Sweeps)
	}
	for _, sweep := range append(one.Sweeps, two.Sweeps...) {
		var kinds []string
		for i, g := range sweep.Segments {
			kinds = append(kinds, g.Kind)
			if i > 0 && g.StartS != sweep.Segments[i-1].EndS || !(g.EndS > g.StartS) {
				t.Errorf("segment %d of %v", i, sweep.Segments)
			}
		}
		for _, want := range []string{"run-up", "sweep", "lift-off", "coast-down"} {
			if !slices.Contains(kinds, want) {
				t.Errorf("segments %v, no %s", kinds, want)
			}
		}
	}
	if d := two.Sweeps[1].StartS - two.Sweeps[0].StartS; math.Abs(d-later) > 0.5 {
		t.Errorf("the second sweep is %.2f s after the first, want %d", d, later)
	}
	curve := func(ask *pb.GetCurveRequest) *pb.GetCurveResponse {
		t.Helper()
		r, err := server.GetCurve(ctx, ask)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	id := string(double)
	stored, taken, first := curve(&pb.GetCurveRequest{PullId: id}), curve(&pb.GetCurveRequest{PullId: id, Sweep: 2}), curve(&pb.GetCurveRequest{PullId: id, Sweep: 1, Grid: "engine speed"})
	if stored.Sweep != nil || len(stored.Points) != len(taken.Points) || taken.Sweep.Number != 2 || first.Sweep.Number != 1 {
		t.Fatalf("stored %d points, sweep 2 %d of %v", len(stored.Points), len(taken.Points), taken.Sweep)
	}
	for i := range stored.Points {
		if !proto.Equal(stored.Points[i], taken.Points[i]) {
			t.Fatalf("point %d: stored %v, on request %v", i, stored.Points[i], taken.Points[i])
		}
	}
	// One and the same samples twice.
	for i, a := range first.Points {
		if d := a.WheelPowerW/stored.Points[i].WheelPowerW - 1; math.Abs(d) > 1e-3 {
			t.Errorf("%.0f rad/s: the first sweep gives %.1f W, the second %.1f W", a.EngineSpeedRadS, a.WheelPowerW, stored.Points[i].WheelPowerW)
		}
	}
	bySpeed := curve(&pb.GetCurveRequest{PullId: id, Grid: "speed"})
	if len(bySpeed.Points) < 5 {
		t.Fatalf("%d points on the speed grid", len(bySpeed.Points))
	}
	for _, q := range bySpeed.Points {
		if k := q.SpeedMps * 3.6 / 5; math.Abs(k-math.Round(k)) > 1e-9 {
			t.Errorf("a point at %.3f km/h", q.SpeedMps*3.6)
		}
		for i := 1; i < len(stored.Points); i++ {
			a, b := stored.Points[i-1], stored.Points[i]
			if a.SpeedMps <= q.SpeedMps && q.SpeedMps <= b.SpeedMps {
				w := (q.SpeedMps - a.SpeedMps) / (b.SpeedMps - a.SpeedMps)
				want := (1-w)*a.WheelPowerW + w*b.WheelPowerW
				if math.Abs(q.WheelPowerW/want-1) > 0.004 {
					t.Errorf("%.1f km/h: %.1f W, between its neighbours in engine speed %.1f W", q.SpeedMps*3.6, q.WheelPowerW, want)
				}
			}
		}
	}
	_, err := server.GetCurve(ctx, &pb.GetCurveRequest{PullId: id, Sweep: 3})
	refused(t, err, codes.InvalidArgument, "sweep: 3 is not there: the record has 2 sweeps")
	_, err = server.GetCurve(ctx, &pb.GetCurveRequest{PullId: id, Grid: "time"})
	refused(t, err, codes.InvalidArgument, `"time" is no grid; choose engine speed or speed`)
}

// The headline figures that a computed pull is stored and answered with are those
// of its curve: peak, its engine speed and band mean, each with U, over the car's
// band; lists leave them out.
func TestHeadlinesThroughTheStore(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 1, "fen-1")
	p := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	recompute(t, p)
	server := asked(s, book, p)
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	rows, _ := computedPulls(t, s, "fen-1", "")
	row := rows[0]
	made, err := p.Reduce(t.Context(), []fleet.PullID{fleet.PullID(row.PullID)})
	if err != nil || made[0].Curve == nil {
		t.Fatal(err, made[0].Reason)
	}
	c := made[0].Curve
	answer, err := server.GetPull(ctx, &pb.GetPullRequest{PullId: row.PullID})
	if err != nil {
		t.Fatal(err)
	}
	got := answer.Pull.Headlines
	if len(got) != 5 {
		t.Fatalf("%d headline figures: %v", len(got), got)
	}
	car := book.At(row.StartedAt).Cars[fleet.CarID(row.CarID)]
	for i, want := range []struct {
		figure, unit string
		peak         *powercurve.Peak
		mean         *powercurve.Mean
	}{
		{"wheel power", "W", c.PeakWheelPower, c.MeanWheelPower}, {"engine power", "W", c.PeakEnginePower, c.MeanEnginePower},
		{"engine torque", "N·m", c.PeakEngineTorque, c.MeanEngineTorque}, {"corrected engine power", "W", c.PeakCorrectedPower, c.MeanCorrectedPower},
		{"corrected engine torque", "N·m", c.PeakCorrectedTorque, c.MeanCorrectedTorque},
	} {
		h := got[i]
		if h.Figure != want.figure || h.Unit != want.unit {
			t.Errorf("figure %d: %s in %s, want %s in %s", i, h.Figure, h.Unit, want.figure, want.unit)
		}
		for k, x := range []struct{ got, want float64 }{
			{h.GetPeak(), want.peak.Value}, {h.GetPeakExpandedUncertainty(), want.peak.Expanded}, {h.GetPeakEngineSpeedRadS(), want.peak.EngineSpeed},
			{h.GetBandMean(), want.mean.Value},
			{h.GetBandMeanExpandedUncertainty(), want.mean.Expanded}, {h.GetBandLowRadS(), want.mean.Low}, {h.GetBandHighRadS(), want.mean.High},
		} {
			if x.got != x.want || !(x.got > 0) {
				t.Errorf("%s, value %d: %g, the curve has %g", h.Figure, k, x.got, x.want)
			}
		}
		switch u := h.PeakEngineSpeedExpandedUncertaintyRadS; {
		case want.peak.AtEnd && u != nil:
			t.Errorf("%s still rises at the end of the sweep; its engine speed has U %g", h.Figure, *u)
		case !want.peak.AtEnd && (u == nil || *u != 2*want.peak.UEngineSpeed || !(*u > 0)):
			t.Errorf("%s: U of the engine speed %v, the curve has %g", h.Figure, u, 2*want.peak.UEngineSpeed)
		}
		if h.GetBandLowRadS() < car.BandLow || h.GetBandHighRadS() > car.BandHigh || h.GetBandHighRadS()-h.GetBandLowRadS() < 0.8*(car.BandHigh-car.BandLow) {
			t.Errorf("%s is of %g to %g rad/s, the car's band is %g to %g", h.Figure, h.GetBandLowRadS(), h.GetBandHighRadS(), car.BandLow, car.BandHigh)
		}
		if h.GetBandMean() >= h.GetPeak() {
			t.Errorf("%s: mean %g, peak %g", h.Figure, h.GetBandMean(), h.GetPeak())
		}
	}
	if x := answer.Pull; x.GetWindowS() != c.Window || x.GetPassBandHz() != c.PassBand || x.WindowFromNoise == nil || !x.GetWindowFromNoise() {
		t.Errorf("window %v, pass band %v, from the noise %v", x.WindowS, x.PassBandHz, x.WindowFromNoise)
	}
	list, err := server.ListPulls(ctx, &pb.ListPullsRequest{})
	if err != nil || len(list.Pulls) == 0 {
		t.Fatal(err)
	}
	for _, x := range list.Pulls {
		if len(x.Headlines) > 0 {
			t.Errorf("the list has headline figures of %s", x.PullId)
		}
	}
}

// A sweep during which the load cell is silent counts in the record and is named
// with its reason, and its number asks for no curve; a reference pull that was
// asked for no rate is held against its car's.
func TestSweepWithoutCurveAndRateOfTheCar(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 1, "fen-1")
	p := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	recompute(t, p)
	f := newCarryFleet(t, s, book.At)
	id := f.after(2, func(p *fleet.Pull) {
		p.Car, p.CustomerCar, p.RotatingMass, p.CoastingMass = fleet.CarID(f.whole.CarID), "", nil, nil
	}, true)
	const later = 100
	b := twice(f.batches[id], later)
	from, to := *f.whole.SweepStart-1, *f.whole.SweepEnd+1
	var sums []wire.BlockSum
	for i := range b.Blocks {
		block := b.Blocks[i].Block()
		if block.Channel == fleet.LoadCellForce && block.Start < later {
			// Samples of the first sweep that cannot be: they are left out.
			values := block.Samples.Expand(nil)
			for k := range values {
				if at := block.Start + float64(k)*block.Step; at > from && at < to {
					values[k] = 1e12
				}
			}
			block.Samples = wire.Packed{Values: values}
			block.CRC = wire.BlockCRC(wire.ToSampleBlock(block))
			b.Blocks[i] = store.FromBlock(block)
		}
		sums = append(sums, block.Sum())
	}
	b.Ends = []store.PullEndRow{store.FromEnd(wire.NewEnd(id, "fen-1", sums), time.Unix(0, 0))}
	if err := s.Append(t.Context(), b); err != nil {
		t.Fatal(err)
	}
	recompute(t, p)
	server := asked(s, book, p)
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	r, err := server.GetPull(ctx, &pb.GetPullRequest{PullId: string(id), WithSweeps: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Sweeps) != 1 || len(r.SweepsWithoutCurve) != 1 || r.Sweeps[0].Number != 2 || !r.Sweeps[0].Taken {
		t.Fatalf("sweeps %v, without curve %v; %s", r.Sweeps, r.SweepsWithoutCurve, r.Pull.Reason)
	}
	none := r.SweepsWithoutCurve[0]
	if none.Number != 1 || math.Abs(none.StartS-*f.whole.SweepStart) > 0.5 || none.NoCurve != "a channel that is needed is missing: load_cell has fewer than 20 good samples in the sweep" {
		t.Errorf("%v", none)
	}
	second, err := server.GetCurve(ctx, &pb.GetCurveRequest{PullId: string(id), Sweep: 2})
	if err != nil || second.Sweep.GetNumber() != 2 || len(second.Points) == 0 {
		t.Errorf("sweep 2: %v, %v", second.GetSweep(), err)
	}
	_, err = server.GetCurve(ctx, &pb.GetCurveRequest{PullId: string(id), Sweep: 1})
	refused(t, err, codes.InvalidArgument, "sweep: 1 gives no curve: a channel that is needed is missing")
	_, err = server.GetCurve(ctx, &pb.GetCurveRequest{PullId: string(id), Sweep: 3})
	refused(t, err, codes.InvalidArgument, "sweep: 3 is not there: the record has 2 sweeps")

	judged := func() (text string) {
		for _, x := range curveOf(t, s, id).Findings() {
			if x.Kind == "ramp_rate" {
				text += x.Text
			}
		}
		return text
	}
	if said := judged(); said != "" {
		t.Errorf("swept at one of the car's rates: %s", said)
	}
	// Another rate is meant from now on: the pull, computed anew, is off it.
	car := book.At(f.whole.StartedAt).Cars[fleet.CarID(f.whole.CarID)]
	rate := *curveOf(t, s, id).RampRate
	odd := rated{book, car, []float64{rate / 1.6, rate * 1.3}}
	recompute(t, pipeline.New(pipeline.DefaultConfig(), s, odd, zaptest.NewLogger(t), nil))
	if said := judged(); !strings.Contains(said, fmt.Sprintf("23 %% slower than the %.0f rpm/s that is the nearest of the car's ramp rates", rate*1.3*30/math.Pi)) {
		t.Errorf("between two rates: %q", said)
	}
}

// rated is a registry in which a car is swept at other rates.
type rated struct {
	pipeline.Registry
	car   fleet.Car
	rates []float64
}

func (r rated) At(t time.Time) fleet.Registry {
	now := r.Registry.At(t)
	now.Cars = maps.Clone(now.Cars)
	car := r.car
	car.RampRates = r.rates
	now.Cars[car.ID] = car
	return now
}

// A customer's pull with a declared engine is corrected as that engine: the
// caution of a charged one stands beside the figure, and the compression-ignition
// factor follows the fuel through the swept volume. One that says nothing is
// computed as before.
func TestDeclaredEngine(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 1, "fen-1")
	p := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	recompute(t, p)
	f := newCarryFleet(t, s, book.At)
	litres := 0.0025
	// fuelled adds a fuel flow to a record: 8 g/s throughout.
	fuelled := func(b store.Batch) store.Batch {
		var sums []wire.BlockSum
		for _, row := range b.Blocks {
			block := row.Block()
			sums = append(sums, block.Sum())
			if block.Channel == fleet.EngineSpeed {
				flow := block
				flow.Channel, flow.Samples = fleet.FuelFlow, wire.Packed{Values: make([]float64, block.Samples.Len())}
				for i := range flow.Samples.Values {
					flow.Samples.Values[i] = 0.008
				}
				flow.CRC = wire.BlockCRC(wire.ToSampleBlock(flow))
				b.Blocks = append(b.Blocks, store.FromBlock(flow))
				sums = append(sums, flow.Sum())
			}
		}
		b.Ends = []store.PullEndRow{store.FromEnd(wire.NewEnd(fleet.PullID(b.Pulls[0].PullID), fleet.CellID(b.Pulls[0].CellID), sums), time.Unix(0, 0))}
		return b
	}
	silent := f.after(2, func(p *fleet.Pull) { p.SetUp = "" }, true)
	charged := f.after(3, func(p *fleet.Pull) { p.Charging = fleet.ChargingTurbo }, true)
	blown := f.after(4, func(p *fleet.Pull) { p.Charging = fleet.ChargingMechanical }, true)
	diesel := f.after(5, func(p *fleet.Pull) {
		p.Charging, p.Displacement, p.Correction = fleet.ChargingNone, &litres, fleet.CorrectionISO1585CI
	}, true)
	unsized := f.after(6, func(p *fleet.Pull) { p.Charging, p.Correction = fleet.ChargingNone, fleet.CorrectionISO1585CI }, true)
	for id, b := range f.batches {
		if id == diesel || id == unsized {
			b = fuelled(b)
		}
		if err := s.Append(t.Context(), b); err != nil {
			t.Fatal(err)
		}
	}
	recompute(t, p)
	old, turbo, mechanical := curveOf(t, s, silent), curveOf(t, s, charged), curveOf(t, s, blown)
	// What the reference car itself gives with the same samples, for the same
	// correction.
	if *old.PeakWheelPower != *f.whole.PeakWheelPower {
		t.Errorf("wheel power %v W, as a reference car's %v W", *old.PeakWheelPower, *f.whole.PeakWheelPower)
	}
	if strings.Contains(old.CorrectionNote, "charged") || !strings.Contains(turbo.CorrectionNote, "charged") || !strings.Contains(mechanical.CorrectionNote, "charged") {
		t.Errorf("notes %q, %q, %q", old.CorrectionNote, turbo.CorrectionNote, mechanical.CorrectionNote)
	}
	if *old.PeakWheelPower != *turbo.PeakWheelPower || *old.CorrectionFactor != *turbo.CorrectionFactor {
		t.Error("the declared engine changes what it does not concern")
	}
	// ISO 1585 and UN R85 take the engine factor fm from the fuel per cycle and swept
	// volume; without the volume it is not known.
	with, without := curveOf(t, s, diesel), curveOf(t, s, unsized)
	if with.CorrectionFactor == nil || with.Correction != string(fleet.CorrectionISO1585CI) {
		t.Fatalf("diesel: %s", with.CorrectionNote)
	}
	if without.CorrectionFactor != nil && *without.CorrectionFactor == *with.CorrectionFactor && without.CorrectionNote == with.CorrectionNote {
		t.Errorf("the swept volume changes nothing: %v, %s", *with.CorrectionFactor, with.CorrectionNote)
	}
	t.Logf("with the volume %.5f %s; without %v %s", *with.CorrectionFactor, with.CorrectionNote, without.CorrectionFactor, without.CorrectionNote)
	raw, err := s.ReadPull(t.Context(), diesel)
	if err != nil {
		t.Fatal(err)
	}
	if got := raw.Begin.Pull(); got.Displacement == nil || *got.Displacement != litres || got.Charging != fleet.ChargingNone || got.SetUp != "road tyres" {
		t.Errorf("read back %+v", got)
	}
}

// How four pulls of one session repeat is what a hand gives; across cells it is
// E691's statistics; the sentence names figure, U, correction, conditions; and a
// request that cannot be answered gets a sentence.
func TestRepeatability(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 8, "fen-1", "fen-2")
	p := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	recompute(t, p)
	server := asked(s, book, p)
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	rows, err := s.ReadCurves(t.Context(), store.PullFilter{Kind: fleet.KindPull})
	if err != nil {
		t.Fatal(err)
	}
	sets := map[[3]string][]store.CurveRow{}
	customer := ""
	for _, r := range slices.Backward(rows) {
		if r.State == store.StateComputed && r.CarID != "" && r.PeakCorrectedPower != nil {
			k := [3]string{r.CellID, r.CarID, r.Session}
			sets[k] = append(sets[k], r)
		} else if r.CarID == "" {
			customer = r.PullID
		}
	}
	var session [3]string
	cars := map[string]map[string][3]string{} // car, cell
	for k, v := range sets {
		if len(v) == 4 {
			if session == [3]string{} || strings.Join(k[:], " ") < strings.Join(session[:], " ") {
				session = k
			}
			if cars[k[1]] == nil {
				cars[k[1]] = map[string][3]string{}
			}
			cars[k[1]][k[0]] = k
		}
	}
	r, err := server.GetRepeatability(ctx, &pb.GetRepeatabilityRequest{Pulls: &pb.PullSet{Filter: &pb.Filter{CellId: session[0], CarId: session[1]}, Session: session[2]}})
	if err != nil {
		t.Fatal(err)
	}
	var x []float64
	for i, c := range sets[session] {
		x = append(x, *c.PeakCorrectedPower)
		if got := r.Pulls[i]; got.PullId != c.PullID || math.Abs(got.Value / *c.PeakCorrectedPower - 1) > 1e-3 {
			t.Errorf("pull %d: %s %.1f W, stored %s %.1f W", i, got.PullId, got.Value, c.PullID, *c.PeakCorrectedPower)
		}
	}
	x = x[:0]
	for _, got := range r.Pulls {
		x = append(x, got.Value)
	}
	mean, sd := (x[0]+x[1]+x[2]+x[3])/4, 0.0
	for _, v := range x {
		sd += (v - mean) * (v - mean) / 3
	}
	sd = math.Sqrt(sd)
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-9*math.Abs(want) {
			t.Errorf("%s %v, want %v", what, got, want)
		}
	}
	near("mean", r.Mean, mean)
	near("sd", r.StandardDeviation, sd)
	near("range", r.Highest-r.Lowest, slices.Max(x)-slices.Min(x))
	near("r", r.RepeatabilityLimit, 2.8*sd) // ISO 5725-6:1994, 4.1.4
	if r.ByOrder == nil || !(r.ByOrder.Probability > 0 && r.ByOrder.Probability <= 1) || r.ExpandedUncertainty == nil || !(*r.ExpandedUncertainty > 2*sd/2) {
		t.Errorf("trend %v, U %v", r.ByOrder, r.ExpandedUncertainty)
	}
	for _, says := range []string{"Peak corrected engine power", "± ", "mean of 4 pulls on " + session[0], "repeat within", "corrected to SAE J1349 by", "kPa dry", "driveline loss by coast-down"} {
		if !strings.Contains(r.Sentence, says) {
			t.Errorf("%q does not say %q", r.Sentence, says)
		}
	}
	// The weekly run is swept at two rates, which are no repeats.
	if !strings.Contains(strings.Join(r.Notes, "\n"), "pulls at different ramp rates are no repeats") {
		t.Errorf("notes %q", r.Notes)
	}
	t.Logf("sd %.0f W of %.0f W, r %.0f W; %s", sd, mean, r.RepeatabilityLimit, r.Sentence)

	// By ids, in any order, the same.
	var ids []string
	for _, c := range sets[session] {
		ids = append([]string{c.PullID}, ids...)
	}
	again, err := server.GetRepeatability(ctx, &pb.GetRepeatabilityRequest{Pulls: &pb.PullSet{PullIds: ids}})
	if err != nil || !proto.Equal(r, again) {
		t.Errorf("by ids otherwise (%v)", err)
	}

	// One car on both cells.
	var both []string
	for _, of := range cars {
		if len(of) == 2 && both == nil {
			for _, k := range of {
				for _, c := range sets[k] {
					both = append(both, c.PullID)
				}
			}
		}
	}
	if both == nil {
		t.Fatal("no car has been on both cells")
	}
	_, err = server.GetRepeatability(ctx, &pb.GetRepeatabilityRequest{Pulls: &pb.PullSet{PullIds: both}})
	refused(t, err, codes.InvalidArgument, "are of several cells (fen-1, fen-2)")
	a, err := server.GetRepeatability(ctx, &pb.GetRepeatabilityRequest{Pulls: &pb.PullSet{PullIds: both}, Across: true})
	if err != nil {
		t.Fatal(err)
	}
	of := map[string][]float64{}
	for _, q := range a.Pulls {
		of[q.CellId] = append(of[q.CellId], q.Value)
	}
	means, pooled := []float64{}, 0.0
	for _, cell := range []string{"fen-1", "fen-2"} {
		m, v := 0.0, 0.0
		for _, y := range of[cell] {
			m += y / 4
		}
		for _, y := range of[cell] {
			v += (y - m) * (y - m) / 3
		}
		means, pooled = append(means, m), pooled+v/2
	}
	// ASTM E691-99, 15 (from memory): s_x of two means, s_r pooled, s_R of both.
	sx := math.Abs(means[0]-means[1]) / math.Sqrt2
	near("s_x", a.Across.StandardDeviationOfMeans, sx)
	near("s_r", a.Across.RepeatabilityDeviation, math.Sqrt(pooled))
	near("s_R", a.Across.ReproducibilityDeviation, math.Max(math.Sqrt(pooled), math.Sqrt(sx*sx+pooled*3/4)))
	near("h", math.Abs(a.Across.Cells[0].H), 1/math.Sqrt2)
	if a.Sentence != "" || a.Across.HLimit != nil || a.Across.Cells[0].CellId != "fen-1" || a.Across.Cells[0].Pulls != 4 {
		t.Errorf("across: %v", a.Across)
	}

	one := &pb.PullSet{PullIds: ids}
	for _, c := range []struct {
		ask  *pb.GetRepeatabilityRequest
		code codes.Code
		says string
	}{
		{&pb.GetRepeatabilityRequest{}, codes.InvalidArgument, "pulls: chooses no pulls"},
		{&pb.GetRepeatabilityRequest{Pulls: &pb.PullSet{PullIds: ids[:1]}}, codes.InvalidArgument, "make the pull again without unstrapping the car"},
		{&pb.GetRepeatabilityRequest{Pulls: &pb.PullSet{PullIds: []string{ids[0], ids[1], ids[0]}}}, codes.InvalidArgument, "a pull counts once"},
		{&pb.GetRepeatabilityRequest{Pulls: &pb.PullSet{PullIds: []string{ids[0], customer}}}, codes.InvalidArgument, "pulls of one car repeat"},
		{&pb.GetRepeatabilityRequest{Pulls: one, Across: true}, codes.InvalidArgument, "across: needs pulls of two cells or more"},
		{&pb.GetRepeatabilityRequest{Pulls: &pb.PullSet{PullIds: both[1:]}, Across: true}, codes.InvalidArgument, "are not as many of each cell"},
		{&pb.GetRepeatabilityRequest{Pulls: one, Figure: "noise"}, codes.InvalidArgument, `"noise" cannot be compared`},
	} {
		_, err := server.GetRepeatability(ctx, c.ask)
		refused(t, err, c.code, c.says)
	}
	if _, err := server.GetRepeatability(t.Context(), &pb.GetRepeatabilityRequest{Pulls: one}); err == nil {
		t.Error("nobody may ask")
	}
}
