package simulator

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"rollcall/services/fleet"
)

// Scenario is a chain of cells, what is done in them week by week, and what
// goes wrong. The keys of the YAML file are the tags below; unknown keys are
// errors. Weeks count from 1.
type Scenario struct {
	// Chain is the chain's name, written into every file.
	Chain string `yaml:"chain"`
	// Seed makes every random number; the same seed gives the same bytes.
	Seed uint64 `yaml:"seed"`
	// Start is the first day of week 1, as 2027-01-04.
	Start string `yaml:"start"`
	// Weeks is how many weeks there are.
	Weeks int `yaml:"weeks"`
	// SampleRate is that of the fast channels, Hz; 10 to 1000.
	SampleRate float64 `yaml:"sample_rate_hz"`
	// WeatherRate is that of pressure, temperatures and humidity, Hz; their
	// cells are blank in the rows between. 0: as SampleRate.
	WeatherRate float64 `yaml:"weather_rate_hz"`
	// SessionSD is the standard deviation of a session's common error of the
	// tractive force, ratio.
	SessionSD float64 `yaml:"session_sd"`
	// PullSD is the same of one pull within its session.
	PullSD float64 `yaml:"pull_sd"`
	// FloorSpeed is where a coast-down ends, m/s.
	FloorSpeed float64 `yaml:"floor_speed_mps"`
	// EmptyTopSpeed is where an empty-roller coast-down begins, m/s.
	EmptyTopSpeed float64 `yaml:"empty_top_speed_mps"`

	Sites     []Site     `yaml:"sites"`
	Masses    []Mass     `yaml:"masses"`
	Cars      []Car      `yaml:"cars"`
	Customers []Customer `yaml:"customers"`
	Cells     []Cell     `yaml:"cells"`
	Plan      Plan       `yaml:"plan"`
	// Faults are what goes wrong, and when.
	Faults []Fault `yaml:"faults"`
	// Recalibrations are the load-cell adjustments made.
	Recalibrations []Recalibration `yaml:"recalibrations"`

	world *world
}

// Site is a place with its climate inside the cells.
type Site struct {
	ID        fleet.SiteID `yaml:"id"`
	Name      string       `yaml:"name"`
	Latitude  float64      `yaml:"latitude_deg"`
	Height    float64      `yaml:"height_m"`
	Longitude float64      `yaml:"longitude_deg"` // sets the hour of the day's warmth only

	// SeaPressure is the mean pressure reduced to sea level, Pa, PressureSD
	// the standard deviation of the weather around it.
	SeaPressure float64 `yaml:"sea_pressure_pa"`
	PressureSD  float64 `yaml:"pressure_sd_pa"`
	// Temperature is the mean air temperature in the cells, K, with its half
	// swing over the year and the day and the weather's standard deviation.
	Temperature   float64 `yaml:"temperature_k"`
	SeasonSwing   float64 `yaml:"season_swing_k"`
	DaySwing      float64 `yaml:"day_swing_k"`
	TemperatureSD float64 `yaml:"temperature_sd_k"`
	// Humidity is the mean relative humidity, 0 to 1, and its standard deviation.
	Humidity   float64 `yaml:"humidity"`
	HumiditySD float64 `yaml:"humidity_sd"`
}

// Mass is a check mass. The true mass is that of the certificate plus an error
// drawn within its uncertainty.
type Mass struct {
	ID      fleet.MassID `yaml:"id"`
	Mass    float64      `yaml:"mass_kg"`
	U       float64      `yaml:"expanded_uncertainty_kg"` // expanded, k = 2
	Density float64      `yaml:"density_kg_per_m3"`
}

// Loss is a loss force f0 + f1·v + f2·v², N with v in m/s.
type Loss struct {
	F0 float64 `yaml:"f0_n"`
	F1 float64 `yaml:"f1_n_s_per_m"`
	F2 float64 `yaml:"f2_n_s2_per_m2"`
}

func (l Loss) fleet() fleet.Loss { return fleet.Loss{F0: l.F0, F1: l.F1, F2: l.F2} }

// Vehicle is what a reference car and a customer's car have in common.
type Vehicle struct {
	// Torque is the full-load curve at the crankshaft in standard air (99 kPa
	// dry, 298 K): points rising in engine speed.
	Torque []TorquePoint `yaml:"torque"`
	// GearRatio is engine revolutions per wheel revolution in the pull's gear.
	GearRatio    float64 `yaml:"gear_ratio"`
	TyreRadius   float64 `yaml:"tyre_radius_m"`
	RotatingMass float64 `yaml:"rotating_mass_kg"`
	CoastingMass float64 `yaml:"coasting_mass_kg"`
	Driveline    Loss    `yaml:"driveline"`
	// Slip is how much faster the tyre turns than the roller, ratio per N of
	// tractive force.
	Slip     float64 `yaml:"slip_per_n"`
	BandLow  float64 `yaml:"band_low_rpm"`
	BandHigh float64 `yaml:"band_high_rpm"`
}

// TorquePoint is a point of a torque curve.
type TorquePoint struct {
	Speed  float64 `yaml:"rpm"`
	Torque float64 `yaml:"nm"`
}

// Car is a reference car.
type Car struct {
	ID      fleet.CarID `yaml:"id"`
	Name    string      `yaml:"name"`
	Vehicle `yaml:",inline"`
	// RampRates are the sweeps asked for, rpm/s, slow first.
	RampRates []float64 `yaml:"ramp_rates_rpm_per_s"`
}

// Customer is a kind of customer's car; each customer pull draws one and
// scatters its torque by ± 6 %.
type Customer struct {
	Name     string `yaml:"name"`
	Vehicle  `yaml:",inline"`
	RampRate float64 `yaml:"ramp_rate_rpm_per_s"`
}

// Cell is a cell: what the registry believes of it, and what is true.
type Cell struct {
	ID   fleet.CellID `yaml:"id"`
	Site fleet.SiteID `yaml:"site"`
	Name string       `yaml:"name"`

	// The registry's values.
	RollerRadius   float64 `yaml:"roller_radius_m"`
	LeverArm       float64 `yaml:"lever_arm_m"`
	BrakeRatio     float64 `yaml:"brake_ratio"`
	BaseInertia    float64 `yaml:"base_inertia_kg"`
	Parasitic      Loss    `yaml:"parasitic"`
	BrakeLimit     float64 `yaml:"brake_limit_n"`
	LoadCellRange  float64 `yaml:"load_cell_range_n"`
	CalibrationArm float64 `yaml:"calibration_arm_m"`

	// True is how the truth differs from the above, from the first day on.
	True TrueErrors `yaml:"truth"`

	// Noise is the load cell's, N standard deviation at the lever arm.
	Noise float64 `yaml:"load_cell_noise_n"`
	// Ripple is the amplitude once per roller revolution, N at the lever arm.
	Ripple float64 `yaml:"ripple_n"`
	// Hysteresis is how much more a falling load reads at mid range, N.
	Hysteresis float64 `yaml:"hysteresis_n"`
	// ForceResolution is the indicator's step, N; SpeedResolution the roller
	// speed's, km/h; EngineResolution the engine speed's, rpm. Powers of ten
	// times 1, 2 or 5.
	ForceResolution  float64 `yaml:"force_resolution_n"`
	SpeedResolution  float64 `yaml:"speed_resolution_km_per_h"`
	EngineResolution float64 `yaml:"engine_resolution_rpm"`

	// Cars are the reference cars that come, in turn, each for CarWeeks.
	Cars []fleet.CarID `yaml:"cars"`
	// CarWeeks is how long a car stays, weeks; 0 means 1.
	CarWeeks int `yaml:"car_weeks"`
	// DeadWeightsFirst is the first week with dead weights.
	DeadWeightsFirst int `yaml:"dead_weights_first_week"`
	// InertiaWeek is the week in which the zero is checked with the rollers
	// turning and the base inertia is measured; 0: never.
	InertiaWeek int `yaml:"base_inertia_week"`
}

// TrueErrors is how a cell's true values differ from the registry's.
type TrueErrors struct {
	RollerRadius float64 `yaml:"roller_radius_ratio"` // true radius = (1 + this) · registry's
	LeverArm     float64 `yaml:"lever_arm_ratio"`
	BaseInertia  float64 `yaml:"base_inertia_ratio"`
	Parasitic    float64 `yaml:"parasitic_ratio"`
	Gain         float64 `yaml:"gain_ratio"` // the reading is zero + (1 + gain)·force
	Zero         float64 `yaml:"zero_n"`
	Pressure     float64 `yaml:"pressure_pa"`
	Temperature  float64 `yaml:"temperature_k"`
	Humidity     float64 `yaml:"humidity"`
}

// Plan is what is done every week in every cell.
type Plan struct {
	// DeadWeightsEvery is the number of weeks between dead-weight checks.
	DeadWeightsEvery int `yaml:"dead_weights_every_weeks"`
	// DeadWeightCycles is how often the load rises and falls in one check.
	DeadWeightCycles int `yaml:"dead_weight_cycles"`
	// PullsEach is the number of reference pulls at each of the car's ramp rates.
	PullsEach int `yaml:"pulls_each_ramp_rate"`
	// CustomerPulls is the mean number of customer pulls a week over the chain.
	CustomerPulls float64 `yaml:"customer_pulls_per_week"`
}

// Fault is something that goes wrong with a cell or a reference car: from
// FromWeek on its size is Step + PerWeek·(week − FromWeek).
type Fault struct {
	// Cell or Car says whose fault it is; exactly one.
	Cell fleet.CellID `yaml:"cell"`
	Car  fleet.CarID  `yaml:"car"`
	// Kind is gain (ratio), zero (N at the lever arm), drag (N of extra loss
	// at the roller surface), inertia (kg by which the registry value is too high),
	// pressure (Pa the barometer reads high), or, of a car, force (ratio of
	// tractive force).
	Kind     string  `yaml:"kind"`
	FromWeek int     `yaml:"from_week"`
	Step     float64 `yaml:"step"`
	PerWeek  float64 `yaml:"per_week"`
}

// The kinds of fault.
const (
	faultGain     = "gain"
	faultZero     = "zero"
	faultDrag     = "drag"
	faultInertia  = "inertia"
	faultPressure = "pressure"
	faultForce    = "force"
)

// Recalibration is an adjustment of a cell's load cell at the start of a
// week's session: a check as found, the adjustment, a check as left. From then
// on gain and zero are those left, and the cell's earlier gain and zero faults
// are over.
type Recalibration struct {
	Cell fleet.CellID `yaml:"cell"`
	Week int          `yaml:"week"`
	// Gain and Zero are what the adjustment leaves, ratio and N.
	Gain float64 `yaml:"left_gain_ratio"`
	Zero float64 `yaml:"left_zero_n"`
}

// Load reads a scenario file. The error names file, line, what is wrong and
// how to mend it, all problems at once.
func Load(path string) (Scenario, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return Scenario{}, fmt.Errorf("read scenario: %w", err)
	}
	return Parse(path, text)
}

// Parse is Load of a text; name stands for the file in messages.
func Parse(name string, text []byte) (Scenario, error) {
	var s Scenario
	d := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict())
	if err := d.Decode(&s); err != nil {
		return Scenario{}, fmt.Errorf("read scenario %s: %s", name, yaml.FormatError(err, false, true))
	}
	file, err := parser.ParseBytes(text, 0)
	if err != nil {
		return Scenario{}, fmt.Errorf("read scenario %s: %w", name, err)
	}
	if len(file.Docs) != 1 {
		return Scenario{}, fmt.Errorf("read scenario %s: it holds %d YAML documents; a scenario is one", name, len(file.Docs))
	}
	c := checker{name: name, file: file}
	s.check(&c)
	if n := len(c.problems); n > 0 {
		if n > maxProblems {
			c.problems = append(c.problems[:maxProblems], fmt.Errorf("and %d more", n-maxProblems))
		}
		return Scenario{}, fmt.Errorf("read scenario: %w", errors.Join(c.problems...))
	}
	if err := s.prepare(); err != nil {
		return Scenario{}, fmt.Errorf("read scenario %s: %w", name, err)
	}
	return s, nil
}

// maxProblems is how many problems of one file are told.
const maxProblems = 20

// checker collects problems with the line of the key they are about.
type checker struct {
	name     string
	file     *ast.File
	problems []error
}

// add notes a problem at a YAML path such as "$.cells[2].lever_arm_m"; when
// the key is not in the file its nearest parent's line is told.
func (c *checker) add(path, format string, args ...any) {
	what := fmt.Sprintf(format, args...)
	for p := path; p != "" && p != "$"; p = p[:strings.LastIndexAny(p, ".[")] {
		if y, err := yaml.PathString(p); err == nil {
			if n, err := y.FilterFile(c.file); err == nil && n != nil {
				c.problems = append(c.problems, fmt.Errorf("%s:%d: %s: %s", c.name, n.GetToken().Position.Line, path[2:], what))
				return
			}
		}
	}
	c.problems = append(c.problems, fmt.Errorf("%s: %s: %s", c.name, path[2:], what))
}

// within notes a problem unless low ≤ x ≤ high.
func (c *checker) within(path string, x, low, high float64) {
	if !(x >= low && x <= high) {
		c.add(path, "%g is not possible; give a value from %g to %g", x, low, high)
	}
}

var idPattern = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// id notes a problem with an id's form or its second use.
func (c *checker) id(path, id string, seen map[string]bool) {
	if !idPattern.MatchString(id) {
		c.add(path, "%q is no id; use a to z, 0 to 9 and hyphens", id)
	}
	if seen[id] {
		c.add(path, "%q is used twice; ids are unique", id)
	}
	seen[id] = true
}

// check notes everything wrong with the scenario's values. The bounds are
// wide: they catch slips of unit and decimal point.
func (s *Scenario) check(c *checker) {
	if s.Chain == "" || strings.ContainsAny(s.Chain, "\n\r") {
		c.add("$.chain", "give the chain's name on one line")
	}
	if _, err := time.Parse(time.DateOnly, s.Start); err != nil {
		c.add("$.start", "%q is no date; write it as 2027-01-04", s.Start)
	}
	c.within("$.weeks", float64(s.Weeks), 1, 520)
	c.within("$.sample_rate_hz", s.SampleRate, 10, 1000)
	if s.WeatherRate != 0 {
		c.within("$.weather_rate_hz", s.WeatherRate, 0.05, s.SampleRate)
	}
	c.within("$.session_sd", s.SessionSD, 0, 0.1)
	c.within("$.pull_sd", s.PullSD, 0, 0.1)
	c.within("$.floor_speed_mps", s.FloorSpeed, 1, 40)
	c.within("$.empty_top_speed_mps", s.EmptyTopSpeed, s.FloorSpeed+5, 90)

	seen := map[string]bool{}
	for i, site := range s.Sites {
		p := fmt.Sprintf("$.sites[%d]", i)
		c.id(p+".id", string(site.ID), seen)
		c.within(p+".latitude_deg", site.Latitude, -90, 90)
		c.within(p+".longitude_deg", site.Longitude, -180, 180)
		c.within(p+".height_m", site.Height, -430, 5000)
		c.within(p+".sea_pressure_pa", site.SeaPressure, 95000, 106000)
		c.within(p+".pressure_sd_pa", site.PressureSD, 0, 3000)
		c.within(p+".temperature_k", site.Temperature, 263, 318)
		c.within(p+".season_swing_k", site.SeasonSwing, 0, 20)
		c.within(p+".day_swing_k", site.DaySwing, 0, 15)
		c.within(p+".temperature_sd_k", site.TemperatureSD, 0, 8)
		c.within(p+".humidity", site.Humidity, 0.05, 0.95)
		c.within(p+".humidity_sd", site.HumiditySD, 0, 0.3)
	}
	sites := seen

	seen = map[string]bool{}
	for i, m := range s.Masses {
		p := fmt.Sprintf("$.masses[%d]", i)
		c.id(p+".id", string(m.ID), seen)
		c.within(p+".mass_kg", m.Mass, 0.1, 500)
		c.within(p+".expanded_uncertainty_kg", m.U, 0, m.Mass*0.01)
		c.within(p+".density_kg_per_m3", m.Density, 1000, 22000)
	}

	cars := map[string]bool{}
	for i, car := range s.Cars {
		p := fmt.Sprintf("$.cars[%d]", i)
		c.id(p+".id", string(car.ID), cars)
		car.Vehicle.check(c, p)
		if len(car.RampRates) == 0 {
			c.add(p+".ramp_rates_rpm_per_s", "give at least one ramp rate")
		}
		for j, a := range car.RampRates {
			c.within(fmt.Sprintf("%s.ramp_rates_rpm_per_s[%d]", p, j), a, 20, 3000)
		}
	}
	for i, car := range s.Customers {
		p := fmt.Sprintf("$.customers[%d]", i)
		if car.Name == "" || strings.ContainsAny(car.Name, "\n\r") {
			c.add(p+".name", "give a name on one line")
		}
		car.Vehicle.check(c, p)
		c.within(p+".ramp_rate_rpm_per_s", car.RampRate, 20, 3000)
	}

	cells := map[string]bool{}
	for i, cell := range s.Cells {
		p := fmt.Sprintf("$.cells[%d]", i)
		c.id(p+".id", string(cell.ID), cells)
		if !sites[string(cell.Site)] {
			c.add(p+".site", "there is no site %q; add it under sites or mend the id", cell.Site)
		}
		c.within(p+".roller_radius_m", cell.RollerRadius, 0.05, 3)
		c.within(p+".lever_arm_m", cell.LeverArm, 0.05, 3)
		c.within(p+".brake_ratio", cell.BrakeRatio, 0.05, 20)
		c.within(p+".base_inertia_kg", cell.BaseInertia, 20, 10000)
		c.within(p+".brake_limit_n", cell.BrakeLimit, 100, 1e5)
		c.within(p+".load_cell_range_n", cell.LoadCellRange, 50, 1e5)
		c.within(p+".calibration_arm_m", cell.CalibrationArm, 0.05, 5)
		c.within(p+".parasitic.f0_n", cell.Parasitic.F0, 1, 2000)
		c.within(p+".parasitic.f1_n_s_per_m", cell.Parasitic.F1, 0, 100)
		c.within(p+".parasitic.f2_n_s2_per_m2", cell.Parasitic.F2, 0, 5)
		for key, x := range map[string]float64{"roller_radius_ratio": cell.True.RollerRadius, "lever_arm_ratio": cell.True.LeverArm,
			"base_inertia_ratio": cell.True.BaseInertia, "parasitic_ratio": cell.True.Parasitic, "gain_ratio": cell.True.Gain} {
			c.within(p+".truth."+key, x, -0.5, 0.5)
		}
		c.within(p+".truth.pressure_pa", cell.True.Pressure, -5000, 5000)
		c.within(p+".truth.temperature_k", cell.True.Temperature, -10, 10)
		c.within(p+".truth.humidity", cell.True.Humidity, -0.2, 0.2)
		c.within(p+".load_cell_noise_n", cell.Noise, 0, 100)
		c.within(p+".ripple_n", cell.Ripple, 0, 200)
		c.within(p+".hysteresis_n", cell.Hysteresis, -20, 20)
		for key, x := range map[string]float64{"force_resolution_n": cell.ForceResolution,
			"speed_resolution_km_per_h": cell.SpeedResolution, "engine_resolution_rpm": cell.EngineResolution} {
			if _, _, ok := step(x); !ok {
				c.add(p+"."+key, "%g is no step of a display; give 1, 2 or 5 times a power of ten from 1e-6 to 100", x)
			}
		}
		if len(cell.Cars) == 0 {
			c.add(p+".cars", "give the reference cars that come to this cell")
		}
		for j, id := range cell.Cars {
			if !cars[string(id)] {
				c.add(fmt.Sprintf("%s.cars[%d]", p, j), "there is no reference car %q; add it under cars or mend the id", id)
			}
		}
		c.within(p+".car_weeks", float64(cell.CarWeeks), 0, 520)
		c.within(p+".dead_weights_first_week", float64(cell.DeadWeightsFirst), 1, 520)
	}
	if len(s.Cells) == 0 {
		c.add("$.cells", "there is no cell")
	}
	c.within("$.plan.dead_weights_every_weeks", float64(s.Plan.DeadWeightsEvery), 1, 520)
	c.within("$.plan.dead_weight_cycles", float64(s.Plan.DeadWeightCycles), 1, 10)
	c.within("$.plan.pulls_each_ramp_rate", float64(s.Plan.PullsEach), 1, 20)
	c.within("$.plan.customer_pulls_per_week", s.Plan.CustomerPulls, 0, 1000)
	if s.Plan.CustomerPulls > 0 && len(s.Customers) == 0 {
		c.add("$.customers", "there are customer pulls in the plan but no customers; list at least one kind of car")
	}
	if len(s.Masses) == 0 {
		c.add("$.masses", "there is no check mass for the dead-weight checks")
	}

	kinds := []string{faultGain, faultZero, faultDrag, faultInertia, faultPressure}
	for i, f := range s.Faults {
		p := fmt.Sprintf("$.faults[%d]", i)
		switch {
		case (f.Cell == "") == (f.Car == ""):
			c.add(p, "a fault is of a cell or of a car; give exactly one")
		case f.Cell != "" && !cells[string(f.Cell)]:
			c.add(p+".cell", "there is no cell %q", f.Cell)
		case f.Car != "" && !cars[string(f.Car)]:
			c.add(p+".car", "there is no reference car %q", f.Car)
		case f.Car != "" && f.Kind != faultForce:
			c.add(p+".kind", "%q is no fault of a car; a car's is force", f.Kind)
		case f.Cell != "" && !slices.Contains(kinds, f.Kind):
			c.add(p+".kind", "%q is no fault of a cell; use one of %s", f.Kind, strings.Join(kinds, ", "))
		}
		c.within(p+".from_week", float64(f.FromWeek), 1, 520)
		if math.IsNaN(f.Step+f.PerWeek) || math.IsInf(f.Step+f.PerWeek, 0) {
			c.add(p, "step and per_week must be numbers")
		}
		if f.Step == 0 && f.PerWeek == 0 {
			c.add(p, "the fault has no size; give step, per_week or both")
		}
	}
	for i, r := range s.Recalibrations {
		p := fmt.Sprintf("$.recalibrations[%d]", i)
		if !cells[string(r.Cell)] {
			c.add(p+".cell", "there is no cell %q", r.Cell)
		}
		c.within(p+".week", float64(r.Week), 1, 520)
		c.within(p+".left_gain_ratio", r.Gain, -0.05, 0.05)
	}
}

func (v Vehicle) check(c *checker, p string) {
	c.within(p+".gear_ratio", v.GearRatio, 0.3, 60)
	c.within(p+".tyre_radius_m", v.TyreRadius, 0.15, 1)
	c.within(p+".rotating_mass_kg", v.RotatingMass, 1, 2000)
	c.within(p+".coasting_mass_kg", v.CoastingMass, 1, v.RotatingMass)
	c.within(p+".driveline.f0_n", v.Driveline.F0, 1, 2000)
	c.within(p+".driveline.f1_n_s_per_m", v.Driveline.F1, 0, 100)
	c.within(p+".driveline.f2_n_s2_per_m2", v.Driveline.F2, 0, 5)
	c.within(p+".slip_per_n", v.Slip, 0, 1e-4)
	c.within(p+".band_low_rpm", v.BandLow, 300, 20000)
	c.within(p+".band_high_rpm", v.BandHigh, v.BandLow+500, 25000)
	if len(v.Torque) < 2 {
		c.add(p+".torque", "a torque curve has at least two points")
		return
	}
	for i, t := range v.Torque {
		q := fmt.Sprintf("%s.torque[%d]", p, i)
		c.within(q+".nm", t.Torque, 1, 5000)
		if i > 0 && t.Speed <= v.Torque[i-1].Speed {
			c.add(q+".rpm", "%g rpm does not rise above %g rpm of the point before", t.Speed, v.Torque[i-1].Speed)
		}
	}
	if first, last := v.Torque[0].Speed, v.Torque[len(v.Torque)-1].Speed; first > v.BandLow*sweepFrom || last < v.BandHigh*sweepTo {
		c.add(p+".torque", "the curve goes from %g to %g rpm; the sweep needs %g to %g rpm", first, last, v.BandLow*sweepFrom, v.BandHigh*sweepTo)
	}
}

// step splits a display step into digit (1, 2 or 5) and decimals; ok is false
// when it is not of that form.
func step(x float64) (digit int64, decimals int, ok bool) {
	for decimals = -2; decimals <= 6; decimals++ {
		for _, digit = range []int64{1, 2, 5} {
			if math.Abs(x*math.Pow10(decimals)-float64(digit)) < 1e-9 {
				if decimals < 0 {
					return digit * int64(math.Pow10(-decimals)), 0, true
				}
				return digit, decimals, true
			}
		}
	}
	return 0, 0, false
}
