package csvfolder

import (
	"math"

	"rollcall/services/fleet"
)

// limit is the range in which a channel's value is possible, SI. What lies
// outside is a wrong unit, a wrong column, or a broken logger, never a
// measurement; what is merely odd is for the service's findings to say.
type limit struct {
	low, high float64
	why       string
}

// limits are those of the known channels. They are our own, drawn well outside
// what a road or racing car on a dynamometer reaches.
var limits = map[fleet.Channel]limit{
	fleet.RollerSpeed:          {-10, 150, "540 km/h is above what rollers are built for; backwards a roller only rocks"},
	fleet.RollerSpeedRear:      {-10, 150, "540 km/h is above what rollers are built for; backwards a roller only rocks"},
	fleet.LoadCellForce:        {-1e5, 1e5, "ten tonnes at the lever arm is above any brake's load cell"},
	fleet.EngineSpeed:          {-50, 25000 * math.Pi / 30, "no car's engine turns at 25 000 rpm; backwards only by a rebound"},
	fleet.AirPressure:          {5e4, 1.1e5, "500 hPa is 5.5 km up; the highest pressure ever at sea level is below 1100 hPa"},
	fleet.AirTemperature:       {233.15, 343.15, "-40 to 70 °C: beyond it nobody runs a cell"},
	fleet.RelativeHumidity:     {-0.05, 1.1, "0 to 100 %, and what a hygrometer errs by"},
	fleet.IntakeAirTemperature: {223.15, 523.15, "-50 to 250 °C: a turbocharger's outlet without a cooler stays below"},
	fleet.Pedal:                {-0.2, 1.5, "0 to 100 %, and what a potentiometer errs by"},
	fleet.ThrottleAngle:        {-math.Pi / 2, math.Pi, "a throttle plate turns by less than half a turn"},
	fleet.Boost:                {0, 1.5e6, "absolute pressure is not negative; 15 bar is above any intake"},
	fleet.BoostSetPoint:        {0, 1.5e6, "absolute pressure is not negative; 15 bar is above any intake"},
	fleet.IgnitionAngle:        {-math.Pi, math.Pi, "half a turn before or after top dead centre"},
	fleet.KnockRetard:          {-math.Pi / 2, math.Pi / 2, "a quarter turn; controllers retard by a tenth of that"},
	fleet.Lambda:               {0, 100, "lambda is not negative; sensors show free air as a number below 100"},
	fleet.CoolantTemperature:   {223.15, 473.15, "-50 to 200 °C: coolant boils long before"},
	fleet.OilTemperature:       {223.15, 573.15, "-50 to 300 °C: oil burns before"},
	fleet.TyreTemperature:      {223.15, 623.15, "-50 to 350 °C: rubber comes apart before"},
	fleet.FuelFlow:             {-1e-3, 1, "3600 kg an hour is above what any car's engine burns"},
	fleet.FuelDelivery:         {-1e-3, 1, "1 kg of fuel per cubic metre and cycle is ten times what its air can burn"},
}

// limitOf returns a channel's limit; a channel of the site's own has only the
// wire's.
func limitOf(c fleet.Channel) limit {
	if l, ok := limits[c]; ok {
		return l
	}
	return limit{-1e12, 1e12, "no quantity of a dynamometer is that large"}
}
