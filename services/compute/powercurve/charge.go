package powercurve

import (
	"math"

	"rollcall/services/compute/correction"
	"rollcall/services/fleet"
)

// boosted is how far the mean boost of the sweep must lie above the air
// pressure for the engine to be taken as charged, ratio: beyond what two
// pressure sensors differ by and what a ram pipe gives. Common practice, no
// source.
const boosted = 1.05

// charge tells the correction how the engine is charged and fuelled: as
// declared, and where nothing is declared as the channels say, over the sweep.
//
// Out of a fuel flow ṁ, the swept volume V and the engine speed n the fuel per
// cycle and swept volume of a four-stroke engine is
//
//	q = 4π·ṁ/(n·V)
//
// means over the sweep, which is all fuel over all cycles of the sweep; 1e-3
// kg/m³ is 1 mg/L. Source: UN Regulation No. 85, Annex 5, 5.4.2.2, where it is
// 120000·(g/s)/(L·rpm).
func (r *reduction) charge(c *correction.Conditions) {
	v := &r.in.Vehicle
	c.Turbocharged, c.Charged = v.Turbocharged, v.Charged || v.Turbocharged
	c.FuelDelivery, c.ChargePressureRatio = v.FuelDelivery, v.ChargePressureRatio
	if boost, ok := r.during(fleet.Boost); ok {
		ratio := boost / c.Barometer
		c.Charged = c.Charged || ratio > boosted
		if c.ChargePressureRatio == nil && c.Charged && ratio > 0 {
			c.ChargePressureRatio = &ratio
		}
	}
	if c.FuelDelivery != nil {
		return
	}
	const perLitre = 1e3 // mg/L in a kg/m³
	if q, ok := r.during(fleet.FuelDelivery); ok && q > 0 {
		q *= perLitre
		c.FuelDelivery = &q
		return
	}
	flow, ok := r.during(fleet.FuelFlow)
	if n := (r.knots[0].n + r.knots[len(r.knots)-1].n) / 2; ok && flow > 0 && v.Displacement > 0 && n > 0 {
		if mean, logged := r.during(fleet.EngineSpeed); logged && mean > 0 {
			n = mean
		}
		q := perLitre * 4 * math.Pi * flow / (n * v.Displacement)
		c.FuelDelivery = &q
	}
}
