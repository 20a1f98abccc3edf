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
		Number: uint32(i + 1), Taken: i == made.Taken, StartS: c.Sweep.Start, EndS: c.Sweep.End,
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
	if n := int(req.Sweep); n > len(made.Curves) {
		have := "one sweep"
		if len(made.Curves) > 1 {
			have = fmt.Sprintf("%d sweeps", len(made.Curves))
		}
		return &wire.FieldError{Field: "sweep", Reason: fmt.Sprintf("%d is not there: the record has %s that can be computed, counted from 1; `rollcall pull` lists them", n, have)}
	} else if n > 0 {
		i = n - 1
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

func curvePoint(p powercurve.Point) *pb.CurvePoint {
	return &pb.CurvePoint{
		EngineSpeedRadS: p.EngineSpeed, SpeedMps: p.Speed, TractiveForceN: p.TractiveForce, TractiveForceUncertaintyN: p.UTractiveForce,
		WheelPowerW: p.WheelPower, WheelPowerUncertaintyW: p.UWheelPower,
		DrivelineLossN: p.Loss, EnginePowerW: p.EnginePower, EnginePowerUncertaintyW: p.UEnginePower, EngineTorqueNm: p.EngineTorque,
		CorrectedPowerW: p.CorrectedPower, CorrectedTorqueNm: p.CorrectedTorque,
	}
}
