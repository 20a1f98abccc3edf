package simulator

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"time"

	"rollcall/services/fleet"
)

// world is a scenario made ready: everything looked up, weather and masses
// drawn. It is read only once made.
type world struct {
	start   time.Time
	sites   map[fleet.SiteID]int
	cells   map[fleet.CellID]int
	cars    map[fleet.CarID]int
	weather [][]hour              // a site, an hour
	masses  []float64             // true, kg
	curves  map[fleet.CarID]curve // of the reference cars
	kinds   []curve               // of the customers
}

// hour is the true air in a site's cells.
type hour struct{ pressure, temperature, humidity float64 }

// prepare makes the scenario's world. It refuses a scenario in which a cell's
// brake cannot hold a car that comes to it.
func (s *Scenario) prepare() error {
	start, err := time.Parse(time.DateOnly, s.Start)
	if err != nil {
		return fmt.Errorf("read start: %w", err)
	}
	w := &world{
		start: start,
		sites: map[fleet.SiteID]int{}, cells: map[fleet.CellID]int{}, cars: map[fleet.CarID]int{},
		curves: map[fleet.CarID]curve{},
	}
	for i, site := range s.Sites {
		w.sites[site.ID] = i
		w.weather = append(w.weather, s.drawWeather(site, start))
	}
	for _, m := range s.Masses {
		// Within U (k = 2) with near certainty: half the standard uncertainty.
		w.masses = append(w.masses, m.Mass+m.U/4*s.random("mass", string(m.ID)).NormFloat64())
	}
	for i, car := range s.Cars {
		w.cars[car.ID] = i
		w.curves[car.ID] = newCurve(car.Torque)
	}
	for _, car := range s.Customers {
		w.kinds = append(w.kinds, newCurve(car.Torque))
	}
	for i, cell := range s.Cells {
		w.cells[cell.ID] = i
	}
	s.world = w
	for i, cell := range s.Cells {
		for _, id := range cell.Cars {
			car := s.Cars[w.cars[id]]
			if err := fits(cell, car.Vehicle, w.curves[id], car.RampRates[0]); err != nil {
				return fmt.Errorf("cells[%d]: %s and reference car %s: %w", i, cell.ID, id, err)
			}
		}
		for j, car := range s.Customers {
			if err := fits(cell, car.Vehicle, w.kinds[j], car.RampRate); err != nil {
				return fmt.Errorf("cells[%d]: %s and customer %q: %w", i, cell.ID, car.Name, err)
			}
		}
	}
	return nil
}

// fits says whether the brake can hold the car over its sweep, with 8 % to
// spare for scatter and dense air.
func fits(cell Cell, v Vehicle, torque curve, rampRate float64) error {
	a := rampRate * math.Pi / 30 * v.TyreRadius / v.GearRatio
	low, high := v.speed(v.BandLow*sweepFrom), v.speed(v.BandHigh*sweepTo)
	for i := range 65 {
		u := low + (high-low)*float64(i)/64
		drive := torque.at(u/v.TyreRadius*v.GearRatio) * v.GearRatio / v.TyreRadius
		brake := drive*1.08 - v.Driveline.fleet().At(u) - (v.RotatingMass+cell.BaseInertia)*a - cell.Parasitic.fleet().At(u)
		switch {
		case brake > cell.BrakeLimit:
			return fmt.Errorf("the brake would need %.0f N at %.1f m/s, its limit is %.0f N; take a taller gear, a faster ramp or another car", brake, u, cell.BrakeLimit)
		case brake < 0.1*drive:
			return fmt.Errorf("at %.1f m/s a ramp of %.0f rpm/s takes nearly all of the engine's force, the brake is left %.0f N; take a slower ramp", u, rampRate, brake)
		case brake*cell.RollerRadius/(cell.LeverArm*cell.BrakeRatio) > cell.LoadCellRange:
			return fmt.Errorf("the load cell would read %.0f N, its range is %.0f N", brake*cell.RollerRadius/(cell.LeverArm*cell.BrakeRatio), cell.LoadCellRange)
		}
	}
	return nil
}

// speed returns the roller-surface speed, m/s, at an engine speed in rpm.
func (v Vehicle) speed(rpm float64) float64 { return rpm * math.Pi / 30 * v.TyreRadius / v.GearRatio }

// random returns the random numbers of whatever the words name; the same seed
// and words give the same numbers in whatever order they are asked for.
func (s *Scenario) random(words ...string) *rand.Rand {
	h := fnv.New64a()
	for _, w := range words {
		h.Write([]byte(w))
		h.Write([]byte{0})
	}
	return rand.New(rand.NewPCG(s.Seed, h.Sum64()))
}

// drawWeather returns a site's air, hour by hour: for each of pressure,
// temperature and humidity a mean, the swings of year and day, and a
// first-order autoregression
//
//	x[i] = φ·x[i−1] + σ·√(1−φ²)·e[i],   φ = exp(−1 h/τ)
//
// with τ of 60 h (pressure), 30 h (temperature) and 20 h (humidity), our own
// choice. The pressure at height h is that at sea level times
// (1 − 2.25577e-5·h)^5.25588 (ISO 2533 standard atmosphere, from memory).
func (s *Scenario) drawWeather(site Site, start time.Time) []hour {
	r := s.random("weather", string(site.ID))
	reduce := math.Pow(1-2.25577e-5*site.Height, 5.25588)
	phi := [3]float64{math.Exp(-1.0 / 60), math.Exp(-1.0 / 30), math.Exp(-1.0 / 20)}
	var x [3]float64
	for i := range x {
		x[i] = r.NormFloat64()
	}
	hours := make([]hour, s.Weeks*7*24+49)
	for i := range hours {
		at := start.Add(time.Duration(i) * time.Hour)
		year := 2 * math.Pi * (float64(at.YearDay()) - 200) / 365.25 // warmest in the second half of July
		if site.Latitude < 0 {
			year += math.Pi
		}
		day := 2 * math.Pi * (float64(at.Hour()) + site.Longitude/15 - 15) / 24 // warmest at three
		warm := site.SeasonSwing*math.Cos(year) + site.DaySwing*math.Cos(day)
		hours[i] = hour{
			pressure:    (site.SeaPressure + site.PressureSD*x[0]) * reduce,
			temperature: site.Temperature + warm + site.TemperatureSD*x[1],
			humidity:    min(max(site.Humidity-0.01*warm+site.HumiditySD*x[2], 0.12), 0.95),
		}
		for k := range x {
			x[k] = phi[k]*x[k] + math.Sqrt(1-phi[k]*phi[k])*r.NormFloat64()
		}
	}
	return hours
}

// air returns the true air of a site's cells at a moment.
func (w *world) air(site fleet.SiteID, at time.Time) hour {
	hours := w.weather[w.sites[site]]
	x := at.Sub(w.start).Hours()
	i := min(max(int(x), 0), len(hours)-2)
	f := x - float64(i)
	a, b := hours[i], hours[i+1]
	return hour{a.pressure + f*(b.pressure-a.pressure), a.temperature + f*(b.temperature-a.temperature), a.humidity + f*(b.humidity-a.humidity)}
}

// vapour returns the partial pressure of water vapour, Pa,
//
//	e = RH · 611.2 · exp(17.62·t/(243.12 + t)),  t in °C
//
// Source: Magnus formula as in WMO-No. 8, annex 4.B (from memory).
func (h hour) vapour() float64 {
	t := h.temperature - 273.15
	return h.humidity * 611.2 * math.Exp(17.62*t/(243.12+t))
}

// gravity returns the local gravity, m/s², from latitude φ and height h,
//
//	g = 9.780327·(1 + 0.0053024·sin²φ − 0.0000058·sin²2φ) − 3.086e-6·h
//
// Source: international gravity formula 1980 and free-air gradient (from memory).
func (s Site) gravity() float64 {
	phi := s.Latitude * math.Pi / 180
	s1, s2 := math.Sin(phi), math.Sin(2*phi)
	return 9.780327*(1+0.0053024*s1*s1-0.0000058*s2*s2) - 3.086e-6*s.Height
}

// curve is a torque curve: a monotone piecewise cubic through its points
// (Fritsch and Carlson 1980, harmonic means for the slopes), N·m over rad/s.
type curve struct{ x, y, d []float64 }

func newCurve(points []TorquePoint) curve {
	n := len(points)
	c := curve{make([]float64, n), make([]float64, n), make([]float64, n)}
	for i, p := range points {
		c.x[i], c.y[i] = p.Speed*math.Pi/30, p.Torque
	}
	secant := func(i int) float64 { return (c.y[i+1] - c.y[i]) / (c.x[i+1] - c.x[i]) }
	c.d[0], c.d[n-1] = secant(0), secant(n-2)
	for i := 1; i < n-1; i++ {
		if a, b := secant(i-1), secant(i); a*b > 0 {
			h0, h1 := c.x[i]-c.x[i-1], c.x[i+1]-c.x[i]
			w0, w1 := 2*h1+h0, h1+2*h0
			c.d[i] = (w0 + w1) / (w0/a + w1/b)
		}
	}
	return c
}

// at returns the torque at an engine speed; outside the points that of the end.
func (c curve) at(x float64) float64 {
	n := len(c.x)
	if x <= c.x[0] {
		return c.y[0]
	}
	if x >= c.x[n-1] {
		return c.y[n-1]
	}
	i := 0
	for c.x[i+1] < x {
		i++
	}
	h := c.x[i+1] - c.x[i]
	t := (x - c.x[i]) / h
	return c.y[i]*(1+2*t)*(1-t)*(1-t) + c.y[i+1]*t*t*(3-2*t) + h*(c.d[i]*t*(1-t)*(1-t)+c.d[i+1]*t*t*(t-1))
}
