package simulator

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"rollcall/services/fleet"
)

// WriteOptions says which part of a scenario to write.
type WriteOptions struct {
	// Cell is the cell whose files are written, straight into the folder;
	// empty: every cell, each into a folder of its own named after it.
	Cell fleet.CellID
	// FromWeek and ToWeek are the first and last week; 0: the scenario's own.
	FromWeek, ToWeek int
	// Sync makes every file durable before it gets its name. Off, a power cut
	// may leave empty files; a scenario can be written again.
	Sync bool
}

// Summary says what was written.
type Summary struct {
	Files  int
	Values int64 // numbers in cells, without the time column
	Bytes  int64
}

// Write writes the files of a scenario, cell by cell and week by week, in the
// order they would have come. A file appears under its name only when it is
// whole (written under a temporary name ending .part, then renamed). progress,
// when not nil, is told after each file how many of how many are done.
func (s Scenario) Write(dir string, o WriteOptions, progress func(done, total int)) (Summary, error) {
	var sum Summary
	if s.world == nil {
		return sum, errors.New("write scenario: it was not made by Load or Parse")
	}
	from, to := max(o.FromWeek, 1), o.ToWeek
	if to == 0 {
		to = s.Weeks
	}
	if to < from || to > s.Weeks {
		return sum, fmt.Errorf("write scenario: weeks %d to %d are not within 1 to %d", from, to, s.Weeks)
	}
	cells := s.Cells
	if o.Cell != "" {
		i, ok := s.world.cells[o.Cell]
		if !ok {
			return sum, fmt.Errorf("write scenario: it has no cell %q", o.Cell)
		}
		cells = s.Cells[i : i+1]
	}
	total := 0
	for _, c := range cells {
		for week := from; week <= to; week++ {
			total += len(s.items(c, week))
		}
	}
	w := writer{scenario: &s}
	for week := from; week <= to; week++ {
		for _, c := range cells {
			folder := dir
			if o.Cell == "" {
				folder = filepath.Join(dir, string(c.ID))
			}
			if err := os.MkdirAll(folder, 0o755); err != nil {
				return sum, fmt.Errorf("make folder: %w", err)
			}
			for _, it := range s.items(c, week) {
				values := w.write(c, it)
				if err := place(filepath.Join(folder, it.name), w.text, o.Sync); err != nil {
					return sum, err
				}
				sum.Files++
				sum.Values += int64(values)
				sum.Bytes += int64(len(w.text))
				if progress != nil {
					progress(sum.Files, total)
				}
			}
		}
	}
	return sum, nil
}

// place writes a file under a temporary name and renames it.
func place(path string, text []byte, sync bool) error {
	part := path + ".part"
	f, err := os.Create(part)
	if err != nil {
		return fmt.Errorf("write file: %w", err)
	}
	_, err = f.Write(text)
	if err == nil && sync {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(part, path)
	}
	if err != nil {
		os.Remove(part)
		return fmt.Errorf("write file: %w", err)
	}
	return nil
}

// itemKind says what a file is of.
type itemKind uint8

const (
	itemPull itemKind = iota
	itemCustomer
	itemEmpty
	itemZero
	itemDeadWeight
	itemTurning
	itemInertia
)

// item is one file to be written.
type item struct {
	name    string // of the file
	kind    itemKind
	week    int
	at      time.Time
	label   string
	session string
	car     fleet.CarID
	number  int     // of the pull within its session
	ramp    float64 // rpm/s
	left    bool    // the check is as left
	found   bool    // the check comes before the adjustment of its week
}

// items lists what is done in a cell in a week, in order of time: a
// recalibration if there is one, the zero check, dead weights when due, the
// zero with rollers turning and the base inertia in their week, the empty-roller
// coast-down, the reference pulls, and customers' pulls on the days after.
func (s *Scenario) items(c Cell, week int) []item {
	i := s.world.cells[c.ID]
	at := s.world.start.AddDate(0, 0, 7*(week-1)+i%5).Add(8*time.Hour + time.Duration(i/5)*2*time.Hour)
	var items []item
	add := func(minutes int, it item) {
		it.week = week
		it.at = at.Add(time.Duration(minutes) * time.Minute)
		what := [...]string{"pull", "pull", "empty", "zero", "weights", "turning", "inertia"}[it.kind]
		it.name = fmt.Sprintf("%s_%s_%s.csv", it.at.Format("20060102T150405"), what, it.label)
		items = append(items, it)
	}
	label := func(format string, args ...any) string {
		return fmt.Sprintf("w%02d-", week) + fmt.Sprintf(format, args...)
	}
	for _, r := range s.Recalibrations {
		if r.Cell == c.ID && r.Week == week {
			add(0, item{kind: itemDeadWeight, label: label("as-found"), found: true})
			add(25, item{kind: itemDeadWeight, label: label("as-left"), left: true})
		}
	}
	add(45, item{kind: itemZero, label: label("zero")})
	if week >= c.DeadWeightsFirst && (week-c.DeadWeightsFirst)%s.Plan.DeadWeightsEvery == 0 {
		add(50, item{kind: itemDeadWeight, label: label("weights")})
	}
	if week == c.InertiaWeek {
		add(62, item{kind: itemTurning, label: label("turning")})
		add(65, item{kind: itemInertia, label: label("inertia"), left: true})
	}
	add(75, item{kind: itemEmpty, label: label("empty")})
	id := c.carOf(week)
	car := s.Cars[s.world.cars[id]]
	n := 0
	for j, ramp := range car.RampRates {
		for k := range s.Plan.PullsEach {
			add(85+6*n, item{
				kind: itemPull, car: id, number: n, ramp: ramp,
				label: label("%s-ramp%d-%d", id, j+1, k+1), session: fmt.Sprintf("week %02d %s", week, id),
			})
			n++
		}
	}
	r := s.random("customers", string(c.ID), strconv.Itoa(week))
	pulls := poisson(s.Plan.CustomerPulls/float64(len(s.Cells)), r)
	for k := range min(pulls, 12) {
		// After the session, on the day after and later, within the week.
		day := 1 + r.IntN(2)
		add((24*day+k%6)*60+r.IntN(50), item{kind: itemCustomer, label: label("customer-%d", k+1), number: k})
	}
	return items
}

// poisson draws a count with a mean (Knuth's multiplication method).
func poisson(mean float64, r *rand.Rand) int {
	limit, p := math.Exp(-mean), 1.0
	for n := 0; ; n++ {
		p *= r.Float64()
		if p <= limit {
			return n
		}
	}
}

// writer holds the text of the file being written; it is reused.
type writer struct {
	scenario *Scenario
	text     []byte
}

// write makes the text of an item and returns how many values it has.
func (w *writer) write(c Cell, it item) int {
	w.text = w.text[:0]
	switch it.kind {
	case itemZero, itemDeadWeight, itemTurning, itemInertia:
		return w.check(c, it)
	}
	return w.record(c, it)
}

// key writes a line of the preamble.
func (w *writer) key(key, value string) {
	w.text = append(w.text, key...)
	w.text = append(w.text, ": "...)
	w.text = append(w.text, value...)
	w.text = append(w.text, '\n')
}

// number writes a line of the preamble with a number of so many decimals.
func (w *writer) number(key string, x float64, decimals int) {
	w.key(key, strconv.FormatFloat(x, 'f', decimals, 64))
}

func (w *writer) head(record string, c Cell, it item) {
	w.key("Logger", w.scenario.Chain+" bench recorder")
	w.key("Record", record)
	w.key("Cell", string(c.ID))
	w.key("Started", it.at.Format("2006-01-02 15:04:05.000"))
	w.key("Label", it.label)
}

// pullOf returns the true cell with the car of an item on it, and the ramp
// rate in rad/s².
func (s *Scenario) pullOf(c Cell, it item, random *rand.Rand) (rig, *Customer, float64) {
	g := s.rig(c, it.week, it.at)
	week := strconv.Itoa(it.week)
	if it.kind == itemCustomer {
		j := random.IntN(len(s.Customers))
		g.car, g.torque = &s.Customers[j].Vehicle, s.world.kinds[j]
		g.scale = 1 + 0.06*(2*random.Float64()-1)
		g.force = 1 + s.SessionSD*random.NormFloat64() + s.PullSD*random.NormFloat64()
		g.intake = g.air.temperature + 3 + random.NormFloat64()
		return g, &s.Customers[j], s.Customers[j].RampRate * math.Pi / 30
	}
	j := s.world.cars[it.car]
	g.car, g.torque = &s.Cars[j].Vehicle, s.world.curves[it.car]
	session := s.random("session", string(c.ID), week, string(it.car))
	g.force = (1 + s.carForce(it.car, it.week)) * (1 + s.SessionSD*session.NormFloat64() + s.PullSD*random.NormFloat64())
	g.intake = g.air.temperature + 3 + 0.5*session.NormFloat64() + 0.3*float64(it.number)
	return g, nil, it.ramp * math.Pi / 30
}

// record writes a pull or an empty-roller coast-down.
func (w *writer) record(c Cell, it item) int {
	s := w.scenario
	random := s.random("item", string(c.ID), strconv.Itoa(it.week), it.label)
	t := s.truth(c, it.week)
	var g rig
	var ramp float64
	if it.kind == itemEmpty {
		w.head("empty-roller coast-down", c, it)
		g = s.rig(c, it.week, it.at)
		w.text = append(w.text, "\nTime,Roller speed,Load cell,Air pressure,Air temperature,Humidity\ns,km/h,N,hPa,°C,%\n"...)
	} else {
		w.head("pull", c, it)
		var customer *Customer
		g, customer, ramp = s.pullOf(c, it, random)
		if customer == nil {
			w.key("Reference car", string(it.car))
			w.key("Session", it.session)
			w.number("Ramp rate rpm/s", it.ramp, 1)
		} else {
			w.key("Customer car", customer.Name)
			w.number("Ramp rate rpm/s", customer.RampRate, 1)
			w.number("Rotating mass kg", customer.RotatingMass, 2)
			w.number("Coasting mass kg", customer.CoastingMass, 2)
		}
		w.text = append(w.text, "\nTime,Roller speed,Load cell,Engine speed,Pedal,Air pressure,Air temperature,Humidity,Intake air\ns,km/h,N,rpm,%,hPa,°C,%,°C\n"...)
	}

	full := it.kind != itemEmpty
	forceDigit, forceDecimals, _ := step(c.ForceResolution)
	speedDigit, speedDecimals, _ := step(c.SpeedResolution)
	engineDigit, engineDecimals, _ := step(c.EngineResolution)
	clock := newClock(s.SampleRate)
	every := 1
	if s.WeatherRate > 0 {
		every = max(int(math.Round(s.SampleRate/s.WeatherRate)), 1)
	}
	toLoadCell := g.radius / (g.arm * g.ratio)
	values, i := 0, 0
	emit := func(p *sample) {
		// The encoder sits on the roller; its pulses are taken for a roller of
		// the registry's radius.
		speed := p.v / (1 + t.RollerRadius) * 3.6
		force := (1+t.Gain)*p.brake*toLoadCell + t.Zero + c.Ripple*math.Sin(p.angle) + c.Noise*random.NormFloat64()
		b := w.text
		b = clock.append(b, i)
		b = append(b, ',')
		b = appendStep(b, speed, speedDigit, speedDecimals)
		b = append(b, ',')
		b = appendStep(b, force, forceDigit, forceDecimals)
		values += 2
		if full {
			b = append(b, ',')
			b = appendStep(b, p.speed*30/math.Pi, engineDigit, engineDecimals)
			b = append(b, ',')
			b = appendStep(b, p.pedal*100, 1, 1)
			values += 2
		}
		if i%every == 0 {
			b = append(b, ',')
			b = appendStep(b, (g.air.pressure+t.Pressure+3*random.NormFloat64())/100, 1, 1)
			b = append(b, ',')
			b = appendStep(b, g.air.temperature+t.Temperature-273.15+0.03*random.NormFloat64(), 1, 2)
			b = append(b, ',')
			b = appendStep(b, (g.air.humidity+t.Humidity)*100+0.1*random.NormFloat64(), 1, 1)
			values += 3
			if full {
				b = append(b, ',')
				b = appendStep(b, p.intake-273.15+0.03*random.NormFloat64(), 1, 2)
				values++
			}
		} else if full {
			b = append(b, ",,,,"...)
		} else {
			b = append(b, ",,,"...)
		}
		w.text = append(b, '\n')
		i++
	}
	if full {
		g.pull(ramp, s.FloorSpeed, s.SampleRate, random, emit)
	} else {
		g.empty(s.EmptyTopSpeed, s.FloorSpeed, s.SampleRate, random, emit)
	}
	return values
}

// check writes a zero check or a check with dead weights. The force at the
// load cell of masses m on the calibration arm is
//
//	x = m·g·(1 − ρ_air/ρ_mass)·L_cal/L
//
// with ρ_air = 1.2 kg/m³; the readings of a falling load are higher by the
// hysteresis, most at mid range.
func (w *writer) check(c Cell, it item) int {
	s := w.scenario
	random := s.random("item", string(c.ID), strconv.Itoa(it.week), it.label)
	t := s.truth(c, it.week)
	if it.found {
		t = s.truthSince(c, it.week, s.recalibrationBefore(c.ID, it.week-1))
	}
	air := s.world.air(c.Site, it.at)
	g := s.Sites[s.world.sites[c.Site]].gravity()
	arm := c.LeverArm * (1 + t.LeverArm)
	w.head("calibration check", c, it)
	w.key("Check", map[itemKind]string{itemZero: "zero", itemDeadWeight: "dead weight", itemTurning: "zero turning", itemInertia: "base inertia"}[it.kind])
	w.key("State", map[bool]string{false: "as found", true: "as left"}[it.left])
	w.key("Performed by", "bench "+string(c.Site))
	w.number("Air pressure hPa", (air.pressure+t.Pressure)/100, 1)
	w.number("Air temperature °C", air.temperature+t.Temperature-273.15, 1)
	w.number("Humidity %", (air.humidity+t.Humidity)*100, 1)
	if it.kind == itemInertia {
		return w.runs(s.rig(c, it.week, it.at), c, t, random)
	}
	digit, decimals, _ := step(c.ForceResolution)
	if it.kind == itemTurning {
		// The brake's own windage is not simulated: what is seen is the zero.
		w.text = append(w.text, "\nCycle,Direction,Reading,Roller speed\n,,N,km/h\n"...)
		for _, speed := range []int64{30, 60, 90, 120} {
			for range 3 {
				w.text = append(appendStep(append(w.text, "1,rising,"...), t.Zero+0.1*c.Noise*random.NormFloat64(), digit, decimals), ',')
				w.text = append(strconv.AppendInt(w.text, speed, 10), '\n')
			}
		}
		return 24
	}
	w.text = append(w.text, "\nCycle,Direction,Masses,Reading\n,,,N\n"...)
	// Readings are means over some seconds: a tenth of the sample noise.
	values := 0
	read := func(cycle int, direction string, on int, force, extra float64) {
		ids := make([]string, on)
		for j := range ids {
			ids[j] = string(s.Masses[j].ID)
		}
		reading := t.Zero + (1+t.Gain)*force + extra + 0.1*c.Noise*random.NormFloat64()
		w.text = strconv.AppendInt(w.text, int64(cycle), 10)
		w.text = append(w.text, ',')
		w.text = append(w.text, direction...)
		w.text = append(w.text, ',')
		w.text = append(w.text, strings.Join(ids, "+")...)
		w.text = append(w.text, ',')
		w.text = append(appendStep(w.text, reading, digit, decimals), '\n')
		values++
	}
	if it.kind == itemZero {
		for cycle := 1; cycle <= 5; cycle++ {
			read(cycle, "rising", 0, 0, 0)
		}
		return values
	}
	force := make([]float64, len(s.Masses)+1)
	for j, m := range s.Masses {
		force[j+1] = force[j] + s.world.masses[j]*g*(1-1.2/m.Density)*c.CalibrationArm/arm
	}
	top := force[len(force)-1]
	for cycle := 1; cycle <= s.Plan.DeadWeightCycles; cycle++ {
		for on := range force {
			read(cycle, "rising", on, force[on], 0)
		}
		for on := len(force) - 2; on >= 0; on-- {
			x := force[on] / top
			read(cycle, "falling", on, force[on], 4*c.Hysteresis*x*(1-x))
		}
	}
	return values
}

// runs writes the timed runs of a base-inertia check: pairs over the same speeds
// under two forces. A run of the true mass M under the true force F takes
//
//	t = ∫ M/(F + F_loss(v)) dv
//
// F is what the brake holds while the indicator shows the force that was set.
func (w *writer) runs(g rig, c Cell, t Truth, random *rand.Rand) int {
	const pairs, low, high, steps = 6, 5, 25, 400 // m/s
	w.text = append(w.text, "\nCycle,Set force,From speed,To speed,Duration\n,N,km/h,km/h,s\n"...)
	for range pairs {
		for _, set := range []float64{300, 1500} {
			held := (set*c.RollerRadius/(c.LeverArm*c.BrakeRatio) - t.Zero) / (1 + t.Gain) * g.arm * g.ratio / g.radius
			took, dv := 0.0, float64(high-low)/steps
			for k := range steps {
				took += g.base * dv / (held + g.loss(high-(float64(k)+0.5)*dv))
			}
			took += 0.001 * random.NormFloat64()
			w.text = append(w.text, fmt.Sprintf("1,%g,%g,%g,%.3f\n", set, high*3.6, low*3.6, took)...)
		}
	}
	return 4 * 2 * pairs
}

// clock writes sample times i/rate with as many decimals as they need, at most
// seven.
type clock struct {
	rate     float64
	decimals int
	counts   int64 // per step when the step is a whole number of counts, else 0
}

func newClock(rate float64) clock {
	for d := 2; d <= 7; d++ {
		n := math.Pow10(d) / rate
		if n == math.Trunc(n) {
			return clock{rate, d, int64(n)}
		}
	}
	return clock{rate, 7, 0}
}

func (c clock) append(b []byte, i int) []byte {
	n := c.counts * int64(i)
	if c.counts == 0 {
		n = int64(math.Round(float64(i) / c.rate * math.Pow10(c.decimals)))
	}
	return appendDecimal(b, n, c.decimals)
}

var powers = [...]float64{1, 10, 100, 1e3, 1e4, 1e5, 1e6, 1e7}

// appendStep appends x rounded to the nearest digit·10^−decimals.
func appendStep(b []byte, x float64, digit int64, decimals int) []byte {
	n := int64(math.RoundToEven(x * powers[decimals] / float64(digit)))
	return appendDecimal(b, n*digit, decimals)
}

// appendDecimal appends n·10^−decimals.
func appendDecimal(b []byte, n int64, decimals int) []byte {
	if n < 0 {
		b = append(b, '-')
		n = -n
	}
	var digits [24]byte
	i := len(digits)
	for d := 0; n > 0 || d <= decimals; d++ {
		if d == decimals && decimals > 0 {
			i--
			digits[i] = '.'
		}
		i--
		digits[i] = byte('0' + n%10)
		n /= 10
	}
	return append(b, digits[i:]...)
}
