package registry

import (
	"math"
	"strconv"
	"strings"
	"time"

	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// unit converts between the unit of a key in the file and SI.
type unit struct {
	toSI   func(float64) float64
	fromSI func(float64) float64
}

var (
	si      = unit{func(y float64) float64 { return y }, func(x float64) float64 { return x }}
	percent = unit{func(y float64) float64 { return y / 100 }, func(x float64) float64 { return x * 100 }}
	litre   = unit{func(y float64) float64 { return y / 1e3 }, func(x float64) float64 { return x * 1e3 }}
	celsius = unit{func(y float64) float64 { return y + 273.15 }, func(x float64) float64 { return x - 273.15 }}
	degree  = unit{func(y float64) float64 { return y * math.Pi / 180 }, func(x float64) float64 { return x * 180 / math.Pi }}
	// rpm is 1/min to rad/s, and 1/min per second to rad/s².
	rpm = unit{func(y float64) float64 { return y * math.Pi / 30 }, func(x float64) float64 { return x * 30 / math.Pi }}
)

// words returns names as the texts a field allows.
func words[T ~string](names []T) []string {
	all := make([]string, len(names))
	for i, n := range names {
		all[i] = string(n)
	}
	return all
}

type fieldKind uint8

const (
	number  fieldKind = iota // one number
	numbers                  // a list of one or more numbers
	limit                    // two numbers: where a note begins and where a pull is disqualified
	text                     // a text
	date                     // a date or time
	span                     // a length of time, in days
	count                    // a whole number
	group                    // keys of its own
)

// field is one key of an entry of type T: where its value goes, in which unit
// it is written and between which limits it must lie. Reading, checking,
// writing and comparing all follow this one table.
type field[T any] struct {
	key  string
	kind fieldKind
	what string // its meaning with its unit, for whoever has to mend it
	need bool   // must be there

	unit      unit
	low, high float64 // limits in the unit of the file
	open      bool    // low itself is not allowed

	num   func(*T) *float64
	opt   func(*T) **float64 // in place of num: a number of which 0 is one and nil is not said
	nums  func(*T) *[]float64
	lim   func(*T) *fleet.Limit
	less  bool // of a limit: less is worse
	get   func(T) string
	set   func(*T, string)
	date  func(*T) *time.Time
	span  func(*T) *time.Duration
	count func(*T) *int
	sub   []field[T]
	one   []string        // the texts allowed; nil: any
	unset func(T) float64 // default of a number, SI; nil: 0, which is not written out
	deft  string          // default of a text
}

// decimal returns the shortest decimal number in the unit of the file that
// reads back as exactly x; where no such number exists, the nearest one.
func (u unit) decimal(x float64) string {
	y := u.fromSI(x)
	if math.IsNaN(y) || math.IsInf(y, 0) {
		return strconv.FormatFloat(y, 'g', -1, 64)
	}
	for digits := 1; digits <= 17; digits++ {
		s := strconv.FormatFloat(y, 'g', digits, 64)
		if back, err := strconv.ParseFloat(s, 64); err == nil && u.toSI(back) == x {
			return plain(back)
		}
	}
	// The way there and back rounds twice: the number wanted may be a
	// neighbour of y.
	for _, towards := range []float64{math.Inf(1), math.Inf(-1)} {
		z := y
		for range 4 {
			if z = math.Nextafter(z, towards); u.toSI(z) == x {
				return plain(z)
			}
		}
	}
	return plain(y)
}

// daysOf returns the span of a number of days.
func daysOf(y float64) time.Duration { return time.Duration(math.Round(y * float64(day))) }

const day = 24 * time.Hour

// days returns the shortest decimal number of days that reads back as d.
func days(d time.Duration) string {
	y := float64(d) / float64(day)
	for digits := 1; digits < 17; digits++ {
		s := strconv.FormatFloat(y, 'g', digits, 64)
		if back, err := strconv.ParseFloat(s, 64); err == nil && daysOf(back) == d {
			return plain(back)
		}
	}
	return plain(y)
}

// plain writes a number as people do, without an exponent where it stays short.
func plain(y float64) string {
	if y == 0 {
		return "0"
	}
	if a := math.Abs(y); a >= 1e-6 && a < 1e15 {
		return strconv.FormatFloat(y, 'f', -1, 64)
	}
	return strconv.FormatFloat(y, 'g', -1, 64)
}

// limits says in words between what a number must lie.
func (f field[T]) limits() string {
	low := "at least " + plain(f.low)
	if f.open {
		low = "more than " + plain(f.low)
	}
	return low + " and at most " + plain(f.high)
}

// within reports whether y, in the unit of the file, is allowed.
func (f field[T]) within(y float64) bool {
	return y <= f.high && (y > f.low || !f.open && y == f.low)
}

// number returns a number and whether it is to be written.
func (f field[T]) number(entry *T) (float64, bool) {
	if f.opt != nil {
		if x := *f.opt(entry); x != nil {
			return *x, true
		}
		return 0, false
	}
	x := *f.num(entry)
	return x, x != 0 || f.need || f.unset != nil
}

// put sets a number.
func (f field[T]) put(entry *T, x float64) {
	if f.opt != nil {
		*f.opt(entry) = &x
		return
	}
	*f.num(entry) = x
}

func keys[T any](fields []field[T]) []string {
	var all []string
	for _, f := range fields {
		all = append(all, f.key)
	}
	return all
}

// The limits below keep out slips of unit and sign, not unusual equipment; they
// are our own choice. The default uncertainties are what ordinary workshop
// instruments reach; common practice, no source.

var siteFields = []field[fleet.Site]{
	{key: "name", kind: text, what: "the site's name for screens", need: true,
		get: func(s fleet.Site) string { return s.Name }, set: func(s *fleet.Site, v string) { s.Name = v }},
	{key: "latitude_deg", what: "the latitude in degrees, north positive", need: true, unit: degree, low: -90, high: 90,
		num: func(s *fleet.Site) *float64 { return &s.Latitude }},
	{key: "longitude_deg", what: "the longitude in degrees, east positive; only how far apart sites are needs it", unit: degree, low: -180, high: 180,
		opt: func(s *fleet.Site) **float64 { return &s.Longitude }},
	{key: "height_m", what: "the height above sea level in metres", need: true, unit: si, low: -430, high: 6000,
		num: func(s *fleet.Site) *float64 { return &s.Height }},
	{key: "gravity_mps2", what: "the measured gravity in m/s²; leave it out to have it computed from latitude and height", unit: si, low: 9.7, high: 9.9,
		num: func(s *fleet.Site) *float64 { return &s.Gravity }},
	{key: "time_zone", kind: text, what: "the time zone's IANA name, such as Europe/Berlin",
		get: func(s fleet.Site) string { return s.Zone }, set: func(s *fleet.Site, v string) { s.Zone = v }},
}

var cellFields = []field[fleet.Cell]{
	{key: "name", kind: text, what: "the cell's name for screens", need: true,
		get: func(c fleet.Cell) string { return c.Name }, set: func(c *fleet.Cell, v string) { c.Name = v }},
	{key: "site", kind: text, what: "the id of the site the cell stands at", need: true,
		get: func(c fleet.Cell) string { return string(c.Site) }, set: func(c *fleet.Cell, v string) { c.Site = fleet.SiteID(v) }},
	{key: "roller_radius_m", what: "the radius of the roller in metres", need: true, unit: si, open: true, high: 2,
		num: func(c *fleet.Cell) *float64 { return &c.RollerRadius }},
	{key: "lever_arm_m", what: "the distance from the brake's axis to the load cell in metres", need: true, unit: si, open: true, high: 5,
		num: func(c *fleet.Cell) *float64 { return &c.LeverArm }},
	{key: "brake_ratio", what: "the brake's revolutions per revolution of the roller", need: true, unit: si, open: true, high: 50,
		num: func(c *fleet.Cell) *float64 { return &c.BrakeRatio }},
	{key: "base_inertia_kg", what: "the equivalent mass of the rotating parts at the roller surface in kg", need: true, unit: si, open: true, high: 20000,
		num: func(c *fleet.Cell) *float64 { return &c.BaseInertia }},
	{key: "parasitic", kind: group, what: "the loss of the empty rollers, f0_n + f1_n_s_per_m·v + f2_n_s2_per_m2·v² in N with v in m/s", need: true, sub: []field[fleet.Cell]{
		{key: "f0_n", what: "the constant part in N", need: true, unit: si, low: 0, high: 5000,
			num: func(c *fleet.Cell) *float64 { return &c.Parasitic.F0 }},
		{key: "f1_n_s_per_m", what: "the part that grows with speed in N per m/s", need: true, unit: si, low: -100, high: 100,
			num: func(c *fleet.Cell) *float64 { return &c.Parasitic.F1 }},
		{key: "f2_n_s2_per_m2", what: "the part that grows with the square of speed in N per (m/s)²", need: true, unit: si, low: -10, high: 10,
			num: func(c *fleet.Cell) *float64 { return &c.Parasitic.F2 }},
	}},
	{key: "brake_limit_n", what: "the force the brake can hold at the roller surface in N", need: true, unit: si, open: true, high: 200000,
		num: func(c *fleet.Cell) *float64 { return &c.BrakeLimit }},
	{key: "load_cell_range_n", what: "the range of the load cell at the lever arm in N", need: true, unit: si, open: true, high: 200000,
		num: func(c *fleet.Cell) *float64 { return &c.LoadCellRange }},
	// A cell without one is checked otherwise; a dead-weight check of it is unusable.
	{key: "calibration_arm_m", what: "the distance from the brake's axis to where the check masses hang in metres", unit: si, open: true, high: 5,
		num: func(c *fleet.Cell) *float64 { return &c.CalibrationArm }},
	{key: "tolerance_percent", what: "how far the cell may be from the fleet in percent", need: true, unit: percent, open: true, high: 20,
		num: func(c *fleet.Cell) *float64 { return &c.Tolerance }},
	{key: "check_tolerance_percent", what: "the limit of a dead-weight check in percent of reading", need: true, unit: percent, open: true, high: 20,
		num: func(c *fleet.Cell) *float64 { return &c.CheckTolerance }},
	{key: "zero_tolerance_n", what: "the limit of a zero check at the lever arm in N", need: true, unit: si, open: true, high: 1000,
		num: func(c *fleet.Cell) *float64 { return &c.ZeroTolerance }},
	{key: "check_every_days", kind: span, what: "the longest time between two checks of the load cell in days; leave it out for no limit of time", open: true, high: 3660,
		span: func(c *fleet.Cell) *time.Duration { return &c.CheckEvery }},
	{key: "check_pulls", kind: count, what: "the most pulls between two checks of the load cell; leave it out for no limit of pulls", low: 1, high: 1e6,
		count: func(c *fleet.Cell) *int { return &c.CheckPulls }},
	{key: "reliability_percent", what: "the probability in percent with which the load cell is to be in tolerance until its next check", unit: percent, low: 50, high: 99.9,
		num: func(c *fleet.Cell) *float64 { return &c.Reliability }},
	{key: "class", kind: text, what: "the class that checks are held against beside the tolerance, such as iso_376 1", one: loadcell.ClassTables(),
		get: func(c fleet.Cell) string { return c.Class }, set: func(c *fleet.Cell, v string) { c.Class = v }},
	{key: "uncertainty", kind: group, what: "the standard uncertainties of the cell's geometry and instruments", sub: []field[fleet.Cell]{
		{key: "roller_radius_m", what: "the roller radius's standard uncertainty in metres", unit: si, open: true, high: 0.1,
			num: func(c *fleet.Cell) *float64 { return &c.U.RollerRadius }, unset: func(fleet.Cell) float64 { return 0.0001 }},
		{key: "lever_arm_m", what: "the lever arm's standard uncertainty in metres", unit: si, open: true, high: 0.1,
			num: func(c *fleet.Cell) *float64 { return &c.U.LeverArm }, unset: func(fleet.Cell) float64 { return 0.0002 }},
		{key: "calibration_arm_m", what: "the calibration arm's standard uncertainty in metres", unit: si, open: true, high: 0.1,
			num: func(c *fleet.Cell) *float64 { return &c.U.CalibrationArm }, unset: func(fleet.Cell) float64 { return 0.0002 }},
		// What a spirit level shows.
		{key: "arm_angle_deg", what: "the standard uncertainty of a levelled calibration arm's angle in degrees", unit: degree, open: true, high: 10,
			num: func(c *fleet.Cell) *float64 { return &c.U.ArmAngle }, unset: func(fleet.Cell) float64 { return degree.toSI(0.2) }},
		// Left out: half a percent of the base inertia.
		{key: "base_inertia_kg", what: "the base inertia's standard uncertainty in kg", unit: si, open: true, high: 2000,
			num: func(c *fleet.Cell) *float64 { return &c.U.BaseInertia }, unset: func(c fleet.Cell) float64 { return c.BaseInertia / 200 }},
		{key: "parasitic_n", what: "the parasitic loss's standard uncertainty over the speed range in N", unit: si, open: true, high: 500,
			num: func(c *fleet.Cell) *float64 { return &c.U.Parasitic }, unset: func(fleet.Cell) float64 { return 3 }},
		{key: "speed_percent", what: "the roller speed's standard uncertainty in percent", unit: percent, open: true, high: 10,
			num: func(c *fleet.Cell) *float64 { return &c.U.Speed }, unset: func(fleet.Cell) float64 { return percent.toSI(0.02) }},
		{key: "load_cell_percent", what: "the standard uncertainty of the load cell's calibration in force, percent of reading", unit: percent, open: true, high: 10,
			num: func(c *fleet.Cell) *float64 { return &c.U.LoadCell }, unset: func(fleet.Cell) float64 { return percent.toSI(0.1) }},
		{key: "air_pressure_pa", what: "the barometer's standard uncertainty in Pa", unit: si, open: true, high: 5000,
			num: func(c *fleet.Cell) *float64 { return &c.U.AirPressure }, unset: func(fleet.Cell) float64 { return 30 }},
		{key: "air_temperature_k", what: "the air thermometer's standard uncertainty in K", unit: si, open: true, high: 20,
			num: func(c *fleet.Cell) *float64 { return &c.U.AirTemperature }, unset: func(fleet.Cell) float64 { return 0.3 }},
		{key: "relative_humidity_percent", what: "the hygrometer's standard uncertainty in percent relative humidity", unit: percent, open: true, high: 50,
			num: func(c *fleet.Cell) *float64 { return &c.U.Humidity }, unset: func(fleet.Cell) float64 { return percent.toSI(2) }},
	}},
}

var carFields = []field[fleet.Car]{
	{key: "name", kind: text, what: "the car's name for screens", need: true,
		get: func(c fleet.Car) string { return c.Name }, set: func(c *fleet.Car, v string) { c.Name = v }},
	{key: "gear_ratio", what: "the engine's revolutions per revolution of the driven wheels in the gear of the pull", need: true, unit: si, open: true, high: 50,
		num: func(c *fleet.Car) *float64 { return &c.GearRatio }},
	{key: "tyre_radius_m", what: "the rolling radius of the driven tyres in metres", need: true, unit: si, open: true, high: 2,
		num: func(c *fleet.Car) *float64 { return &c.TyreRadius }},
	{key: "rotating_mass_kg", what: "the equivalent mass at the roller surface of all parts that turn in the gear of the pull, in kg", need: true, unit: si, open: true, high: 5000,
		num: func(c *fleet.Car) *float64 { return &c.RotatingMass }},
	{key: "coasting_mass_kg", what: "the equivalent mass at the roller surface of what still turns in neutral, in kg", need: true, unit: si, open: true, high: 5000,
		num: func(c *fleet.Car) *float64 { return &c.CoastingMass }},
	{key: "band_low_rpm", what: "the lower end of the engine speed band in rpm", need: true, unit: rpm, open: true, high: 25000,
		num: func(c *fleet.Car) *float64 { return &c.BandLow }},
	{key: "band_high_rpm", what: "the upper end of the engine speed band in rpm", need: true, unit: rpm, open: true, high: 25000,
		num: func(c *fleet.Car) *float64 { return &c.BandHigh }},
	{key: "ramp_rates_rpm_per_s", kind: numbers, what: "the sweeps asked for in rpm per second; two different ones tell a load-cell error from a wrong base inertia", need: true, unit: rpm, open: true, high: 5000,
		nums: func(c *fleet.Car) *[]float64 { return &c.RampRates }},
	{key: "charging", kind: text, what: "how the engine is charged", deft: string(fleet.ChargingUnknown),
		one: []string{string(fleet.ChargingUnknown), string(fleet.ChargingNone), string(fleet.ChargingTurbo), string(fleet.ChargingMechanical)},
		get: func(c fleet.Car) string { return string(c.Charging) }, set: func(c *fleet.Car, v string) { c.Charging = fleet.Charging(v) }},
	{key: "displacement_l", what: "the engine's swept volume in litres, for the fuel delivery out of a logged fuel flow", unit: litre, open: true, high: 30,
		num: func(c *fleet.Car) *float64 { return &c.Displacement }},
	{key: "correction", kind: text, what: "the standard-air correction", deft: string(fleet.CorrectionSAEJ1349),
		one: words(fleet.Corrections),
		get: func(c fleet.Car) string { return string(c.Correction) }, set: func(c *fleet.Car, v string) { c.Correction = fleet.Correction(v) }},
	{key: "limits", kind: group, what: "the car's own limits for the findings of its pulls, each as [note, disqualify]", sub: []field[fleet.Car]{
		{key: "ramp_rate_percent", kind: limit, what: "how far the sweep's rate may be off the one asked for in percent", unit: percent, high: 100,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.RampRate }},
		{key: "slip_percent", kind: limit, what: "how far the engine-to-roller ratio may rise in percent", unit: percent, high: 100,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.Slip }},
		{key: "roller_slip_percent", kind: limit, what: "how far the rollers' speeds may part under load in percent", unit: percent, high: 100,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.RollerSlip }},
		{key: "roller_difference_percent", kind: limit, what: "how far the rollers' speeds may differ without load in percent", unit: percent, high: 100,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.RollerDifference }},
		{key: "throttle_deg", kind: limit, what: "how far the throttle may close with the pedal down in degrees", unit: degree, high: 100,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.Throttle }},
		{key: "knock_deg", kind: limit, what: "how far ignition may be retarded for knock in degrees", unit: degree, high: 60,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.Knock }},
		{key: "intake_hot_k", kind: limit, what: "how far intake air may be above cell air in kelvins", unit: si, high: 300,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.IntakeHot }},
		{key: "intake_climbing_k", kind: limit, what: "how far intake air may climb in the sweep in kelvins", unit: si, high: 300,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.IntakeClimbing }},
		{key: "boost_low_percent", kind: limit, what: "how far boost may stay under its set point in percent", unit: percent, high: 100,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.BoostLow }},
		{key: "enrichment_percent", kind: limit, what: "how far lambda may fall in the sweep in percent", unit: percent, high: 100,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.Enrichment }},
		{key: "lambda_low", kind: limit, less: true, what: "the lambda under which the mixture is too rich", unit: si, low: 0.3, high: 2,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.LambdaLow }},
		{key: "coolant_low_c", kind: limit, less: true, what: "the coolant temperature under which the engine is cold in °C", unit: celsius, low: -50, high: 200,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.CoolantLow }},
		{key: "coolant_high_c", kind: limit, what: "the coolant temperature above which the engine is hot in °C", unit: celsius, low: -50, high: 200,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.CoolantHigh }},
		{key: "oil_low_c", kind: limit, less: true, what: "the oil temperature under which the engine is cold in °C", unit: celsius, low: -50, high: 300,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.OilLow }},
		{key: "oil_high_c", kind: limit, what: "the oil temperature above which the engine is hot in °C", unit: celsius, low: -50, high: 300,
			lim: func(c *fleet.Car) *fleet.Limit { return &c.Limits.OilHigh }},
	}},
}

var massFields = []field[fleet.Mass]{
	{key: "mass_kg", what: "the conventional mass on the certificate in kg", need: true, unit: si, open: true, high: 1000,
		num: func(m *fleet.Mass) *float64 { return &m.Mass }},
	{key: "expanded_uncertainty_kg", what: "the certificate's expanded uncertainty (k = 2) in kg", need: true, unit: si, open: true, high: 10,
		num: func(m *fleet.Mass) *float64 { return &m.U }},
	{key: "density_kg_per_m3", what: "the density of the mass in kg/m³, about 7200 for cast iron and 7950 for steel", need: true, unit: si, low: 500, high: 23000,
		num: func(m *fleet.Mass) *float64 { return &m.Density }},
	{key: "certificate", kind: text, what: "the number of the calibration certificate", need: true,
		get: func(m fleet.Mass) string { return m.Certificate }, set: func(m *fleet.Mass, v string) { m.Certificate = v }},
	{key: "due", kind: date, what: "the date the certificate ends, such as 2027-03-31",
		date: func(m *fleet.Mass) *time.Time { return &m.Due }},
}

// standard is a reference standard as the file has it: the unit of its range
// follows its kind.
type standard struct {
	fleet.Standard
	rangeForce, rangeTorque float64 // N, N·m
	leastForce, leastTorque float64 // N, N·m
}

// fileStandard returns a standard as the file has it.
func fileStandard(s fleet.Standard) standard {
	f := standard{Standard: s}
	if s.Kind == fleet.StandardTorque {
		f.rangeTorque, f.leastTorque = s.Range, s.ULeast
	} else {
		f.rangeForce, f.leastForce = s.Range, s.ULeast
	}
	f.Range, f.ULeast = 0, 0
	return f
}

func fileStandards(all map[fleet.StandardID]fleet.Standard) map[fleet.StandardID]standard {
	out := make(map[fleet.StandardID]standard, len(all))
	for id, s := range all {
		out[id] = fileStandard(s)
	}
	return out
}

// noun returns the standard as the rest of the program has it.
func (s standard) noun() fleet.Standard {
	out := s.Standard
	out.Range, out.ULeast = s.rangeForce, s.leastForce
	if s.Kind == fleet.StandardTorque {
		out.Range, out.ULeast = s.rangeTorque, s.leastTorque
	}
	return out
}

var standardFields = []field[standard]{
	{key: "kind", kind: text, what: "what it measures: force (a transfer load cell) or torque (a torque reference)", need: true,
		one: []string{string(fleet.StandardForce), string(fleet.StandardTorque)},
		get: func(s standard) string { return string(s.Kind) }, set: func(s *standard, v string) { s.Kind = fleet.StandardKind(v) }},
	{key: "range_n", what: "the range of a transfer load cell in N", unit: si, open: true, high: 1e6,
		num: func(s *standard) *float64 { return &s.rangeForce }},
	{key: "range_nm", what: "the range of a torque reference in N·m", unit: si, open: true, high: 1e6,
		num: func(s *standard) *float64 { return &s.rangeTorque }},
	{key: "expanded_uncertainty_percent", what: "the certificate's expanded uncertainty (k = 2) in percent of reading", need: true, unit: percent, open: true, high: 10,
		num: func(s *standard) *float64 { return &s.U }},
	{key: "least_expanded_uncertainty_n", what: "the least that the expanded uncertainty of a transfer load cell is, in N", unit: si, open: true, high: 1e5,
		num: func(s *standard) *float64 { return &s.leastForce }},
	{key: "least_expanded_uncertainty_nm", what: "the least that the expanded uncertainty of a torque reference is, in N·m", unit: si, open: true, high: 1e5,
		num: func(s *standard) *float64 { return &s.leastTorque }},
	{key: "certificate", kind: text, what: "the number of the calibration certificate", need: true,
		get: func(s standard) string { return s.Certificate }, set: func(s *standard, v string) { s.Certificate = v }},
	{key: "due", kind: date, what: "the date the certificate ends, such as 2027-03-31",
		date: func(s *standard) *time.Time { return &s.Due }},
}

// setDefaults fills in what an entry left out.
func setDefaults[T any](fields []field[T], entry *T, given map[string]bool, prefix string) {
	for _, f := range fields {
		switch {
		case f.kind == group:
			setDefaults(f.sub, entry, given, prefix+f.key+".")
		case given[prefix+f.key]:
		case f.unset != nil:
			*f.num(entry) = f.unset(*entry)
		case f.deft != "":
			f.set(entry, f.deft)
		}
	}
}

// nearest returns the word of known that key was most likely meant to be, or "".
func nearest(key string, known []string) string {
	best, least := "", max(2, len(key)/3)+1
	for _, k := range known {
		d := distance(key, k)
		// lever_arm or lever_arm_cm for lever_arm_m.
		if stem := k[:max(0, strings.LastIndexByte(k, '_'))]; len(stem) > 3 && strings.HasPrefix(key, stem) {
			d = min(d, 2)
		}
		if d < least {
			best, least = k, d
		}
	}
	return best
}

// distance returns the number of letters to insert, remove or replace to make b of a.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
