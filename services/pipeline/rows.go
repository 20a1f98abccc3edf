package pipeline

import (
	"math"
	"regexp"
	"time"

	"rollcall/services/compute/air"
	"rollcall/services/compute/correction"
	"rollcall/services/compute/drift"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/compute/lookback"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// CodeVersion names the computation. It changes with every change that can
// give other numbers from the same samples; whatever was computed under
// another one is then computed anew.
const CodeVersion = "6"

// curveRow returns what was made of a pull as its row.
func curveRow(r reduced, effectiveAt time.Time) store.CurveRow {
	row := announcedRow(r.pull)
	row.Epoch, row.RegistryEffectiveAt = string(r.then.calibration.Epoch), effectiveAt
	row.BaseInertiaEpoch, row.ParasiticEpoch = string(r.then.inertia), string(r.then.parasitic)
	row.SetFindings(findingRows(r.findings))
	if r.curve == nil {
		row.State, row.Reason = store.StateUnusable, plain(r.err.Error())
		return row
	}
	c := r.curve
	row.State = store.StateComputed
	row.LossCarriedFrom = string(c.CarriedFrom)
	row.NoEnginePower = plain(join(c.NoEnginePower, c.LossNote))
	row.EngineSpeedLogged = c.EngineSpeedLogged
	row.CorrectionNote = plain(c.CorrectionNote)
	if c.Correction != nil {
		row.Correction = string(c.Correction.Standard)
		row.CorrectionFactor, row.CorrectionInRange = ptr(c.Correction.Factor), c.Correction.InRange
		row.CorrectionFactorU = ptr(2 * c.UFactor)
		if c.Correction.Note != "" {
			row.CorrectionNote = join(row.CorrectionNote, c.Correction.Note)
		}
		row.CorrectionNote = join(row.CorrectionNote, c.Correction.Caution)
	}
	peak(c.PeakWheelPower, &row.PeakWheelPower, &row.PeakWheelPowerU, &row.PeakWheelPowerEngineSpeed, &row.PeakWheelPowerEngineSpeedU)
	peak(c.PeakEnginePower, &row.PeakEnginePower, &row.PeakEnginePowerU, &row.PeakEnginePowerEngineSpeed, &row.PeakEnginePowerEngineSpeedU)
	peak(c.PeakEngineTorque, &row.PeakEngineTorque, &row.PeakEngineTorqueU, &row.PeakEngineTorqueEngineSpeed, &row.PeakEngineTorqueEngineSpeedU)
	peak(c.PeakCorrectedPower, &row.PeakCorrectedPower, &row.PeakCorrectedPowerU, &row.PeakCorrectedPowerEngineSpeed, &row.PeakCorrectedPowerEngineSpeedU)
	peak(c.PeakCorrectedTorque, &row.PeakCorrectedTorque, &row.PeakCorrectedTorqueU, &row.PeakCorrectedTorqueEngineSpeed, &row.PeakCorrectedTorqueEngineSpeedU)
	mean(c.MeanWheelPower, &row.MeanWheelPower, &row.MeanWheelPowerU, &row.MeanWheelPowerLow, &row.MeanWheelPowerHigh)
	mean(c.MeanEnginePower, &row.MeanEnginePower, &row.MeanEnginePowerU, &row.MeanEnginePowerLow, &row.MeanEnginePowerHigh)
	mean(c.MeanEngineTorque, &row.MeanEngineTorque, &row.MeanEngineTorqueU, &row.MeanEngineTorqueLow, &row.MeanEngineTorqueHigh)
	mean(c.MeanCorrectedPower, &row.MeanCorrectedPower, &row.MeanCorrectedPowerU, &row.MeanCorrectedPowerLow, &row.MeanCorrectedPowerHigh)
	mean(c.MeanCorrectedTorque, &row.MeanCorrectedTorque, &row.MeanCorrectedTorqueU, &row.MeanCorrectedTorqueLow, &row.MeanCorrectedTorqueHigh)
	row.RampRate, row.Window, row.PassBand = ptr(c.RampRate), ptr(c.Window), ptr(c.PassBand)
	row.WindowFromNoise = ptr(c.WindowFromNoise)
	row.SweepStart, row.SweepEnd = ptr(c.Sweep.Start), ptr(c.Sweep.End)
	if c.CoastDown != nil {
		row.CoastDownStart, row.CoastDownEnd = ptr(c.CoastDown.Start), ptr(c.CoastDown.End)
	}
	if c.Air != nil {
		row.AirPressure, row.AirTemperature, row.RelativeHumidity = ptr(c.Air.Pressure), ptr(c.Air.Temperature), ptr(c.Air.Humidity)
	}
	if f := c.Loss; f != nil {
		row.LossF0, row.LossF1, row.LossF2 = ptr(f.Loss.F0), ptr(f.Loss.F1), ptr(f.Loss.F2)
		row.LossMass, row.LossNoise = ptr(f.Mass), ptr(f.Noise)
		row.LossSpeedLow, row.LossSpeedHigh = ptr(f.SpeedLow), ptr(f.SpeedHigh)
		row.LossCov = upper(f.Cov)
	}
	for _, p := range c.Points {
		row.EngineSpeed = append(row.EngineSpeed, p.EngineSpeed)
		row.Time = append(row.Time, p.Time)
		row.Speed = append(row.Speed, p.Speed)
		row.Acceleration = append(row.Acceleration, p.Acceleration)
		row.BrakeForce = append(row.BrakeForce, p.BrakeForce)
		row.TractiveForce = append(row.TractiveForce, p.TractiveForce)
		row.TractiveForceU = append(row.TractiveForceU, p.UTractiveForce)
		row.TractiveForceOwnU = append(row.TractiveForceOwnU, p.UOwnForce)
		row.WheelPower = append(row.WheelPower, p.WheelPower)
		row.WheelPowerU = append(row.WheelPowerU, p.UWheelPower)
		row.Loss = append(row.Loss, p.Loss)
		row.LossU = append(row.LossU, p.ULoss)
		row.EnginePower = append(row.EnginePower, p.EnginePower)
		row.EnginePowerU = append(row.EnginePowerU, p.UEnginePower)
		row.EngineTorque = append(row.EngineTorque, p.EngineTorque)
		row.EngineTorqueU = append(row.EngineTorqueU, p.UEngineTorque)
		row.CorrectedPower = append(row.CorrectedPower, p.CorrectedPower)
		row.CorrectedPowerU = append(row.CorrectedPowerU, p.UCorrectedPower)
		row.CorrectedTorque = append(row.CorrectedTorque, p.CorrectedTorque)
		row.CorrectedTorqueU = append(row.CorrectedTorqueU, p.UCorrectedTorque)
	}
	for _, p := range c.Band {
		row.BandEngineSpeed = append(row.BandEngineSpeed, p.EngineSpeed)
		row.BandTime = append(row.BandTime, p.Time)
		row.BandSpeed = append(row.BandSpeed, p.Speed)
		row.BandAcceleration = append(row.BandAcceleration, p.Acceleration)
		row.BandBrakeForce = append(row.BandBrakeForce, p.BrakeForce)
		row.BandTractiveForce = append(row.BandTractiveForce, p.TractiveForce)
		row.BandTractiveForceU = append(row.BandTractiveForceU, p.UTractiveForce)
		row.BandTractiveForceOwnU = append(row.BandTractiveForceOwnU, p.UOwnForce)
	}
	return row
}

// findingRows returns findings as they are stored.
func findingRows(found []finding.Finding) []store.FindingRow {
	var rows []store.FindingRow
	for _, f := range found {
		rows = append(rows, store.FindingRow{
			Kind: string(f.Kind), Channel: string(f.Channel), Start: f.Start, End: f.End,
			Size: f.Size, Unit: f.Unit, Disqualifying: f.Disqualifying, Text: plain(f.Text),
		})
	}
	return rows
}

// announcedRow returns a row with what a pull was announced as.
func announcedRow(p fleet.Pull) store.CurveRow {
	return store.CurveRow{
		PullID: string(p.ID), CellID: string(p.Cell), CarID: string(p.Car), Kind: uint8(p.Kind), StartedAt: p.StartedAt,
		Session: p.Session, Label: p.Label, CustomerCar: p.CustomerCar, SetUp: p.SetUp, CodeVersion: CodeVersion,
		RegistryEffectiveAt: time.Unix(0, 0).UTC(),
	}
}

// sourceOf returns a stored curve as refrun reads it: with its band points,
// not the others. It gives the same as the curve it was stored from.
func sourceOf(row store.CurveRow) refrun.Source {
	src := refrun.Source{Pull: fleet.Pull{
		ID: fleet.PullID(row.PullID), Cell: fleet.CellID(row.CellID), Car: fleet.CarID(row.CarID), Kind: fleet.Kind(row.Kind),
		StartedAt: row.StartedAt, Session: row.Session, Label: row.Label,
	}}
	for _, f := range row.Findings() {
		src.Findings = append(src.Findings, finding.Finding{
			Kind: finding.Kind(f.Kind), Channel: fleet.Channel(f.Channel), Start: f.Start, End: f.End,
			Size: f.Size, Unit: f.Unit, Disqualifying: f.Disqualifying, Text: f.Text,
		})
	}
	if row.State != store.StateComputed {
		src.Err = storedError(row.Reason)
		return src
	}
	c := &powercurve.Curve{EngineSpeedLogged: row.EngineSpeedLogged}
	if row.RampRate != nil {
		c.RampRate = *row.RampRate
	}
	if row.AirPressure != nil && row.AirTemperature != nil && row.RelativeHumidity != nil {
		c.Air = &air.Air{Pressure: *row.AirPressure, Temperature: *row.AirTemperature, Humidity: *row.RelativeHumidity}
	}
	if row.CorrectionFactor != nil {
		c.Correction = &correction.Result{Standard: fleet.Correction(row.Correction), Factor: *row.CorrectionFactor, InRange: row.CorrectionInRange}
		c.UFactor = *row.CorrectionFactorU / 2
	}
	c.CorrectionNote = row.CorrectionNote
	for i := range row.BandEngineSpeed {
		c.Band = append(c.Band, powercurve.Point{
			EngineSpeed: row.BandEngineSpeed[i], Time: row.BandTime[i], Speed: row.BandSpeed[i], Acceleration: row.BandAcceleration[i],
			BrakeForce: row.BandBrakeForce[i], TractiveForce: row.BandTractiveForce[i],
			UTractiveForce: row.BandTractiveForceU[i], UOwnForce: row.BandTractiveForceOwnU[i],
		})
	}
	src.Curve = c
	return src
}

// storedError is a reason read back from the store.
type storedError string

func (e storedError) Error() string { return string(e) }

// customerPull returns a stored customer's curve as lookback reads it.
func customerPull(row store.CurveRow) lookback.Pull {
	p := lookback.Pull{
		ID: fleet.PullID(row.PullID), Cell: fleet.CellID(row.CellID), At: row.StartedAt, CustomerCar: row.CustomerCar,
		Corrected: row.CorrectionFactor != nil && row.Correction != string(fleet.CorrectionNone),
	}
	best := -1
	for i, w := range row.WheelPower {
		if best < 0 || w > row.WheelPower[best] {
			best = i
		}
	}
	if best >= 0 {
		p.TractiveForce, p.BrakeForce, p.Acceleration = ptr(row.TractiveForce[best]), ptr(row.BrakeForce[best]), ptr(row.Acceleration[best])
	}
	return p
}

func coastDownRow(pull fleet.Pull, s situation, effectiveAt time.Time, p parasitic, err error) store.CoastDownRow {
	row := store.CoastDownRow{
		PullID: string(pull.ID), CellID: string(pull.Cell), StartedAt: pull.StartedAt,
		Epoch: string(s.calibration.Epoch), BaseInertiaEpoch: string(s.inertia), ParasiticEpoch: string(s.parasitic),
		RegistryEffectiveAt: effectiveAt, CodeVersion: CodeVersion,
	}
	if err != nil {
		row.State, row.Reason = store.StateUnusable, plain(err.Error())
		return row
	}
	row.State = store.StateComputed
	row.F0, row.F1, row.F2 = ptr(p.fit.Loss.F0), ptr(p.fit.Loss.F1), ptr(p.fit.Loss.F2)
	row.Cov = upper(p.fit.Cov)
	row.Mass, row.Noise = ptr(p.fit.Mass), ptr(p.fit.Noise)
	row.SpeedLow, row.SpeedHigh, row.MidSpeed = ptr(p.fit.SpeedLow), ptr(p.fit.SpeedHigh), ptr(p.speed)
	row.DeltaForce, row.DeltaForceU = ptr(p.delta), ptr(p.u)
	row.LossU, row.MassU = ptr(p.uLoss), ptr(p.uMass)
	return row
}

// coastDownOf returns a stored empty-roller coast-down as flag reads it, and
// whether it says anything.
func coastDownOf(row store.CoastDownRow) (flag.CoastDown, bool) {
	if row.State != store.StateComputed || row.DeltaForce == nil || row.DeltaForceU == nil {
		return flag.CoastDown{}, false
	}
	return flag.CoastDown{Cell: fleet.CellID(row.CellID), ID: fleet.PullID(row.PullID), At: row.StartedAt, Delta: *row.DeltaForce, U: *row.DeltaForceU, Loss: lossOf(row)}, true
}

// lossOf returns the parasitic loss of a coast-down where its Delta was taken, as
// measured, which is the registry's but for Delta; 0: not known.
func lossOf(row store.CoastDownRow) float64 {
	if row.F0 == nil || row.F1 == nil || row.F2 == nil || row.MidSpeed == nil {
		return 0
	}
	return fleet.Loss{F0: *row.F0, F1: *row.F1, F2: *row.F2}.At(*row.MidSpeed)
}

// runRow returns a reference run as its row. epoch is that of its cell when it
// began.
func runRow(r refrun.Run, epoch fleet.EpochID, effectiveAt time.Time) store.RunRow {
	row := store.RunRow{
		RunID: string(r.ID), SiteID: string(r.Site), CellID: string(r.Cell), CarID: string(r.Car), Session: r.Session,
		StartedAt: r.At, Points: refrun.K, Epoch: string(epoch), RegistryEffectiveAt: effectiveAt, CodeVersion: CodeVersion,
	}
	if r.Air != (air.Air{}) {
		row.AirPressure, row.AirTemperature, row.RelativeHumidity = ptr(r.Air.Pressure), ptr(r.Air.Temperature), ptr(r.Air.Humidity)
	}
	for _, p := range r.Pulls {
		row.PullIDs = append(row.PullIDs, string(p.ID))
		row.PullStartedAt = append(row.PullStartedAt, p.At)
		row.RampRate = append(row.RampRate, p.RampRate)
		row.LnC = append(row.LnC, p.LnC)
		row.Y = append(row.Y, p.Y...)
		row.U = append(row.U, p.U...)
		row.Force = append(row.Force, p.Force...)
		row.BrakeForce = append(row.BrakeForce, p.BrakeForce...)
		row.Speed = append(row.Speed, p.Speed...)
		row.Acceleration = append(row.Acceleration, p.Acceleration...)
	}
	for _, x := range r.Ratios {
		row.RatioPullIDs, row.RatioJudges = append(row.RatioPullIDs, string(x.Pull)), append(row.RatioJudges, x.Judges)
		row.LnRatio, row.LnRatioU = append(row.LnRatio, x.Level), append(row.LnRatioU, x.ULevel)
		row.LnRatioSlope, row.LnRatioSlopeU = append(row.LnRatioSlope, x.Slope), append(row.LnRatioSlopeU, x.USlope)
		row.RatioForce = append(row.RatioForce, x.Force)
	}
	for _, l := range r.LeftOut {
		row.LeftOutIDs = append(row.LeftOutIDs, string(l.ID))
		row.LeftOutReasons = append(row.LeftOutReasons, l.Reason)
	}
	return row
}

// runOf returns a stored reference run as it was assembled.
func runOf(row store.RunRow) refrun.Run {
	r := refrun.Run{
		ID: fleet.RunID(row.RunID), Site: fleet.SiteID(row.SiteID), Cell: fleet.CellID(row.CellID), Car: fleet.CarID(row.CarID),
		Session: row.Session, At: row.StartedAt,
	}
	if row.AirPressure != nil && row.AirTemperature != nil && row.RelativeHumidity != nil {
		r.Air = air.Air{Pressure: *row.AirPressure, Temperature: *row.AirTemperature, Humidity: *row.RelativeHumidity}
	}
	k := int(row.Points)
	for i, id := range row.PullIDs {
		part := func(all []float64) []float64 { return all[i*k : (i+1)*k : (i+1)*k] }
		p := refrun.Pull{
			ID: fleet.PullID(id), At: row.PullStartedAt[i], RampRate: row.RampRate[i], LnC: row.LnC[i],
			Y: part(row.Y), U: part(row.U), Force: part(row.Force), BrakeForce: part(row.BrakeForce),
			Speed: part(row.Speed), Acceleration: part(row.Acceleration),
		}
		p.Signature = refrun.Signatures(p)
		r.Pulls = append(r.Pulls, p)
	}
	for i, id := range row.RatioPullIDs {
		r.Ratios = append(r.Ratios, refrun.Ratio{
			Pull: fleet.PullID(id), Judges: row.RatioJudges[i], Level: row.LnRatio[i], ULevel: row.LnRatioU[i],
			Slope: row.LnRatioSlope[i], USlope: row.LnRatioSlopeU[i], Force: row.RatioForce[i],
		})
	}
	for i, id := range row.LeftOutIDs {
		r.LeftOut = append(r.LeftOut, refrun.LeftOut{ID: fleet.PullID(id), Reason: row.LeftOutReasons[i]})
	}
	return r
}

// checkResultRow returns the result of a check as its row. epoch is the load
// cell's in force before it.
func checkResultRow(judged flag.Check, opens bool, epoch fleet.EpochID, effectiveAt time.Time) store.CheckResultRow {
	c, r, m := judged.Check, judged.Result, judged.Inertia
	row := store.CheckResultRow{
		CheckID: string(c.ID), CellID: string(c.Cell), Kind: uint8(c.Kind), State: uint8(c.State), PerformedAt: c.PerformedAt,
		PerformedBy: c.PerformedBy, StandardID: string(c.Standard), Verdict: judged.Verdict().String(), Reason: judged.Reason(),
		Readings: uint32(len(c.Readings)), Epoch: string(epoch), RegistryEffectiveAt: effectiveAt, CodeVersion: CodeVersion,
		Result: document(judged),
	}
	if v := judged.Verdict(); v != fleet.VerdictNone && v != fleet.VerdictUnusable {
		row.Risk = ptr(judged.Risk())
	}
	if opens {
		row.OpensEpoch, row.CalibrationEpoch = true, string(c.ID)
		row.OpensEpochAt = ptr(c.From())
	}
	if c.Kind == fleet.CheckBaseInertia {
		if m.Valid {
			row.BaseInertia, row.BaseInertiaU = ptr(m.Mass), ptr(m.U)
		}
		return row
	}
	for _, n := range r.Notes {
		row.Reason = join(row.Reason, n)
	}
	if r.ZeroValid {
		row.ZeroError, row.ZeroErrorU = ptr(r.ZeroError), ptr(r.UZeroError)
	}
	if r.GainValid {
		row.GainError, row.GainErrorU = ptr(r.GainError), ptr(r.UGainError)
	}
	for _, p := range r.Readings {
		row.PointForce = append(row.PointForce, p.Load)
		row.PointReading = append(row.PointReading, p.Reading)
		row.PointError = append(row.PointError, p.Error)
		row.PointErrorU = append(row.PointErrorU, pointU(r, p))
		row.PointCycle = append(row.PointCycle, uint32(p.Cycle))
		row.PointDirection = append(row.PointDirection, uint8(p.Direction))
	}
	if opens {
		// Of a curve its straight line; the curve is in Result.
		s := r.AsLeft.Line()
		row.CalibrationZero, row.CalibrationGain = s.Zero, s.Gain
		row.CalibrationZeroU, row.CalibrationGainU, row.CalibrationCovZeroGain = s.UZero, s.UGain, s.CovZeroGain
	}
	return row
}

// pointU returns the expanded uncertainty of the error at a reading's load.
func pointU(r loadcell.Result, reading loadcell.Reading) float64 {
	for _, p := range r.Points {
		if p.Direction == reading.Direction && math.Abs(p.Load-reading.Load) <= 1e-9*math.Max(1, math.Abs(p.Load)) {
			return p.U
		}
	}
	return 0
}

// estimateRows returns one row per step for the cells, and for the cars.
func estimateRows(steps []drift.Step) ([]store.EstimateRow, []store.CarEstimateRow) {
	var cells []store.EstimateRow
	var cars []store.CarEstimateRow
	// since is when the sides of a cell's CUSUM last left nought.
	type sides struct{ high, low *time.Time }
	since := map[fleet.CellID]*sides{}
	runsOfCell, runsOfCar := map[fleet.CellID]uint32{}, map[fleet.CarID]uint32{}
	for _, s := range steps {
		runsOfCell[s.Cell]++
		runsOfCar[s.Car]++
		at := s.At
		w := since[s.Cell]
		if w == nil {
			w = &sides{}
			since[s.Cell] = w
		}
		w.high = keep(w.high, s.High > 0, s.Restarted, at)
		w.low = keep(w.low, s.Low > 0, s.Restarted, at)
		row := store.EstimateRow{
			CellID: string(s.Cell), At: s.At, RunID: string(s.Run), CarID: string(s.Car),
			Offset: s.CellEstimate.Offset, OffsetU: s.CellEstimate.U, Runs: runsOfCell[s.Cell], NotSeparable: s.CellEstimate.NotSeparable,
			CusumHigh: s.High, CusumLow: s.Low, CusumLimit: s.Limit, Evidence: s.Evidence, EvidenceLimit: s.EvidenceLimit,
			Beyond: s.CellEstimate.Beyond, CrossingAt: known(s.CellEstimate.Crossing),
			CrossingEarliestAt: known(s.CellEstimate.Earliest), CrossingLatestAt: known(s.CellEstimate.Latest),
			VarianceName: []string{"cell", "session", "pull"}, Variance: []float64{s.Variances.Cell, s.Variances.Session, s.Variances.Pull},
			Epoch: string(s.Epoch), CodeVersion: CodeVersion,
		}
		if s.Judged {
			row.Deviation, row.Innovation = ptr(s.Deviation), ptr(s.Innovation)
		}
		switch {
		case s.High >= s.Low && w.high != nil:
			row.FirstEvidenceAt = w.high
		case w.low != nil:
			row.FirstEvidenceAt = w.low
		}
		cells = append(cells, row)
		if e := s.CarEstimate; e.Known {
			cars = append(cars, store.CarEstimateRow{
				CarID: string(s.Car), At: s.At, RunID: string(s.Run), CellID: string(s.Cell), Runs: runsOfCar[s.Car],
				Change: e.Change, ChangeU: e.U, Probability: e.Probability, Since: e.Since, Evidence: e.Evidence, EvidenceLimit: e.EvidenceLimit, CodeVersion: CodeVersion,
			})
		}
	}
	return cells, cars
}

// known returns a time, nil where it is zero.
func known(at time.Time) *time.Time {
	if at.IsZero() {
		return nil
	}
	return &at
}

// keep returns since when a side has been above nought.
func keep(since *time.Time, above, restarted bool, at time.Time) *time.Time {
	switch {
	case !above:
		return nil
	case since == nil || restarted:
		return &at
	}
	return since
}

func flagRow(f flag.Flag, epoch fleet.EpochID) store.FlagRow {
	row := store.FlagRow{
		FlagID: string(f.ID), CellID: string(f.Cell), CarID: string(f.Car), Kind: string(f.Kind), Open: f.Open,
		FirstEvidenceAt: f.FirstEvidenceAt, OpenedAt: f.OpenedAt, UpdatedAt: f.UpdatedAt,
		ClosedReason: f.ClosedReason, ClosedBy: f.ClosedBy, Size: f.Size, SizeU: f.U, SizeUnit: "ratio",
		NextCheck: f.NextCheck, Evidence: f.Evidence, Epoch: string(epoch), CodeVersion: CodeVersion,
	}
	if !f.ClosedAt.IsZero() {
		row.ClosedAt = &f.ClosedAt
	}
	if !f.DueAt.IsZero() {
		row.DueAt = &f.DueAt
	}
	var causes []store.CauseRow
	for _, c := range f.Causes {
		name := c.Fault.String()
		causes = append(causes, store.CauseRow{Fault: name, Probability: c.Probability, Size: c.Size, SizeU: c.U, Unit: c.Unit})
	}
	if f.Car != "" && len(causes) == 0 {
		causes = []store.CauseRow{{Fault: fleet.FaultReferenceCar.String(), Probability: 1, Size: f.Size, SizeU: f.U, Unit: "ratio"}}
	}
	row.SetCauses(causes)
	return row
}

func touchedRows(f flag.Flag, effects []lookback.Effect) []store.TouchedRow {
	var rows []store.TouchedRow
	for _, e := range effects {
		row := store.TouchedRow{
			FlagID: string(f.ID), StartedAt: e.At, PullID: string(e.Pull), CellID: string(f.Cell), CustomerCar: e.CustomerCar,
			Effect: e.Effect, EffectU: e.U, CodeVersion: CodeVersion,
		}
		if s := e.Size; s != nil {
			row.Fault, row.Size, row.SizeU = s.Fault.String(), ptr(s.Value), ptr(s.U)
			row.SizeUnit, row.SizeFrom = lookback.Unit(s.Fault), s.From.String()
		}
		rows = append(rows, row)
	}
	return rows
}

func peak(p *powercurve.Peak, value, u, speed, uSpeed **float64) {
	if p != nil {
		*value, *u = ptr(p.Value), ptr(p.Expanded)
		*speed = ptr(p.EngineSpeed)
		// At an end of the sweep it is not the engine's own place, however sure.
		if !p.AtEnd {
			*uSpeed = ptr(gum.K * p.UEngineSpeed)
		}
	}
}

func mean(m *powercurve.Mean, value, u, low, high **float64) {
	if m != nil {
		*value, *u, *low, *high = ptr(m.Value), ptr(m.Expanded), ptr(m.Low), ptr(m.High)
	}
}

// upper returns the upper triangle of a covariance: 00 01 02 11 12 22.
func upper(c [3][3]float64) []float64 {
	return []float64{c[0][0], c[0][1], c[0][2], c[1][1], c[1][2], c[2][2]}
}

// join puts two sentences or notes beside each other.
func join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

var inside = regexp.MustCompile(`(^|[:(;] ?)(?:channel|coastdown|correction|drift|gum|loadcell|powercurve|refrun|restatement): `)

// plain returns a reason without the names of the packages that gave it, which
// stand before what they say.
func plain(reason string) string {
	for {
		s := inside.ReplaceAllString(reason, "$1")
		if s == reason {
			return s
		}
		reason = s
	}
}

func ptr[T any](v T) *T { return &v }
