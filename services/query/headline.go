package query

import (
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/powercurve"
	"rollcall/services/store"
)

// headlines returns the headline figures that a stored curve states.
func headlines(r *store.CurveRow) []*pb.Headline {
	var out []*pb.Headline
	for _, h := range []*pb.Headline{
		{
			Figure: powercurve.WheelPower.String(), Unit: "W", Peak: r.PeakWheelPower, PeakExpandedUncertainty: r.PeakWheelPowerU,
			PeakEngineSpeedRadS: r.PeakWheelPowerEngineSpeed, PeakEngineSpeedExpandedUncertaintyRadS: r.PeakWheelPowerEngineSpeedU,
			BandMean: r.MeanWheelPower, BandMeanExpandedUncertainty: r.MeanWheelPowerU, BandLowRadS: r.MeanWheelPowerLow, BandHighRadS: r.MeanWheelPowerHigh,
		},
		{
			Figure: powercurve.EnginePower.String(), Unit: "W", Peak: r.PeakEnginePower, PeakExpandedUncertainty: r.PeakEnginePowerU,
			PeakEngineSpeedRadS: r.PeakEnginePowerEngineSpeed, PeakEngineSpeedExpandedUncertaintyRadS: r.PeakEnginePowerEngineSpeedU,
			BandMean: r.MeanEnginePower, BandMeanExpandedUncertainty: r.MeanEnginePowerU, BandLowRadS: r.MeanEnginePowerLow, BandHighRadS: r.MeanEnginePowerHigh,
		},
		{
			Figure: powercurve.EngineTorque.String(), Unit: "N·m", Peak: r.PeakEngineTorque, PeakExpandedUncertainty: r.PeakEngineTorqueU,
			PeakEngineSpeedRadS: r.PeakEngineTorqueEngineSpeed, PeakEngineSpeedExpandedUncertaintyRadS: r.PeakEngineTorqueEngineSpeedU,
			BandMean: r.MeanEngineTorque, BandMeanExpandedUncertainty: r.MeanEngineTorqueU, BandLowRadS: r.MeanEngineTorqueLow, BandHighRadS: r.MeanEngineTorqueHigh,
		},
		{
			Figure: powercurve.CorrectedPower.String(), Unit: "W", Peak: r.PeakCorrectedPower, PeakExpandedUncertainty: r.PeakCorrectedPowerU,
			PeakEngineSpeedRadS: r.PeakCorrectedPowerEngineSpeed, PeakEngineSpeedExpandedUncertaintyRadS: r.PeakCorrectedPowerEngineSpeedU,
			BandMean: r.MeanCorrectedPower, BandMeanExpandedUncertainty: r.MeanCorrectedPowerU, BandLowRadS: r.MeanCorrectedPowerLow, BandHighRadS: r.MeanCorrectedPowerHigh,
		},
		{
			Figure: powercurve.CorrectedTorque.String(), Unit: "N·m", Peak: r.PeakCorrectedTorque, PeakExpandedUncertainty: r.PeakCorrectedTorqueU,
			PeakEngineSpeedRadS: r.PeakCorrectedTorqueEngineSpeed, PeakEngineSpeedExpandedUncertaintyRadS: r.PeakCorrectedTorqueEngineSpeedU,
			BandMean: r.MeanCorrectedTorque, BandMeanExpandedUncertainty: r.MeanCorrectedTorqueU, BandLowRadS: r.MeanCorrectedTorqueLow, BandHighRadS: r.MeanCorrectedTorqueHigh,
		},
	} {
		if h.Peak != nil || h.BandMean != nil {
			out = append(out, h)
		}
	}
	return out
}
