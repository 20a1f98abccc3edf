package powercurve

import (
	"fmt"
	"math"

	"rollcall/services/compute/air"
	"rollcall/services/compute/channel"
	"rollcall/services/compute/correction"
	"rollcall/services/fleet"
)

// An intake air temperature is taken for the correction only when it can be the
// air the engine draws: no colder than the cell by more than the two sensors
// may differ, and not so hot that it must be charge air behind a compressor or
// a sensor soaked with heat, which a standard's factor does not mean. Common
// practice, no source.
const (
	intakeBelow = 5.0  // K
	intakeAbove = 25.0 // K
)

// correct computes the correction factor from the air of the sweep.
func (r *reduction) correct(c *Curve) {
	pressure, ok1 := r.during(fleet.AirPressure)
	temperature, ok2 := r.during(fleet.AirTemperature)
	humidity, ok3 := r.during(fleet.RelativeHumidity)
	note := ""
	if ok3 && (humidity < 0 || humidity > 1) {
		note = fmt.Sprintf("relative humidity reads %.3f; taken as %.0f. ", humidity, math.Round(humidity))
		humidity = math.Min(math.Max(humidity, 0), 1)
	}
	if ok1 && ok2 && ok3 {
		a := air.Air{Pressure: pressure, Temperature: temperature, Humidity: humidity}
		if a.Validate() == nil {
			c.Air = &a
		}
	}
	standard := r.in.Correction
	if standard == "" {
		standard = fleet.CorrectionSAEJ1349
	}
	if standard == fleet.CorrectionNone {
		f, err := correction.Factor(standard, correction.Conditions{})
		if err != nil {
			c.CorrectionNote = err.Error()
			return
		}
		c.Correction, c.CorrectionNote = &f, "no correction asked for"
		return
	}
	if c.Air == nil {
		c.CorrectionNote = "not corrected: log air pressure, air temperature and relative humidity of the cell, in the right units"
		return
	}
	conditions := correction.Conditions{
		DryPressure: c.Air.DryPressure(), Barometer: c.Air.Pressure, Temperature: c.Air.Temperature,
	}
	r.charge(&conditions)
	intake, logged := r.during(fleet.IntakeAirTemperature)
	own := false
	switch {
	case !logged:
		note += "with cell air temperature: intake air temperature is not logged"
	case intake < temperature-intakeBelow || intake > temperature+intakeAbove:
		note += fmt.Sprintf("with cell air temperature: intake air at %.1f °C against %.1f °C in the cell is not air the engine draws", intake-273.15, temperature-273.15)
	default:
		note += "with intake air temperature"
		conditions.Temperature, own = intake, true
	}
	f, err := correction.Factor(standard, conditions)
	if err != nil {
		c.CorrectionNote = fmt.Sprintf("not corrected: %v", err)
		return
	}
	if !(f.Factor > 0) || math.IsInf(f.Factor, 1) {
		c.CorrectionNote = "not corrected: the factor is not a positive number"
		return
	}
	// The cell temperature also acts through the vapour pressure; the intake
	// sensor is taken to be as good as the cell's.
	dry, u := c.Air.DryPressureSensitivity(), r.in.Cell.U
	r.byAir = airEffects{
		pressure:    f.DPressure*dry.Pressure + f.DBarometer,
		temperature: f.DPressure * dry.Temperature,
		humidity:    f.DPressure * dry.Humidity,
	}
	if own {
		r.byAir.intake = f.DTemperature
	} else {
		r.byAir.temperature += f.DTemperature
	}
	variance := 0.0
	for _, x := range [...]float64{
		r.byAir.pressure * u.AirPressure, r.byAir.temperature * u.AirTemperature,
		r.byAir.humidity * u.Humidity, r.byAir.intake * u.AirTemperature,
	} {
		variance += x * x
	}
	if variance-variance != 0 {
		c.CorrectionNote = "not corrected: the air sensors' uncertainty is not a number"
		return
	}
	c.Correction, c.UFactor, c.CorrectionNote = &f, math.Sqrt(variance), note
	if own {
		c.IntakeTemperature = &intake
	}
}

// airEffects are the partial derivatives of the correction factor.
type airEffects struct {
	pressure, temperature, humidity, intake float64 // 1/Pa, 1/K, 1 per ratio, 1/K
}

// during returns the mean of a channel over the sweep, or over the record when
// it was not sampled in the sweep.
func (r *reduction) during(name fleet.Channel) (float64, bool) {
	s, err := rising(r.in.Channels[name])
	if err != nil {
		return 0, false
	}
	possible := channel.RangeOf(name)
	if mean, n := channel.Mean(channel.Clean(s.Between(r.sweep), possible)); n > 0 {
		return mean, true
	}
	mean, n := channel.Mean(channel.Clean(s, possible))
	return mean, n > 0
}
