// Package showtest is a small invented fleet for the tests of whatever shows
// one: two open flags, one closed, every state a cell can be in, and texts that
// must be escaped. It answers as a FleetServiceServer with fixed messages.
package showtest

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// Now is the moment at which the fleet is looked at.
var Now = time.Date(2026, 6, 29, 9, 30, 0, 0, time.UTC)

// Ids of the fleet's flags and pulls.
const (
	GainFlag   = "6f0d4c1e9a7b42538f1c2d3e4f5a6b7c"
	ZeroFlag   = "0a1b2c3d4e5f60718293a4b5c6d7e8f9"
	CarFlag    = "99887766554433221100ffeeddccbbaa"
	ClosedFlag = "1111222233334444555566667777aaaa"
	PullID     = "00112233445566778899aabbccddeeff"
	BadPullID  = "ffeeddccbbaa99887766554433221100"
	BaselineID = "aabbccddeeff00112233445566778899"
	EmptyID    = "0123456789abcdef0123456789abcdef"
	Attack     = `<script>alert("x")</script>`
)

// Fleet answers with fixed messages and remembers what it was asked.
type Fleet struct {
	// Asked is what PlanRotation was last asked.
	Asked *rollcallv1.PlanRotationRequest
	// Equated is what ListEquivalences was last asked.
	Equated *rollcallv1.ListEquivalencesRequest

	rollcallv1.UnimplementedFleetServiceServer
	Cells  []*rollcallv1.CellStatus
	Flags  []*rollcallv1.Flag
	Checks []*rollcallv1.Check
	Runs   []*rollcallv1.Run
	Pulls  []*rollcallv1.Pull
	Points []*rollcallv1.CurvePoint
	// Certificates are answers of GetCertificate, newest first.
	Certificates []*rollcallv1.GetCertificateResponse
	// List is the answer of GetCheckList; nil: there is no such cell.
	List *rollcallv1.GetCheckListResponse
	YAML string
	// Cars and Geometries are answers of their lists; Traces those of every pull.
	Cars       []*rollcallv1.CarStatus
	Geometries []*rollcallv1.CellGeometry
	Traces     []*rollcallv1.Trace
	// Restated is what Restate made.
	Restated []*rollcallv1.Restatement
	// Err is returned by every method when it is set.
	Err error
	// More is said of pulls.
	More bool
	// filter is that of the last list asked for.
	filter atomic.Pointer[rollcallv1.Filter]
	// Compared is the last comparison asked for.
	Compared *rollcallv1.ComparePullsRequest
	// Repeated is the last repeatability asked for.
	Repeated *rollcallv1.GetRepeatabilityRequest
	// RegistryAt is the moment of the last registry asked for.
	RegistryAt *timestamppb.Timestamp
}

// Number returns a pointer to x.
func Number(x float64) *float64 { return &x }

// headline returns a headline figure; one without a band has no mean.
func headline(figure, unit string, peak, u, rpm, mean, uMean float64) *rollcallv1.Headline {
	h := &rollcallv1.Headline{Figure: figure, Unit: unit, Peak: &peak, PeakExpandedUncertainty: &u, PeakEngineSpeedRadS: Number(rpm * math.Pi / 30)}
	if mean > 0 {
		h.PeakEngineSpeedExpandedUncertaintyRadS = Number(41 * math.Pi / 30)
		h.BandMean, h.BandMeanExpandedUncertainty, h.BandLowRadS, h.BandHighRadS = &mean, &uMean, Number(2200*math.Pi/30), Number(6160*math.Pi/30)
	}
	return h
}

// Day returns a time d days before Now.
func Day(d int) *timestamppb.Timestamp { return timestamppb.New(Now.AddDate(0, 0, -d)) }

// Chain returns a fleet of six sites with two cells each.
func Chain() *Fleet {
	f := &Fleet{YAML: "sites:\n  fen:\n    name: \"Fenwater\"\n"}
	cell := func(id, site, name, siteName string, offset, u float64, runs uint32) *rollcallv1.CellStatus {
		c := &rollcallv1.CellStatus{CellId: id, SiteId: site, Name: name, SiteName: siteName, Tolerance: 0.01, Runs: runs, LastRunAt: Day(5), LastCheckAt: Day(12),
			LastCheckVerdict: "pass", SiteZone: "Europe/London", CusumHigh: 0.8, CusumLow: 0.3, CusumLimit: 4.77, Evidence: 2.1, EvidenceLimit: 98.8, AgentSeenAt: timestamppb.New(Now.Add(-time.Minute))}
		if runs > 0 {
			c.Offset, c.ExpandedUncertainty = &offset, &u
		} else {
			c.LastRunAt, c.LastCheckAt, c.LastCheckVerdict = nil, nil, ""
		}
		f.Cells = append(f.Cells, c)
		return c
	}
	cell("fen-1", "fen", "Fenwater 1", "Fenwater", 0.0012, 0.0041, 26)
	c := cell("fen-2", "fen", "Fenwater 2", "Fenwater", 0.0196, 0.0043, 26)
	c.FlagId, c.FlagKind, c.Cause, c.CauseProbability, c.LastCheckVerdict, c.CusumHigh, c.Evidence, c.Beyond = GainFlag, "recalibrate", "load-cell gain", 0.93, "fail", 31.2, 8.4e7, 0.99
	c = cell("mil-1", "mil", "Millhythe 1", "Millhythe", -0.0083, 0.0040, 26)
	c.FlagId, c.FlagKind, c.Cause, c.CauseProbability, c.LastCheckVerdict, c.CusumLow, c.Evidence = ZeroFlag, "drifting", "none", 0.71, "conditional pass", 6.4, 164
	c.StandingAgainst = "The load cell passed its last checks; what stands against the cell: Weight of evidence that the cell has changed 164, limit 99."
	cell("mil-2", "mil", "Millhythe 2", "Millhythe", 0.0067, 0.0042, 25)
	cell("tho-1", "tho", "Thornsea 1", "Thornsea", -0.0021, 0.0040, 26)
	c = cell("tho-2", "tho", "Thornsea 2", "Thornsea", -0.0114, 0.0044, 24)
	c.AgentSpoolMessages = 1250
	cell("hag-1", "hag", "Haggmoor 1", "Haggmoor", 0.0004, 0.0039, 26)
	c = cell("hag-2", "hag", "Haggmoor 2", "Haggmoor", 0.0009, 0.0120, 3)
	c.NotSeparable = "only car larch has been here, and nowhere else: bring another car, or take larch to Fenwater"
	cell("ost-1", "ost", "Ostbeck 1", "Ostbeck", -0.0033, 0.0041, 26)
	c = cell("ost-2", "ost", Attack, "Ostbeck", 0.0017, 0.0041, 26)
	c.LastCheckVerdict = "conditional pass"
	cell("rid-1", "rid", "Ridgeholt 1", "Ridgeholt", 0.0026, 0.0040, 26)
	cell("rid-2", "rid", "Ridgeholt 2", "Ridgeholt", 0, 0, 0)

	f.Flags = []*rollcallv1.Flag{
		{FlagId: GainFlag, CellId: "fen-2", Kind: "recalibrate", Open: true, FirstEvidenceAt: Day(70), OpenedAt: Day(40), UpdatedAt: Day(5), Size: 0.0196, ExpandedUncertainty: 0.0043,
			Causes: []*rollcallv1.Cause{{Fault: "load-cell gain", Probability: 0.93, Size: 0.021, ExpandedUncertainty: 0.0038, SizeUnit: "ratio"},
				{Fault: "base inertia value", Probability: 0.04, Size: 31.5, ExpandedUncertainty: 9, SizeUnit: "kg"}},
			NextCheck: "Dead weights, rising and falling, two cycles, as found.", Evidence: "Offset +1.96 % ± 0.43 % against a limit of ± 1 %; the dead-weight check of 17 Jun failed on gain.",
			TouchedPulls: []*rollcallv1.TouchedPull{{PullId: PullID, StartedAt: Day(9), CustomerCar: "red coupe 3.2 " + Attack, Effect: 0.018, ExpandedUncertainty: 0.0044},
				{PullId: BadPullID, StartedAt: Day(33), CustomerCar: "grey estate 2.0", Effect: 0.011, ExpandedUncertainty: 0.005}}},
		{FlagId: ZeroFlag, CellId: "mil-1", Kind: "drifting", Open: true, FirstEvidenceAt: Day(33), OpenedAt: Day(19), UpdatedAt: Day(5), Size: -0.0083, ExpandedUncertainty: 0.004,
			Causes:    []*rollcallv1.Cause{{Fault: "none", Probability: 0.71}, {Fault: "load-cell zero", Probability: 0.27, Size: -34.2, ExpandedUncertainty: 4.1, SizeUnit: "N"}, {Fault: "air sensor", Probability: 0.003, Size: 0.001, ExpandedUncertainty: 0.01, SizeUnit: "ratio"}},
			NextCheck: "Zero, then an empty-roller coast-down.", Evidence: "Offset -0.83 % ± 0.40 %. Weight of evidence that the cell has changed 164, limit 99."},
		{FlagId: CarFlag, CarId: "hazel", Kind: "reference car", Open: true, FirstEvidenceAt: Day(60), OpenedAt: Day(30), UpdatedAt: Day(5), Size: -0.0095, ExpandedUncertainty: 0.003,
			Causes: []*rollcallv1.Cause{{Fault: "reference car", Probability: 0.97, Size: -0.0095, ExpandedUncertainty: 0.003, SizeUnit: "ratio"}}, Evidence: "Every cell that hazel visits reads it low."},
	}
	closed := &rollcallv1.Flag{FlagId: ClosedFlag, CellId: "rid-1", Kind: "recalibrate", FirstEvidenceAt: Day(150), OpenedAt: Day(120), UpdatedAt: Day(92), ClosedAt: Day(91), ClosedBy: "M. Krause", ClosedReason: "load cell replaced", Evidence: "Offset +1.4 %."}
	f.Flags = append(f.Flags, closed)
	f.Checks = []*rollcallv1.Check{
		{CheckId: strings.Repeat("a", 32), CellId: "fen-2", Kind: "dead weight", State: "as found", PerformedAt: Day(12), PerformedBy: "J. Dahl", Verdict: "fail", Reason: "gain error beyond its limit", ZeroErrorN: Number(0.4), ZeroExpandedUncertaintyN: Number(0.6), GainError: Number(0.0204), GainExpandedUncertainty: Number(0.0011), Readings: 20},
		{CheckId: strings.Repeat("b", 32), CellId: "fen-2", Kind: "zero", State: "as found", PerformedAt: Day(40), PerformedBy: "J. Dahl", Verdict: "pass", ZeroErrorN: Number(-0.2), ZeroExpandedUncertaintyN: Number(0.5), Readings: 6},
	}
	for i := range 26 {
		week := 25 - i // newest first
		x := 0.002 + 0.00085*math.Max(0, float64(week-5))
		f.Runs = append(f.Runs, &rollcallv1.Run{RunId: fmt.Sprintf("%032x", week+1), CellId: "fen-2", CarId: []string{"alder", "hazel", "larch", "rowan"}[week%4], Session: fmt.Sprintf("week %d", week+1),
			StartedAt: Day(5 + 7*i), PullsUsed: 4, Deviation: Number(x + 0.002*math.Sin(float64(week)*2)), Innovation: Number(0.4 + math.Sin(float64(week)*2)), Offset: Number(x), ExpandedUncertainty: Number(0.0043 + 0.006/float64(week+1)),
			CusumHigh: math.Max(0, float64(week-7)) * 1.7, CusumLow: 0.2 * float64(week%3), Evidence: math.Exp(math.Max(0, float64(week-7))), EvidenceLimit: 98.8})
	}
	f.Runs[25].Deviation, f.Runs[25].Innovation, f.Runs[25].NotJudged = nil, nil, "no expectation yet"
	f.Runs[3].PullsUsed, f.Runs[3].PullsLeftOut, f.Runs[3].LeftOutReason = 3, 1, "slip"
	f.Pulls = []*rollcallv1.Pull{
		{PullId: PullID, CellId: "fen-2", Kind: "pull", StartedAt: Day(9), CustomerCar: "red coupe 3.2", Label: "after", State: "computed", Correction: "sae_j1349", CorrectionFactor: Number(1.0182), CorrectionInRange: true,
			PeakWheelPowerW: Number(171200), PeakEnginePowerW: Number(203400), PeakEnginePowerExpandedUncertaintyW: Number(2600), PeakEngineSpeedRadS: Number(6200 * math.Pi / 30), PeakEngineTorqueNm: Number(329.4),
			PeakCorrectedPowerW: Number(207100), PeakCorrectedPowerExpandedUncertaintyW: Number(2700), PeakNote: "engine power is greatest at the last point of the curve",
			CorrectionNote: "with intake air temperature; SAE J1349 takes the power of an engine to follow the air around it; the engine is charged",
			CorrectionName: "SAE J1349", CorrectionCaution: "SAE J1349 takes the power of an engine to follow the air around it; the engine is charged", PeakWheelPowerExpandedUncertaintyW: Number(1900),
			Doubt: "Cell fen-2 was not known to be good: flag recalibrate, most likely load-cell gain, 93 %. The stated power is off by +1.80 % ± 0.44 % (k = 2).", DoubtFlagIds: []string{GainFlag},
			Headlines: []*rollcallv1.Headline{
				headline("wheel power", "W", 171200, 1900, 6150, 0, 0), headline("engine power", "W", 203400, 2600, 6200, 150300, 1700), headline("engine torque", "N·m", 329.4, 4.2, 4580, 316.2, 3.6),
				headline("corrected engine power", "W", 207100, 2700, 6200, 153000, 1800), headline("corrected engine torque", "N·m", 335.4, 4.3, 4580, 321.9, 3.7)},
			WindowS: Number(0.86), PassBandHz: Number(1.152), WindowFromNoise: proto.Bool(true),
			SetUp: "road tyres, 2.4 bar", Loss: "carried", LossFromPullId: BaselineID, LossFromStartedAt: Day(10),
			LossNote: "carried from pull " + BaselineID + " of 2026-06-19, in whose coast-down it was measured with the same car and set-up on this cell",
			Findings: []*rollcallv1.Finding{{Kind: "intake air", Channel: "intake_air_temperature", StartS: 8.2, EndS: 14.6, Size: 9.5, SizeUnit: "K", Text: "intake air climbs by 9.5 K"}}, Epoch: "e1", CodeVersion: "test"},
		{PullId: BadPullID, CellId: "fen-2", Kind: "pull", StartedAt: Day(33), CustomerCar: "grey estate 2.0", State: "unusable", Reason: "roller speed has a gap of 1.2 s"},
		{PullId: EmptyID, CellId: "fen-2", Kind: "empty-roller coast-down", StartedAt: Day(40), State: "computed", Reason: "parasitic loss −1.2 N ± 2.4 N against the registry at 25.0 m/s", CodeVersion: "1"},
	}
	for i := range 12 {
		n := (2200 + 360*float64(i)) * math.Pi / 30
		torque := 330 - 0.0006*math.Pow(n-480, 2)
		v := n / 4.9 * 0.322
		p := &rollcallv1.CurvePoint{EngineSpeedRadS: n, SpeedMps: v, WheelPowerW: torque * n * 0.86, WheelPowerUncertaintyW: 0.003 * torque * n, DrivelineLossN: Number(torque * n * 0.14 / v),
			EnginePowerW: Number(torque * n), EnginePowerUncertaintyW: Number(0.006 * torque * n), EngineTorqueNm: Number(torque), CorrectedPowerW: Number(torque * n * 1.0182), CorrectedTorqueNm: Number(torque * 1.0182)}
		p.TractiveForceN, p.TractiveForceUncertaintyN = p.WheelPowerW/v, p.WheelPowerUncertaintyW/v
		f.Points = append(f.Points, p)
	}
	f.certify()
	f.view()
	return f
}

// LastFilter returns the filter of the last list that was asked for.
func (f *Fleet) LastFilter() *rollcallv1.Filter { return f.filter.Load() }

// keep returns what a filter's site, cell and car leave.
func keep[M any](f *rollcallv1.Filter, all []M, cell, car func(M) string) []M {
	return slices.DeleteFunc(slices.Clone(all), func(m M) bool {
		return f.GetCellId() != "" && cell(m) != f.GetCellId() || f.GetCarId() != "" && car(m) != f.GetCarId()
	})
}

func none[M any](M) string { return "" }

// ListCells returns the cells of the filter; with an until, their offsets are those
// of the last run before it.
func (f *Fleet) ListCells(_ context.Context, r *rollcallv1.ListCellsRequest) (*rollcallv1.ListCellsResponse, error) {
	f.filter.Store(r.GetFilter())
	cells := keep(r.GetFilter(), f.Cells, (*rollcallv1.CellStatus).GetCellId, none[*rollcallv1.CellStatus])
	if r.GetFilter().GetUntil() != nil {
		for i := range cells {
			cells[i] = proto.CloneOf(cells[i])
			cells[i].Offset, cells[i].ExpandedUncertainty, cells[i].LastRunAt = nil, nil, nil
			for _, run := range slices.Backward(f.Runs) { // newest first
				if run.GetCellId() == cells[i].GetCellId() && within(r.GetFilter(), run.GetStartedAt()) && run.Offset != nil {
					cells[i].Offset, cells[i].ExpandedUncertainty, cells[i].LastRunAt = run.Offset, run.ExpandedUncertainty, run.GetStartedAt()
				}
			}
		}
	}
	return &rollcallv1.ListCellsResponse{Cells: cells}, f.Err
}

// within says whether a time is within a filter's.
func within(f *rollcallv1.Filter, t *timestamppb.Timestamp) bool {
	return (f.GetFrom() == nil || !t.AsTime().Before(f.GetFrom().AsTime())) && (f.GetUntil() == nil || t.AsTime().Before(f.GetUntil().AsTime()))
}

// CountPulls counts the pulls of the filter.
func (f *Fleet) CountPulls(_ context.Context, r *rollcallv1.CountPullsRequest) (*rollcallv1.CountPullsResponse, error) {
	f.filter.Store(r.GetFilter())
	out := &rollcallv1.CountPullsResponse{}
	for _, p := range keep(r.GetFilter(), f.Pulls, (*rollcallv1.Pull).GetCellId, none[*rollcallv1.Pull]) {
		if p.GetKind() != "pull" || !within(r.GetFilter(), p.GetStartedAt()) {
			continue
		}
		i := slices.IndexFunc(out.Counts, func(c *rollcallv1.PullCount) bool { return c.GetCellId() == p.GetCellId() })
		if i < 0 {
			i, out.Counts = len(out.Counts), append(out.Counts, &rollcallv1.PullCount{CellId: p.GetCellId()})
		}
		c := out.Counts[i]
		c.Pulls++
		if p.GetState() == "unusable" {
			c.Unusable++
		}
		if p.GetDoubt() != "" {
			c.InDoubt++
		}
	}
	return out, f.Err
}

// ListFlags returns the flags of the filter.
func (f *Fleet) ListFlags(_ context.Context, r *rollcallv1.ListFlagsRequest) (*rollcallv1.ListFlagsResponse, error) {
	f.filter.Store(r.GetFilter())
	all := keep(r.GetFilter(), f.Flags, (*rollcallv1.Flag).GetCellId, (*rollcallv1.Flag).GetCarId)
	if id := r.GetFlagId(); id != "" {
		all = slices.DeleteFunc(all, func(x *rollcallv1.Flag) bool { return x.GetFlagId() != id })
		if len(all) == 0 && f.Err == nil {
			return nil, status.Errorf(codes.NotFound, "flag %s is not known", id)
		}
	} else {
		all = slices.DeleteFunc(all, func(x *rollcallv1.Flag) bool {
			gone := !x.GetOpen() && (!r.GetIncludeClosed() || r.GetFilter().GetFrom() != nil && x.GetClosedAt().AsTime().Before(r.GetFilter().GetFrom().AsTime()))
			return gone || r.GetFilter().GetUntil() != nil && !x.GetOpenedAt().AsTime().Before(r.GetFilter().GetUntil().AsTime())
		})
	}
	for i, x := range all {
		x = proto.CloneOf(x)
		for _, t := range x.TouchedPulls {
			if x.TouchedCount++; x.TouchedCount == 1 || math.Abs(t.GetEffect()) > math.Abs(x.MostEffect) {
				x.MostEffect, x.MostEffectExpandedUncertainty = t.GetEffect(), t.GetExpandedUncertainty()
			}
		}
		if r.GetCounted() {
			x.TouchedPulls = nil
		}
		all[i] = x
	}
	return &rollcallv1.ListFlagsResponse{Flags: all}, f.Err
}

// ListChecks returns the checks of the filter.
func (f *Fleet) ListChecks(_ context.Context, r *rollcallv1.ListChecksRequest) (*rollcallv1.ListChecksResponse, error) {
	f.filter.Store(r.GetFilter())
	return &rollcallv1.ListChecksResponse{Checks: keep(r.GetFilter(), f.Checks, (*rollcallv1.Check).GetCellId, none[*rollcallv1.Check])}, f.Err
}

// ListRuns returns the runs of the filter.
func (f *Fleet) ListRuns(_ context.Context, r *rollcallv1.ListRunsRequest) (*rollcallv1.ListRunsResponse, error) {
	f.filter.Store(r.GetFilter())
	return &rollcallv1.ListRunsResponse{Runs: keep(r.GetFilter(), f.Runs, (*rollcallv1.Run).GetCellId, (*rollcallv1.Run).GetCarId)}, f.Err
}

// ListPulls returns the pulls of the filter.
func (f *Fleet) ListPulls(_ context.Context, r *rollcallv1.ListPullsRequest) (*rollcallv1.ListPullsResponse, error) {
	f.filter.Store(r.GetFilter())
	return &rollcallv1.ListPullsResponse{More: f.More, Pulls: keep(r.GetFilter(), f.Pulls, (*rollcallv1.Pull).GetCellId, (*rollcallv1.Pull).GetCarId)}, f.Err
}

func (f *Fleet) pull(id string) (*rollcallv1.Pull, error) {
	if f.Err != nil {
		return nil, f.Err
	}
	for _, p := range f.Pulls {
		if p.GetPullId() == id {
			return p, nil
		}
	}
	return nil, status.Errorf(codes.NotFound, "there is no pull %s", id)
}

// GetPull returns one pull.
func (f *Fleet) GetPull(_ context.Context, r *rollcallv1.GetPullRequest) (*rollcallv1.GetPullResponse, error) {
	p, err := f.pull(r.GetPullId())
	if err != nil {
		return nil, err
	}
	var sweeps, none []*rollcallv1.Sweep
	if r.GetWithSweeps() && p.GetState() == "computed" && p.GetKind() == "pull" {
		sweeps, none = Sweeps(), []*rollcallv1.Sweep{{Number: 3, StartS: 70.2, EndS: 74.9, NoCurve: "no sweep found: the speed rises for 0.40 s " + Attack}}
	}
	return &rollcallv1.GetPullResponse{Pull: p, Sweeps: sweeps, SweepsWithoutCurve: none, Header: map[string]string{"operator": "J. Dahl", "bay": "2"},
		Channels: []*rollcallv1.ChannelSummary{{Channel: "load_cell", Unit: "N", Samples: 1500, RateHz: 100, Minimum: -1.2, Maximum: 1830.5}, {Channel: "roller_speed", Unit: "m/s", Samples: 1500, RateHz: 100, Minimum: 0, Maximum: 48.25}}}, nil
}

// Sweeps returns a record of two sweeps, the second of which is taken.
func Sweeps() []*rollcallv1.Sweep {
	sweep := func(number uint32, start, end float64) *rollcallv1.Sweep {
		return &rollcallv1.Sweep{Number: number, StartS: start, EndS: end, EngineSpeedLowRadS: 2140 * math.Pi / 30, EngineSpeedHighRadS: 6210 * math.Pi / 30,
			RampRateRadS2: 314 * math.Pi / 30, PeakWheelPowerW: Number(171200)}
	}
	first, second := sweep(1, 3.1, 15.9), sweep(2, 24.4, 37.4)
	first.NoEnginePower = "no coast-down follows it"
	second.Taken, second.PeakEnginePowerW = true, Number(203400)
	for _, g := range []struct {
		kind       string
		start, end float64
	}{{"run-up", 20.2, 24.4}, {"sweep", 24.4, 37.4}, {"lift-off", 37.4, 38.1}, {"coast-down", 38.1, 61.5}, {"spin-down", 61.5, 64}} {
		second.Segments = append(second.Segments, &rollcallv1.Segment{Kind: g.kind, StartS: g.start, EndS: g.end})
	}
	return []*rollcallv1.Sweep{first, second}
}

// GetRepeatability returns how four pulls repeat, or how three cells agree,
// whatever is asked for, but refuses a pull that is not there.
func (f *Fleet) GetRepeatability(_ context.Context, r *rollcallv1.GetRepeatabilityRequest) (*rollcallv1.GetRepeatabilityResponse, error) {
	f.Repeated = r
	for _, id := range r.GetPulls().GetPullIds() {
		if _, err := f.pull(id); err != nil {
			return nil, err
		}
	}
	out := &rollcallv1.GetRepeatabilityResponse{
		Figure: "corrected engine power", FigureUnit: "W", Correction: "sae_j1349", Mean: 206520, StandardDeviation: 610, Lowest: 205300, Highest: 207100, RepeatabilityLimit: 1708,
		ExpandedUncertainty: Number(2600), ByOrder: &rollcallv1.Trend{Slope: -410, ExpandedUncertainty: 350, Probability: 0.031, Significant: true},
		ByIntake: &rollcallv1.Trend{Slope: -120, ExpandedUncertainty: 190, Probability: 0.12},
		Notes:    []string{"the figure falls by 0.20 % a pull ± 0.17 % (p 0.031): heat soak, let the car cool longer between pulls", "pull " + PullID + " has findings: intake air " + Attack},
		Sentence: "Peak corrected engine power 206.5 kW ± 2.6 kW (95 %) at 6200 rpm, mean of 4 pulls on fen-2 on 20 Jun 2026.",
	}
	for i, x := range []float64{207100, 206900, 206780, 205300} {
		out.Pulls = append(out.Pulls, &rollcallv1.RepeatedPull{PullId: strings.Repeat(fmt.Sprint(i+1), 32), CellId: "fen-2", StartedAt: Day(9), Value: x, EngineSpeedRadS: 6200 * math.Pi / 30,
			Grubbs: math.Abs(x-206520) / 610, IntakeAirTemperatureK: Number(297.15 + float64(i)), RampRateRadS2: 314 * math.Pi / 30})
	}
	out.Pulls[3].Outlying, out.Pulls[3].GrubbsLimit = "straggler", Number(1.48)
	if r.GetAcross() {
		out.Sentence, out.ByOrder, out.ByIntake, out.ExpandedUncertainty = "", nil, nil, nil
		out.Across = &rollcallv1.Agreement{Mean: 206520, StandardDeviationOfMeans: 1240, RepeatabilityDeviation: 560, ReproducibilityDeviation: 1340, RepeatabilityLimit: 1568, ReproducibilityLimit: 3752,
			HLimit: Number(1.15), KLimit: 1.64,
			Cells: []*rollcallv1.AgreeingCell{{CellId: "fen-1", Pulls: 4, Mean: 205400, StandardDeviation: 480, H: -0.90, K: 0.86}, {CellId: "fen-2", Pulls: 4, Mean: 207850, StandardDeviation: 610, H: 1.07, K: 1.09}, {CellId: "mil-1", Pulls: 4, Mean: 206310, StandardDeviation: 580, H: -0.17, K: 1.04}}}
	}
	return out, f.Err
}

// GetBudget returns a budget of two rows.
func (f *Fleet) GetBudget(_ context.Context, r *rollcallv1.GetBudgetRequest) (*rollcallv1.GetBudgetResponse, error) {
	if _, err := f.pull(r.PullId); err != nil {
		return nil, err
	}
	return &rollcallv1.GetBudgetResponse{
		Of: "peak of engine power at 6200 rpm", FigureUnit: "W", Value: 203400,
		Rows: []*rollcallv1.BudgetRow{
			{Input: "lever arm", Value: 0.46, Unit: "m", StandardUncertainty: 0.0002, Sensitivity: 372174, Contribution: 74.4, SharedBy: "cell"},
			{Input: "noise", Unit: "W", StandardUncertainty: 120, Sensitivity: 1, Contribution: 120, TypeA: true, DegreesOfFreedom: Number(48)},
		},
		StandardUncertainty: 141.2, OwnStandardUncertainty: 120, DegreesOfFreedom: Number(92), CoverageFactor: 2.03, ExpandedUncertainty: 286.6,
		Text: "peak of engine power at 6200 rpm: 203400 W\n",
	}, f.Err
}

// GetCurve returns one pull's curve.
func (f *Fleet) GetCurve(_ context.Context, r *rollcallv1.GetCurveRequest) (*rollcallv1.GetCurveResponse, error) {
	p, err := f.pull(r.GetPullId())
	if err != nil {
		return nil, err
	}
	answer := &rollcallv1.GetCurveResponse{Pull: p}
	if p.GetState() == "computed" && p.GetKind() == "pull" {
		answer.Points = f.Points
		if r.GetSweep() > 0 || r.GetGrid() == "speed" {
			n := max(r.GetSweep(), 1)
			if n > 2 {
				return nil, status.Errorf(codes.InvalidArgument, "sweep: %d is not there", n)
			}
			answer.Sweep, answer.Points = Sweeps()[n-1], f.Points[:3]
		}
	}
	return answer, nil
}

// GetRegistry returns the registry's text.
func (f *Fleet) GetRegistry(_ context.Context, r *rollcallv1.GetRegistryRequest) (*rollcallv1.GetRegistryResponse, error) {
	f.RegistryAt = r.GetAt()
	return &rollcallv1.GetRegistryResponse{Yaml: []byte(f.YAML)}, f.Err
}

// ComparePulls returns a comparison of two sets of three pulls, whatever is
// asked for, but refuses a pull that is not there.
func (f *Fleet) ComparePulls(_ context.Context, r *rollcallv1.ComparePullsRequest) (*rollcallv1.ComparePullsResponse, error) {
	f.Compared = r
	for _, set := range []*rollcallv1.PullSet{r.GetBefore(), r.GetAfter()} {
		for _, id := range set.GetPullIds() {
			if _, err := f.pull(id); err != nil {
				return nil, err
			}
		}
	}
	if f.Err != nil {
		return nil, f.Err
	}
	difference := func(rpm, before, after, u float64) *rollcallv1.PullDifference {
		d := after - before
		return &rollcallv1.PullDifference{EngineSpeedRadS: rpm * math.Pi / 30, Before: before, After: after, Delta: d, ExpandedUncertainty: u, Ratio: d / before, RatioExpandedUncertainty: u / before,
			Resolved: math.Abs(d) > u, RepeatabilityUncertainty: 0.3 * u, SessionUncertainty: 0.2 * u, SharedUncertainty: 0.1 * u}
	}
	set := func(label string, mean float64, days int) *rollcallv1.SetSummary {
		return &rollcallv1.SetSummary{PullIds: []string{strings.Repeat("1", 32), strings.Repeat("2", 32), strings.Repeat("3", 32)}, CellIds: []string{"fen-2"}, Sessions: 1, From: Day(days), Until: Day(days),
			Mean: mean, StandardDeviation: Number(420), Range: Number(810), RepeatabilityLimit: Number(1176),
			Sentence: "Peak corrected engine power of the " + label + " car 203.4 kW ± 2.6 kW (95 %) at 6200 rpm, mean of 3 pulls on fen-2."}
	}
	return &rollcallv1.ComparePullsResponse{Figure: "corrected engine power", FigureUnit: "W", Correction: "sae_j1349", Before: set("stock", 150300, 9), After: set("tuned", 153100, 8),
		Peak: difference(6200, 203400, 208600, 1310), Band: difference(4180, 150300, 153100, 960),
		Points:    []*rollcallv1.PullDifference{difference(2200, 68640, 68710, 800), difference(4000, 139790, 143100, 900), difference(6160, 206010, 211150, 1290)},
		Statement: "peak corrected engine power: +5.20 kW ± 1.31 kW (+2.56 % ± 0.64 %), from 203.40 to 208.60 kW; U at 95 %; resolved",
		Plan:      "to resolve 1.00 % with a probability of 90 % takes 4 pulls a set; as many as these resolve 1.12 %", PlanPulls: 4, PlanGain: 0.01, SmallestGain: 0.0112,
		Notes:         []string{"both sets are of fen-2: what its calibration errs by cancels as far as both share it", "pull " + PullID + " (after) has findings: intake air " + Attack},
		Parts:         []*rollcallv1.DifferencePart{{Name: "lever arm", Scope: "cell", Of: "cell fen-2, 0.35", Uncertainty: 31.2}, {Name: "load-cell gain", Scope: "epoch", Of: "cell fen-2, epoch e1, 0", Uncertainty: 8.4}},
		Repeatability: 0.0028, SessionDeviation: 0.004, EngineSpeedLowRadS: 2200 * math.Pi / 30, EngineSpeedHighRadS: 6160 * math.Pi / 30}, nil
}
