package query

import (
	"context"
	"fmt"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/channel"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/wire"
)

// The grids a curve is given on.
const (
	gridEngineSpeed = "engine speed"
	gridSpeed       = "speed"
)

// sweep returns one of a record's sweeps.
func sweep(made pipeline.Sweeps, i int) *pb.Sweep {
	c := &made.Curves[i]
	out := &pb.Sweep{
		Number: uint32(made.Number(i)), Taken: i == made.Taken, StartS: c.Sweep.Start, EndS: c.Sweep.End,
		EngineSpeedLowRadS: c.Low, EngineSpeedHighRadS: c.High, RampRateRadS2: c.RampRate, NoEnginePower: c.NoEnginePower,
	}
	if p := c.PeakWheelPower; p != nil {
		out.PeakWheelPowerW = &p.Value
	}
	if p := c.PeakEnginePower; p != nil {
		out.PeakEnginePowerW = &p.Value
	}
	segment := func(kind string, s channel.Span) *pb.Segment {
		return &pb.Segment{Kind: kind, StartS: s.Start, EndS: s.End}
	}
	for _, s := range c.Segments {
		out.Segments = append(out.Segments, segment(s.Kind.String(), s.Span))
	}
	for _, s := range c.Steps {
		out.Steps = append(out.Steps, segment("step", s))
	}
	return out
}

// noCurve returns a stretch of a record that gives no curve.
func noCurve(made pipeline.Sweeps, i int) *pb.Sweep {
	x := made.None[i]
	return &pb.Sweep{Number: uint32(made.NumberOfNone(i)), StartS: x.Span.Start, EndS: x.Span.End, NoCurve: x.Reason}
}

// curveOnDemand fills in the points of a sweep or grid that is not stored.
func (s *Server) curveOnDemand(ctx context.Context, req *pb.GetCurveRequest, out *pb.GetCurveResponse) error {
	made, err := s.Sweeps(ctx, fleet.PullID(req.PullId))
	if err != nil {
		return err
	}
	if len(made.Curves) == 0 {
		return &wire.FieldError{Field: "pull_id", Reason: "is of a pull that gives no curve: " + made.Reason}
	}
	i := made.Taken
	if n := int(req.Sweep); n > 0 {
		if i, err = numbered(made, n); err != nil {
			return err
		}
	}
	c := &made.Curves[i]
	out.Sweep = sweep(made, i)
	points := c.Points
	if req.Grid == gridSpeed {
		if points = c.BySpeed; len(c.Steps) > 0 {
			return &wire.FieldError{Field: "grid", Reason: "speed is not there for a sweep in steps, whose points are the steps themselves"}
		}
	}
	for _, p := range points {
		out.Points = append(out.Points, curvePoint(p))
	}
	return nil
}

// numbered returns which curve a sweep's number is of.
func numbered(made pipeline.Sweeps, n int) (int, error) {
	for i := range made.Curves {
		if made.Number(i) == n {
			return i, nil
		}
	}
	for i := range made.None {
		if made.NumberOfNone(i) == n {
			return 0, &wire.FieldError{Field: "sweep", Reason: fmt.Sprintf("%d gives no curve: %s", n, made.None[i].Reason)}
		}
	}
	have := "one sweep"
	if all := len(made.Curves) + len(made.None); all > 1 {
		have = fmt.Sprintf("%d sweeps", all)
	}
	return 0, &wire.FieldError{Field: "sweep", Reason: fmt.Sprintf("%d is not there: the record has %s, counted from 1; `rollcall pull` lists them", n, have)}
}

func curvePoint(p powercurve.Point) *pb.CurvePoint {
	return &pb.CurvePoint{
		EngineSpeedRadS: p.EngineSpeed, SpeedMps: p.Speed, TractiveForceN: p.TractiveForce, TractiveForceUncertaintyN: p.UTractiveForce,
		WheelPowerW: p.WheelPower, WheelPowerUncertaintyW: p.UWheelPower,
		DrivelineLossN: p.Loss, EnginePowerW: p.EnginePower, EnginePowerUncertaintyW: p.UEnginePower, EngineTorqueNm: p.EngineTorque,
		CorrectedPowerW: p.CorrectedPower, CorrectedTorqueNm: p.CorrectedTorque,
	}
}
