package csvfolder

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	// Zones of a mapping must be known on computers without a zone database.
	_ "time/tzdata"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"rollcall/services/compute/unit"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// Mapping says how the files of a folder are read. It is a YAML file; unknown
// keys are errors. testdata/mapping.sample.yaml shows every key.
type Mapping struct {
	// Format says how the text is laid out.
	Format Format `yaml:"format"`
	// Skip lists the names of files that are not (yet) records, as patterns
	// with * and ?, upper and lower case alike. Default: *.tmp, *.part, *~, .*
	Skip []string `yaml:"skip"`
	// Cell says where a file names its cell. When given, a file that names
	// another cell than the agent's is rejected.
	Cell *Take `yaml:"cell"`
	// StartedAt says where a record's start comes from: of a pull or
	// coast-down the time of its first sample, of a check when it was made.
	StartedAt *StartedAt `yaml:"started_at"`
	// Rules recognise records; the first that fits a file is taken.
	Rules []Rule `yaml:"rules"`
	// Samples says which columns of pulls and coast-downs are which channels.
	Samples *Samples `yaml:"samples"`
	// Readings says which columns of a calibration check are what.
	Readings *Readings `yaml:"readings"`
}

// Format is the layout of the text.
type Format struct {
	// Separator stands between fields: "," ";" "|" or "\t". Default ",".
	Separator string `yaml:"separator"`
	// DecimalMark is "." or ",". Default ".".
	DecimalMark string `yaml:"decimal_mark"`
	// Encoding is utf-8 (a byte order mark is allowed) or latin-1. Default utf-8.
	Encoding string `yaml:"encoding"`
	// Comment begins a comment line. In front of the header row a comment is
	// read like the rest of the preamble. Default: no comments.
	Comment string `yaml:"comment"`
	// KeyValue stands between key and value in the lines before the header
	// row. Default ":".
	KeyValue string `yaml:"key_value"`
	// HeaderRow says that there is a row of column names. It is found by
	// itself: the first line in which the time column (of a check the reading
	// column) is named. Without one, columns are given by index. Default true.
	HeaderRow *bool `yaml:"header_row"`
	// PreambleLines is how many lines come before the data when there is no
	// header row. Default 0.
	PreambleLines int `yaml:"preamble_lines"`
	// UnitRow says that a row of units follows the header row. Default false.
	UnitRow bool `yaml:"unit_row"`
	// Missing lists what else than a blank cell stands for "not measured".
	Missing []string `yaml:"missing"`
	// LastLineEnd is required or optional. Required: a last line without a
	// line end is torn, and the file is rejected. Optional is for loggers that
	// never write one; a number cut short at the very end is then not noticed.
	// Default required.
	LastLineEnd string `yaml:"last_line_end"`

	separator, mark byte
	headerRow       bool
}

// Take says where a text comes from: exactly one of group, header and value.
type Take struct {
	// Group is a named group of the rule's file_name.
	Group string `yaml:"group"`
	// Header is a key of the lines before the header row, upper and lower
	// case alike.
	Header string `yaml:"header"`
	// Value is the text itself.
	Value string `yaml:"value"`
	// Unit is a number's unit. Without it the text carries the unit after the
	// number: "200 rpm/s".
	Unit string `yaml:"unit"`
	// Map turns what the file says into what is meant.
	Map map[string]string `yaml:"map"`
	// Optional lets the text be absent. Default false: its absence rejects
	// the file.
	Optional bool `yaml:"optional"`

	unit unit.Unit
}

// StartedAt says where a time comes from.
type StartedAt struct {
	// From lists texts that are joined by one space, a date and a clock say.
	// None: the first sample's own date and clock (samples.time with a dated
	// format).
	From []Take `yaml:"from"`
	// Format is the form of the joined text, as "YYYY-MM-DD hh:mm:ss.f". Its
	// pieces: YYYY or YY year, MM month, MON month's English short name, DD
	// day, hh hour, mm minute, ss second, f fraction of a second, ap am or pm,
	// Z offset from UTC (Z, +02:00, +0200).
	Format string `yaml:"format"`
	// Zone is the zone the clock shows, as Europe/Oslo or UTC. Not needed when
	// the text has its offset (Z).
	Zone string `yaml:"zone"`

	pattern *pattern
	zone    *time.Location
}

// Rule recognises one kind of record by file name, header or both, and says
// where its particulars come from.
type Rule struct {
	// Name is the rule's own, for messages.
	Name string `yaml:"name"`
	// Kind is pull, coast_down, empty_coast_down or check.
	Kind string `yaml:"kind"`
	// FileName is a regular expression (RE2) that the file's name must match;
	// named groups (?P<label>…) can be taken.
	FileName string `yaml:"file_name"`
	// Header lists keys before the header row with what they must say.
	Header []Match `yaml:"header"`

	// Car is the reference car's id; nothing for a customer's car.
	Car *Take `yaml:"car"`
	// Label is what the site calls the pull; it joins a separate coast-down.
	Label *Take `yaml:"label"`
	// Session is what the site calls the reference run.
	Session *Take `yaml:"session"`
	// CustomerCar describes a customer's car.
	CustomerCar *Take `yaml:"customer_car"`
	// SetUp is what of a car may differ from pull to pull and acts on its losses.
	SetUp *Take `yaml:"set_up"`
	// RotatingMass and CoastingMass are a customer's car's, a mass.
	RotatingMass *Take `yaml:"rotating_mass"`
	CoastingMass *Take `yaml:"coasting_mass"`
	// Charging is none, turbo or mechanical, Displacement the swept volume, of a
	// customer's car's engine.
	Charging     *Take `yaml:"charging"`
	Displacement *Take `yaml:"displacement"`
	// RampRate is the sweep asked for, engine side: rpm/s or rad/s².
	RampRate *Take `yaml:"ramp_rate"`
	// Correction is one of fleet.Corrections.
	Correction *Take `yaml:"correction"`

	// CheckKind is dead_weight, zero, shunt, zero_turning, transfer, torque or
	// base_inertia.
	CheckKind *Take `yaml:"check_kind"`
	// State is as_found or as_left.
	State *Take `yaml:"state"`
	// PerformedBy is who made the check, Note what else there is to say.
	PerformedBy *Take `yaml:"performed_by"`
	Note        *Take `yaml:"note"`
	// AirPressure, AirTemperature and Humidity are those at the check.
	AirPressure    *Take `yaml:"air_pressure"`
	AirTemperature *Take `yaml:"air_temperature"`
	Humidity       *Take `yaml:"relative_humidity"`
	// Standard is the id of the transfer load cell or torque reference used.
	Standard *Take `yaml:"standard"`
	// ArmAngle is the calibration arm's angle off the horizontal; nothing for
	// an arm that was levelled.
	ArmAngle *Take `yaml:"arm_angle"`
	// Adjusted says of a check as found whether the load cell was adjusted
	// after it: yes or no.
	Adjusted *Take `yaml:"adjusted"`
	// EffectiveAt is from when the calibration of a check as left holds; nothing
	// for the time of the check. Its texts may be optional.
	EffectiveAt *StartedAt `yaml:"effective_at"`

	// StartedAt replaces the mapping's own for this kind of record.
	StartedAt *StartedAt `yaml:"started_at"`

	fileName *regexp.Regexp
}

// Match is a key before the header row and what it must say.
type Match struct {
	Key string `yaml:"key"`
	// Matches is a regular expression (RE2); ^ and $ tie it to the ends.
	Matches string `yaml:"matches"`

	matches *regexp.Regexp
}

// The kinds of record a rule can be for.
const (
	kindPull           = "pull"
	kindCoastDown      = "coast_down"
	kindEmptyCoastDown = "empty_coast_down"
	kindCheck          = "check"
)

// Samples is the column map of pulls and coast-downs.
type Samples struct {
	Time    TimeColumn `yaml:"time"`
	Columns []Column   `yaml:"columns"`
}

// TimeColumn is where a row's time stands.
type TimeColumn struct {
	// Column is the column's name; Date a second column's whose text is put
	// in front, with a space. Without a header row give Index (and DateIndex),
	// from 1.
	Column    string `yaml:"column"`
	Date      string `yaml:"date"`
	Index     int    `yaml:"index"`
	DateIndex int    `yaml:"date_index"`
	// Unit is that of a running time: s, ms, min …
	Unit string `yaml:"unit"`
	// Format is the form of a clock instead, as "hh:mm:ss.f" or
	// "YYYY-MM-DD hh:mm:ss.f"; see StartedAt. A clock without a date may pass
	// midnight once.
	Format string `yaml:"format"`

	unit    unit.Unit
	pattern *pattern
}

// Column is a column and its channel.
type Column struct {
	// Name is the column's name in the header row, exactly; without a header
	// row Index counts from 1.
	Name  string `yaml:"name"`
	Index int    `yaml:"index"`
	// Channel is a channel's name; a channel of the site's own starts "x_".
	// Columns not listed are ignored.
	Channel fleet.Channel `yaml:"channel"`
	// Unit is the column's. A unit row must say the same; without Unit the
	// unit row's is taken.
	Unit string `yaml:"unit"`
	// Scale says what the column stands for when it is in another quantity
	// than its channel's: a load cell in N·m, V, mV/V or counts. Unit must be
	// given then, and is the column's own.
	Scale *Scale `yaml:"scale"`
	// Optional lets the column be absent or without values.
	Optional bool `yaml:"optional"`
	// Kinds lists the kinds of record that have the column; none: all.
	Kinds []string `yaml:"kinds"`

	raw   unit.Unit // as the column is written
	unit  unit.Unit // as its numbers are the channel's; raw unless there is a scale
	given bool      // unit is known from the mapping
}

// Scale says what the numbers of a column stand for, in one of three ways.
type Scale struct {
	// Rated and Output are those of the transducer's data sheet: the value it
	// is rated for, with its unit ("5 kN"), and its output there less that at
	// nought, in the column's unit (2 for 2 mV/V). Negative for a bridge that
	// is wired the other way round.
	Rated  string  `yaml:"rated"`
	Output float64 `yaml:"output"`
	// PerUnit is what one of the column's unit stands for, with its unit:
	// "500 N" a volt.
	PerUnit string `yaml:"per_unit"`
	// Zero is what the column reads at nought, in the column's unit, with
	// rated or per_unit. Default 0.
	Zero float64 `yaml:"zero"`
	// LeverArm turns a torque into the force at the arm: the arm the indicator
	// was set up with, with its unit ("350 mm").
	LeverArm string `yaml:"lever_arm"`
}

// check notes problems and returns the unit that turns a column in raw into
// SI numbers of dimension to; raw itself when there are problems.
func (s *Scale) check(c *checker, p string, raw unit.Unit, to unit.Dimension) unit.Unit {
	given := 0
	for _, x := range []string{s.Rated, s.PerUnit, s.LeverArm} {
		if x != "" {
			given++
		}
	}
	problems := len(c.problems)
	switch {
	case given != 1:
		c.add(p, "give exactly one of rated (with output), per_unit and lever_arm")
	case s.Rated == "" && s.Output != 0:
		c.add(p+".output", "output goes with rated")
	case s.LeverArm != "" && s.Zero != 0:
		c.add(p+".zero", "a torque has no zero of its own; it is found by a zero check")
	}
	if len(c.problems) > problems {
		return raw
	}
	var u unit.Unit
	var err error
	switch {
	case s.LeverArm != "":
		arm, problem := quantity(s.LeverArm, unit.Length)
		if problem != nil {
			c.add(p+".lever_arm", "%v", problem)
			return raw
		}
		if to != unit.Force {
			c.add(p+".lever_arm", "a lever arm makes a force; the channel is of %s", to)
			return raw
		}
		u, err = unit.AtArm(raw, arm)
	case s.PerUnit != "":
		each, problem := quantity(s.PerUnit, to)
		if problem != nil {
			c.add(p+".per_unit", "%v", problem)
			return raw
		}
		u, err = unit.PerUnit(raw, to, each, s.Zero)
	default:
		rated, problem := quantity(s.Rated, to)
		if problem != nil {
			c.add(p+".rated", "%v", problem)
			return raw
		}
		u, err = unit.Rated(raw, to, rated, s.Output, s.Zero)
	}
	switch {
	case errors.Is(err, unit.ErrSame):
		c.add(p, "unit %s needs no scale; what an indicator reads wrong is found and corrected by a calibration check", raw.Symbol)
		return raw
	case err != nil:
		c.add(p, "%v", err)
		return raw
	}
	return u
}

// quantity reads a number with its unit, "5 kN", in SI.
func quantity(text string, want unit.Dimension) (float64, error) {
	number, symbol, ok := strings.Cut(strings.TrimSpace(text), " ")
	if !ok {
		return 0, fmt.Errorf("%q is no number with a unit after a space", text)
	}
	x, err := strconv.ParseFloat(number, 64)
	if err != nil || x-x != 0 {
		return 0, fmt.Errorf("%q is no number", number)
	}
	u, err := unit.ParseAs(symbol, want)
	if err != nil {
		return 0, err
	}
	return u.ToSI(x), nil
}

// Readings is the column map of calibration checks.
type Readings struct {
	// Cycle numbers the cycles from 1; absent: all are cycle 1.
	Cycle string `yaml:"cycle"`
	// Direction is rising or falling; Rising and Falling list the words.
	// Defaults: rising, up, +, and falling, down, -. Absent: all rising.
	Direction string   `yaml:"direction"`
	Rising    []string `yaml:"rising"`
	Falling   []string `yaml:"falling"`
	// Masses lists the ids of the masses on the arm, joined by MassSeparator
	// (default "+"). Absent or blank: none.
	Masses        string `yaml:"masses"`
	MassSeparator string `yaml:"mass_separator"`
	// Reading is what the indicator showed as force at the lever arm, in Unit.
	// A blank cell is a reading left out.
	Reading string `yaml:"reading"`
	Unit    string `yaml:"unit"`
	// Scale says what the readings stand for when Unit is not one of force.
	Scale *Scale `yaml:"scale"`
	// Simulated is, of a shunt check, the force the shunt stands for, in Unit.
	Simulated string `yaml:"simulated"`

	// Preload marks a load put on and taken off before the first cycle: yes, or
	// no or blank. PreloadWords are those for yes. Default: yes, y, x, 1.
	Preload      string   `yaml:"preload"`
	PreloadWords []string `yaml:"preload_words"`
	// Sense is the way the load cell is loaded; Tension and Compression list
	// the words. Defaults: tension, t, and compression, c. Blank: as a driving
	// car loads it.
	Sense       string   `yaml:"sense"`
	Tension     []string `yaml:"tension"`
	Compression []string `yaml:"compression"`
	// Mounting counts from 0 how often the arm or the transfer load cell was
	// taken off and put on again.
	Mounting string `yaml:"mounting"`
	// Held is how long the load had been on; Speed the rollers' surface speed.
	Held  *Quantity `yaml:"held"`
	Speed *Quantity `yaml:"speed"`
	// Reference is what a transfer load cell read, a force; ReferenceTorque what
	// a torque reference read.
	Reference       *Quantity `yaml:"reference"`
	ReferenceTorque *Quantity `yaml:"reference_torque"`
	// Of a timed run of a base-inertia check: the force set at the roller
	// surface, the speeds it began and ended at, and how long it took.
	SetForce *Quantity `yaml:"set_force"`
	From     *Quantity `yaml:"from"`
	To       *Quantity `yaml:"to"`
	Duration *Quantity `yaml:"duration"`

	raw, unit unit.Unit // see Column
}

// Quantity is a column of a calibration check with its unit. A file without the
// column has none of it, except where the kind of check cannot be without.
type Quantity struct {
	Column string `yaml:"column"`
	// Unit is the column's. A unit row must say the same; without Unit the unit
	// row's is taken.
	Unit string `yaml:"unit"`

	dimension unit.Dimension
	raw       unit.Unit
}

// check notes what is wrong with a quantity.
func (q *Quantity) check(c *checker, p string, want unit.Dimension, unitRow bool) {
	if q == nil {
		return
	}
	q.dimension = want
	if q.Column == "" {
		c.add(p+".column", "name the column")
	}
	switch {
	case q.Unit != "":
		u, err := unit.ParseAs(q.Unit, want)
		if err != nil {
			c.add(p+".unit", "%v", err)
		}
		q.raw = u
	case !unitRow:
		c.add(p+".unit", "the column has no unit, and there is no unit row to take it from")
	}
}

// LoadMapping reads a mapping file. The error names file, line, what is wrong
// and how to mend it, all problems at once.
func LoadMapping(path string) (*Mapping, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read mapping: %w", err)
	}
	return ParseMapping(path, text)
}

// ParseMapping is LoadMapping of a text; name stands for the file in messages.
func ParseMapping(name string, text []byte) (*Mapping, error) {
	m := &Mapping{}
	d := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict())
	if err := d.Decode(m); err != nil {
		return nil, fmt.Errorf("read mapping %s: %s", name, yaml.FormatError(err, false, true))
	}
	file, err := parser.ParseBytes(text, 0)
	if err != nil {
		return nil, fmt.Errorf("read mapping %s: %w", name, err)
	}
	if len(file.Docs) != 1 {
		return nil, fmt.Errorf("read mapping %s: it holds %d YAML documents; a mapping is one", name, len(file.Docs))
	}
	c := &checker{name: name, file: file}
	m.check(c)
	if n := len(c.problems); n > 0 {
		if n > maxProblems {
			c.problems = append(c.problems[:maxProblems], fmt.Errorf("and %d more", n-maxProblems))
		}
		return nil, fmt.Errorf("read mapping: %w", errors.Join(c.problems...))
	}
	return m, nil
}

// maxProblems is how many problems of one mapping are told.
const maxProblems = 20

// checker collects problems with the line of the key they are about.
type checker struct {
	name     string
	file     *ast.File
	problems []error
}

// add notes a problem at a YAML path such as "$.samples.columns[2].unit"; when
// the key is not in the file its nearest parent's line is told.
func (c *checker) add(path, format string, args ...any) {
	what := fmt.Sprintf(format, args...)
	for p := path; len(p) > 1; p = p[:strings.LastIndexAny(p, ".[")] {
		if y, err := yaml.PathString(p); err == nil {
			if n, err := y.FilterFile(c.file); err == nil && n != nil {
				c.problems = append(c.problems, fmt.Errorf("%s:%d: %s: %s", c.name, n.GetToken().Position.Line, path[2:], what))
				return
			}
		}
	}
	c.problems = append(c.problems, fmt.Errorf("%s: %s: %s", c.name, path[2:], what))
}

// check notes everything wrong with the mapping and fills in what is derived.
func (m *Mapping) check(c *checker) {
	m.Format.check(c)
	if m.Skip == nil {
		m.Skip = []string{"*.tmp", "*.part", "*~", ".*"}
	}
	for i, s := range m.Skip {
		if _, err := path.Match(s, ""); err != nil {
			c.add(fmt.Sprintf("$.skip[%d]", i), "%q is no pattern of file names: %v", s, err)
		}
	}
	// What the mapping takes from a group every rule must have.
	shared := func(kind string) []string {
		var all []string
		for i := range m.Rules {
			r := &m.Rules[i]
			if kind == "started_at" && r.StartedAt != nil {
				continue
			}
			groups := r.groups()
			if all == nil {
				all = groups
			}
			all = slices.DeleteFunc(all, func(g string) bool { return !slices.Contains(groups, g) })
		}
		return all
	}
	if m.Cell != nil {
		m.Cell.check(c, "$.cell", shared("cell"), "")
	}
	if m.StartedAt != nil {
		m.StartedAt.check(c, "$.started_at", shared("started_at"))
	}
	if m.Samples != nil {
		m.Samples.check(c, m.Format.headerRow)
	}
	if len(m.Rules) == 0 {
		c.add("$.rules", "there is no rule; give at least one that recognises a record")
	}
	samples, checks := false, false
	for i := range m.Rules {
		r := &m.Rules[i]
		p := fmt.Sprintf("$.rules[%d]", i)
		r.check(c, p)
		if r.Kind == kindCheck {
			checks = true
		} else {
			samples = true
		}
		switch {
		case r.StartedAt == nil && m.StartedAt == nil:
			c.add(p, "neither this rule nor the mapping has started_at")
		case r.Kind == kindCheck && len(m.startedAt(r).From) == 0:
			c.add(p, "a check has no sample to take its time from; give started_at.from")
		case r.Kind != kindCheck && len(m.startedAt(r).From) == 0 && m.Samples != nil && !m.Samples.Time.dated():
			c.add(p, "started_at has no from, and the time column has no dated format to take it from")
		}
	}
	if samples && m.Samples == nil {
		c.add("$.samples", "there are rules for pulls or coast-downs but no samples; say which column is which channel")
	}
	switch {
	case checks && m.Readings == nil:
		c.add("$.readings", "there are rules for checks but no readings; say which columns hold them")
	case m.Readings != nil:
		m.Readings.check(c, m.Format.UnitRow)
		if !m.Format.headerRow {
			c.add("$.readings", "calibration checks need a header row; set format.header_row to true")
		}
	}
	// A unit left out is the unit row's.
	if m.Samples != nil && !m.Format.UnitRow {
		for i, col := range m.Samples.Columns {
			if col.Unit == "" {
				c.add(fmt.Sprintf("$.samples.columns[%d]", i), "column %q has no unit, and there is no unit row to take it from", col.label())
			}
		}
	}
}

func (f *Format) check(c *checker) {
	if f.Separator == "" {
		f.Separator = ","
	}
	if f.DecimalMark == "" {
		f.DecimalMark = "."
	}
	if f.KeyValue == "" {
		f.KeyValue = ":"
	}
	if len(f.Separator) != 1 || !strings.Contains(",;|\t", f.Separator) {
		c.add("$.format.separator", `%q is no separator; use "," ";" "|" or "\t"`, f.Separator)
		f.Separator = ","
	}
	if f.DecimalMark != "." && f.DecimalMark != "," {
		c.add("$.format.decimal_mark", `%q is no decimal mark; use "." or ","`, f.DecimalMark)
		f.DecimalMark = "."
	}
	if f.Separator == f.DecimalMark {
		c.add("$.format.decimal_mark", "%q is the separator too; no row could be read", f.DecimalMark)
	}
	f.separator, f.mark = f.Separator[0], f.DecimalMark[0]
	f.Encoding = strings.ToLower(f.Encoding)
	switch f.Encoding {
	case "":
		f.Encoding = "utf-8"
	case "utf-8", "latin-1":
	default:
		c.add("$.format.encoding", "%q is not read; use utf-8 or latin-1", f.Encoding)
	}
	switch f.LastLineEnd {
	case "":
		f.LastLineEnd = "required"
	case "required", "optional":
	default:
		c.add("$.format.last_line_end", "%q is neither required nor optional", f.LastLineEnd)
	}
	f.headerRow = f.HeaderRow == nil || *f.HeaderRow
	if f.PreambleLines < 0 || f.PreambleLines > maxPreamble {
		c.add("$.format.preamble_lines", "%d is not possible; give 0 to %d", f.PreambleLines, maxPreamble)
	}
	if f.headerRow && f.PreambleLines > 0 {
		c.add("$.format.preamble_lines", "the header row is found by itself; leave preamble_lines out, or set header_row to false")
	}
}

// check notes problems; groups are those of the rule's file_name, want the
// dimension of a number (empty: a text).
func (t *Take) check(c *checker, p string, groups []string, want unit.Dimension) {
	given := 0
	for _, s := range []string{t.Group, t.Header, t.Value} {
		if s != "" {
			given++
		}
	}
	if given != 1 {
		c.add(p, "give exactly one of group, header and value")
	}
	if t.Group != "" && !slices.Contains(groups, t.Group) {
		c.add(p+".group", "there is no group %q in file_name (for what all rules share: in that of every rule); write (?P<%s>…) into it", t.Group, t.Group)
	}
	switch {
	case want == "" && t.Unit != "":
		c.add(p+".unit", "this is a text, it has no unit")
	case want != "" && t.Unit != "":
		u, err := unit.ParseAs(t.Unit, want)
		if err != nil {
			c.add(p+".unit", "%v", err)
		}
		t.unit = u
	}
}

func (s *StartedAt) check(c *checker, p string, groups []string) {
	for i := range s.From {
		if s.From[i].Optional {
			c.add(fmt.Sprintf("%s.from[%d].optional", p, i), "a record without a start is of no use; leave optional out")
		}
	}
	s.checkTime(c, p, groups)
}

// checkTime is check of a time that may be absent.
func (s *StartedAt) checkTime(c *checker, p string, groups []string) {
	for i := range s.From {
		s.From[i].check(c, fmt.Sprintf("%s.from[%d]", p, i), groups, "")
	}
	if len(s.From) > 0 {
		if s.Format == "" {
			c.add(p+".format", "give the form of the text, as YYYY-MM-DD hh:mm:ss")
			return
		}
		var err error
		if s.pattern, err = parsePattern(s.Format); err != nil {
			c.add(p+".format", "%v", err)
			return
		}
		if !s.pattern.dated() {
			c.add(p+".format", "%q has no date", s.Format)
		}
		if s.pattern.has[pieceZone] {
			s.zone = time.UTC
			return
		}
	} else if s.Format != "" {
		c.add(p+".format", "there is no from to be read in this form")
	}
	zone, err := time.LoadLocation(s.Zone)
	switch {
	case s.Zone == "":
		c.add(p+".zone", "give the zone the clock shows, as UTC or Europe/Oslo")
	case err != nil || s.Zone == "Local":
		c.add(p+".zone", "%q is no known zone; use an IANA name as UTC or Europe/Oslo", s.Zone)
	}
	s.zone = zone
}

// startedAt is what a rule's records get their start from.
func (m *Mapping) startedAt(r *Rule) *StartedAt {
	if r.StartedAt != nil {
		return r.StartedAt
	}
	return m.StartedAt
}

// groups lists the named groups of the rule's file_name.
func (r *Rule) groups() []string {
	re, err := regexp.Compile(r.FileName)
	if err != nil {
		return nil
	}
	return slices.DeleteFunc(re.SubexpNames(), func(s string) bool { return s == "" })
}

func (r *Rule) check(c *checker, p string) {
	if r.Name == "" {
		c.add(p+".name", "give the rule a name; it is told when no rule fits a file")
	}
	var groups []string
	if r.FileName != "" {
		re, err := regexp.Compile(r.FileName)
		if err != nil {
			c.add(p+".file_name", "%q is no regular expression: %v", r.FileName, err)
		} else {
			r.fileName, groups = re, r.groups()
		}
	}
	for i := range r.Header {
		h := &r.Header[i]
		q := fmt.Sprintf("%s.header[%d]", p, i)
		if h.Key == "" {
			c.add(q+".key", "give the key")
		}
		re, err := regexp.Compile(h.Matches)
		if err != nil {
			c.add(q+".matches", "%q is no regular expression: %v", h.Matches, err)
		}
		h.matches = re
	}
	if r.FileName == "" && len(r.Header) == 0 {
		c.add(p, "give file_name, header or both; a rule without either takes every file")
	}
	type part struct {
		key  string
		take *Take
		want unit.Dimension
	}
	of := func(parts []part, allowed bool, kind string) {
		for _, q := range parts {
			switch {
			case q.take == nil:
			case !allowed:
				c.add(p+"."+q.key, "a record of kind %q has no %s", kind, q.key)
			default:
				q.take.check(c, p+"."+q.key, groups, q.want)
			}
		}
	}
	check := r.Kind == kindCheck
	car := r.Kind == kindPull || r.Kind == kindCoastDown
	switch r.Kind {
	case kindPull, kindCoastDown, kindEmptyCoastDown, kindCheck:
	default:
		c.add(p+".kind", "%q is no kind; use pull, coast_down, empty_coast_down or check", r.Kind)
		return
	}
	of([]part{{"car", r.Car, ""}, {"customer_car", r.CustomerCar, ""}, {"session", r.Session, ""},
		{"rotating_mass", r.RotatingMass, unit.Mass}, {"coasting_mass", r.CoastingMass, unit.Mass},
		{"set_up", r.SetUp, ""}, {"charging", r.Charging, ""}, {"displacement", r.Displacement, unit.Volume},
		{"ramp_rate", r.RampRate, unit.AngularAcceleration}, {"correction", r.Correction, ""}}, car, r.Kind)
	of([]part{{"label", r.Label, ""}}, !check, r.Kind)
	of([]part{{"check_kind", r.CheckKind, ""}, {"state", r.State, ""}, {"performed_by", r.PerformedBy, ""}, {"note", r.Note, ""},
		{"air_pressure", r.AirPressure, unit.Pressure}, {"air_temperature", r.AirTemperature, unit.Temperature},
		{"relative_humidity", r.Humidity, unit.Ratio}, {"standard", r.Standard, ""}, {"arm_angle", r.ArmAngle, unit.Angle}, {"adjusted", r.Adjusted, ""}}, check, r.Kind)
	switch {
	case r.EffectiveAt == nil:
	case !check:
		c.add(p+".effective_at", "a record of kind %q has no %s", r.Kind, "effective_at")
	case len(r.EffectiveAt.From) == 0:
		c.add(p+".effective_at.from", "say where the time comes from")
	default:
		r.EffectiveAt.checkTime(c, p+".effective_at", groups)
	}
	if check && r.CheckKind == nil {
		c.add(p+".check_kind", "say how a check is known as one of %s", strings.Join(checkKindWords, ", "))
	}
	if check && r.State == nil {
		c.add(p+".state", "say how a check is known as as_found or as_left")
	}
	for _, q := range []struct {
		key   string
		take  *Take
		words []string
	}{{"check_kind", r.CheckKind, checkKindWords}, {"state", r.State, stateWords}, {"adjusted", r.Adjusted, adjustedWords}, {"correction", r.Correction, correctionWords}, {"charging", r.Charging, chargingWords}} {
		if q.take == nil {
			continue
		}
		if q.take.Value != "" && len(q.take.Map) == 0 && !slices.Contains(q.words, plainWord(q.take.Value)) {
			c.add(p+"."+q.key+".value", "%q is none of %s", q.take.Value, strings.Join(q.words, ", "))
		}
		for from, to := range q.take.Map {
			if !slices.Contains(q.words, plainWord(to)) {
				c.add(p+"."+q.key+".map", "%q is turned into %q, which is none of %s", from, to, strings.Join(q.words, ", "))
			}
		}
	}
	if r.StartedAt != nil {
		r.StartedAt.check(c, p+".started_at", groups)
	}
}

var (
	checkKindWords  = []string{"dead_weight", "zero", "shunt", "zero_turning", "transfer", "torque", "base_inertia"}
	adjustedWords   = []string{"yes", "no"}
	stateWords      = []string{"as_found", "as_left"}
	correctionWords = words(fleet.Corrections)
	chargingWords   = words(fleet.Chargings)
)

// words returns names as the texts a key allows.
func words[T ~string](names []T) []string {
	all := make([]string, len(names))
	for i, n := range names {
		all[i] = string(n)
	}
	return all
}

// plainWord writes "As found" and "as-found" as as_found.
func plainWord(s string) string {
	return strings.NewReplacer(" ", "_", "-", "_").Replace(strings.ToLower(strings.TrimSpace(s)))
}

func (t TimeColumn) dated() bool { return t.pattern != nil && t.pattern.dated() }

// label names a column for messages.
func (c Column) label() string {
	if c.Name != "" {
		return c.Name
	}
	return fmt.Sprintf("number %d", c.Index)
}

// of reports whether records of a kind have the column.
func (c Column) of(kind string) bool { return len(c.Kinds) == 0 || slices.Contains(c.Kinds, kind) }

func (s *Samples) check(c *checker, headerRow bool) {
	names := map[string]bool{}
	place := func(p, name string, index int, needed bool) {
		switch {
		case name == "" && index == 0 && !needed:
			return
		case headerRow && (name == "" || index != 0):
			c.add(p, "there is a header row: give the column by its name, not by an index")
			return
		case !headerRow && (index < 1 || name != ""):
			c.add(p, "there is no header row: give the column by its index from 1, not by a name")
			return
		}
		key := fmt.Sprintf("%s/%d", name, index)
		if names[key] {
			c.add(p, "the column is mapped twice")
		}
		names[key] = true
	}
	t := &s.Time
	place("$.samples.time", t.Column, t.Index, true)
	place("$.samples.time", t.Date, t.DateIndex, false)
	switch {
	case (t.Unit == "") == (t.Format == ""):
		c.add("$.samples.time", "give the unit of a running time or the format of a clock, one of the two")
	case t.Unit != "":
		u, err := unit.ParseAs(t.Unit, unit.Time)
		if err != nil {
			c.add("$.samples.time.unit", "%v", err)
		}
		t.unit = u
		if t.Date != "" || t.DateIndex != 0 {
			c.add("$.samples.time", "a date column goes with a clock's format, not with a unit")
		}
	default:
		p, err := parsePattern(t.Format)
		if err != nil {
			c.add("$.samples.time.format", "%v", err)
		}
		t.pattern, t.unit = p, unit.SI(unit.Time)
	}
	if len(s.Columns) == 0 {
		c.add("$.samples.columns", "there is no column; list at least one with its channel")
	}
	channels := map[string]bool{} // kind and channel
	for i := range s.Columns {
		col := &s.Columns[i]
		p := fmt.Sprintf("$.samples.columns[%d]", i)
		place(p, col.Name, col.Index, true)
		if !wire.ValidChannel(col.Channel) {
			c.add(p+".channel", `%q is no channel; use a known one (%s) or a name of your own: "x_" and a to z, 0 to 9, underscore`, col.Channel, knownChannels())
		}
		for _, k := range []string{kindPull, kindCoastDown, kindEmptyCoastDown} {
			if !col.of(k) {
				continue
			}
			key := k + " " + string(col.Channel)
			if channels[key] {
				c.add(p+".channel", "channel %s is mapped twice for a record of kind %s", col.Channel, k)
				break
			}
			channels[key] = true
		}
		si, known := fleet.Channels[col.Channel]
		switch {
		case col.Scale != nil && col.Unit == "":
			c.add(p+".scale", "give the column's own unit beside scale, as mV/V, V, count or N·m")
		case col.Scale != nil && !known:
			c.add(p+".scale", "a channel of the site's own is kept as it is logged; leave scale out")
		case col.Scale != nil:
			u, err := unit.Parse(col.Unit)
			if err != nil {
				c.add(p+".unit", "%v", err)
				break
			}
			to, _ := unit.DimensionOf(si)
			col.raw, col.unit, col.given = u, col.Scale.check(c, p+".scale", u, to), true
		case col.Unit != "":
			u, err := unit.ParseFor(col.Unit, col.Channel)
			if err != nil {
				c.add(p+".unit", "%v%s", err, scaleHint(err))
			}
			col.raw, col.unit, col.given = u, u, true
		}
		for j, k := range col.Kinds {
			if k != kindPull && k != kindCoastDown && k != kindEmptyCoastDown {
				c.add(fmt.Sprintf("%s.kinds[%d]", p, j), "%q is no kind with samples; use pull, coast_down or empty_coast_down", k)
			}
		}
	}
}

// scaleHint says what to do about a unit that only a scale makes the channel's.
func scaleHint(err error) string {
	var mismatch *unit.MismatchError
	if errors.As(err, &mismatch) {
		switch mismatch.Unit.Dimension {
		case unit.Voltage, unit.BridgeOutput, unit.Count, unit.Torque:
			return "; or say with scale what it stands for"
		}
	}
	return ""
}

func knownChannels() string {
	var names []string
	for n := range fleet.Channels {
		names = append(names, string(n))
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

func (r *Readings) check(c *checker, unitRow bool) {
	if r.Reading == "" && r.Duration == nil {
		c.add("$.readings.reading", "name the column of the readings")
	}
	for _, q := range []struct {
		key  string
		of   *Quantity
		want unit.Dimension
	}{{"held", r.Held, unit.Time}, {"speed", r.Speed, unit.Speed}, {"reference", r.Reference, unit.Force}, {"reference_torque", r.ReferenceTorque, unit.Torque},
		{"set_force", r.SetForce, unit.Force}, {"from", r.From, unit.Speed}, {"to", r.To, unit.Speed}, {"duration", r.Duration, unit.Time}} {
		q.of.check(c, "$.readings."+q.key, q.want, unitRow)
	}
	if r.PreloadWords == nil {
		r.PreloadWords = []string{"yes", "y", "x", "1"}
	}
	if r.Tension == nil {
		r.Tension = []string{"tension", "t"}
	}
	if r.Compression == nil {
		r.Compression = []string{"compression", "c"}
	}
	for _, w := range r.Tension {
		if slices.Contains(r.Compression, w) {
			c.add("$.readings.compression", "%q is both tension and compression", w)
		}
	}
	switch {
	case r.Reading == "" && r.Unit == "":
		// Timed runs alone.
	case r.Scale == nil:
		u, err := unit.ParseAs(r.Unit, unit.Force)
		if err != nil {
			c.add("$.readings.unit", "%v%s", err, scaleHint(err))
		}
		r.raw, r.unit = u, u
	default:
		u, err := unit.Parse(r.Unit)
		if err != nil {
			c.add("$.readings.unit", "%v", err)
			break
		}
		r.raw, r.unit = u, r.Scale.check(c, "$.readings.scale", u, unit.Force)
	}
	if r.MassSeparator == "" {
		r.MassSeparator = "+"
	}
	if r.Rising == nil {
		r.Rising = []string{"rising", "up", "+"}
	}
	if r.Falling == nil {
		r.Falling = []string{"falling", "down", "-"}
	}
	for _, w := range r.Rising {
		if slices.Contains(r.Falling, w) {
			c.add("$.readings.falling", "%q is both rising and falling", w)
		}
	}
}

// skips reports whether a file's name is one to be left alone.
func (m *Mapping) skips(name string) bool {
	name = strings.ToLower(name)
	for _, s := range m.Skip {
		if ok, _ := path.Match(strings.ToLower(s), name); ok {
			return true
		}
	}
	return false
}
