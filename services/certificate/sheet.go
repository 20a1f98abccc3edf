package certificate

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rollcall/services/compute/loadcell"
	"rollcall/services/show"
)

// Sheet is a certificate laid out for people: what page, PDF and terminal show
// alike.
type Sheet struct {
	Title, Number, Issuer string
	Lead                  []Row // number and version first
	Sections              []Section
	Statements            []string
}

// Row is a word with what it stands for.
type Row struct{ Name, Value string }

// Section is a part under a heading. Its blocks come in this order.
type Section struct {
	Heading string
	Text    []string
	Rows    []Row
	Tables  []Table
	List    []string
}

// Table is a table with a caption.
type Table struct {
	Caption string
	Columns []Column
	Rows    [][]string
}

// Column is a column's head.
type Column struct {
	Name  string
	Right bool    // of numbers
	Share float64 // of the width, against the other columns'
}

// Lay lays a document out.
func Lay(d Document) Sheet {
	s := Sheet{Title: d.Title, Number: Named(d.Number, d.Version), Issuer: d.Issuer, Statements: d.Statements}
	s.Lead = append(s.Lead, Row{"Certificate", s.Number})
	if r := d.Replaces; r != nil {
		s.Lead = append(s.Lead, Row{"Replaces", fmt.Sprintf("version %d of %s (SHA-256 of its JSON %s), which is not to be used any more", r.Version, date(r.At), r.SHA256)}, Row{"Why", r.Reason})
	}
	if d.Related != "" {
		s.Lead = append(s.Lead, Row{"See also", d.Related + ", the check as found of the same visit"})
	}
	var outcome []string
	for _, c := range d.Checks {
		outcome = append(outcome, c.State+": "+c.Verdict)
	}
	s.Lead = append(s.Lead, Row{"Outcome", strings.Join(outcome, "; ")})
	s.Lead = append(s.Lead, Row{"Issued by", d.Issuer}, Row{"Issued for", d.Customer}, Row{"Date of issue", date(d.IssuedAt)})
	var performed, received, who []string
	for _, c := range d.Checks {
		performed = append(performed, c.State+" "+minute(c.PerformedAt))
		received = append(received, minute(c.ReceivedAt))
		who = append(who, or(c.PerformedBy, "not recorded"))
	}
	s.Lead = append(s.Lead, Row{"Date of the check", strings.Join(performed, "; ")},
		Row{"Readings received", strings.Join(slices.Compact(received), "; ") + "; the item stays where it is built in, so there is no receipt of it"},
		Row{"Performed by", strings.Join(slices.Compact(who), "; ")}, Row{"Authorised by", d.AuthorisedBy})

	s.Sections = append(s.Sections, whatAndWhere(d), how(d))
	for _, c := range d.Checks {
		s.Sections = append(s.Sections, resultsOf(d, c)...)
	}
	last := Section{Heading: "Decision and what follows", Text: []string{d.DecisionRule, d.Coverage.Said}}
	for _, c := range d.Checks {
		value := c.Reason
		if c.Risk != nil {
			value += ". Probability that this decision is wrong: " + chance(*c.Risk)
		}
		last.Rows = append(last.Rows, Row{"Decision " + c.State, show.Sentence(value)})
	}
	last.Rows = append(last.Rows, Row{"Adjustment", d.Adjustment})
	if d.Next != nil {
		value := d.Next.Why
		if d.Next.At != nil {
			// The sentence mostly names the day itself.
			if day := date(*d.Next.At); !strings.Contains(value, day) {
				value = strings.TrimSuffix(day+". "+value, ". ")
			}
		}
		last.Rows = append(last.Rows, Row{"Next check, recommended", sentence(value)})
	}
	if d.Remark != "" {
		last.Rows = append(last.Rows, Row{"Remark", d.Remark})
	}
	s.Sections = append(s.Sections, last)
	return s
}

// prune leaves away the columns in which no row has anything.
func (t Table) prune() Table {
	out := Table{Caption: t.Caption, Rows: make([][]string, len(t.Rows))}
	for i, c := range t.Columns {
		if !slices.ContainsFunc(t.Rows, func(r []string) bool { return r[i] != show.Absent && r[i] != "" }) {
			continue
		}
		out.Columns = append(out.Columns, c)
		for k, r := range t.Rows {
			out.Rows[k] = append(out.Rows[k], r[i])
		}
	}
	return out
}

// Named is a number with its version, as people write it.
func Named(number string, version int) string { return fmt.Sprintf("%s, version %d", number, version) }

func whatAndWhere(d Document) Section {
	i, p := d.Item, d.Place
	s := Section{Heading: "Item and place"}
	s.Rows = append(s.Rows, Row{"Cell", name(i.Cell, i.CellID)}, Row{"Item", i.What},
		Row{"Range", known(i.LoadCellRange, "N at the lever arm")},
		Row{"Lever arm", length(i.LeverArm, i.LeverArmU)})
	if i.CalibrationArm > 0 {
		s.Rows = append(s.Rows, Row{"Calibration arm", length(i.CalibrationArm, i.CalArmU)})
	}
	gravity := fmt.Sprintf("%.5f m/s² ± %.5f m/s² (k = 2)", p.Gravity, 2*p.GravityU*p.Gravity)
	if p.GravityMeasured {
		gravity += ", as measured at the site"
	} else {
		gravity += ", from latitude and height"
	}
	s.Rows = append(s.Rows, Row{"Place", fmt.Sprintf("%s, latitude %s°, %s m above sea level", name(p.Site, p.SiteID), trim(p.Latitude*180/math.Pi, 4), trim(p.Height, 1))}, Row{"Local gravity", gravity})
	return s
}

func how(d Document) Section {
	s := Section{Heading: "Method, conditions and traceability", Text: slices.Clone(d.Method)}
	for _, c := range d.Checks {
		var air []string
		if c.Air.Pressure != nil {
			air = append(air, fmt.Sprintf("pressure %.1f hPa", *c.Air.Pressure/100))
		}
		if c.Air.Temperature != nil {
			air = append(air, fmt.Sprintf("temperature %.1f °C", *c.Air.Temperature-273.15))
		}
		if c.Air.Humidity != nil {
			air = append(air, fmt.Sprintf("relative humidity %.0f %%", *c.Air.Humidity*100))
		}
		if len(air) == 0 {
			air = append(air, "not recorded")
		}
		if c.Air.Density > 0 {
			air = append(air, fmt.Sprintf("density used %.4f kg/m³", c.Air.Density))
		}
		s.Rows = append(s.Rows, Row{"Air, " + c.State, strings.Join(air, ", ")})
		switch {
		case c.ArmAngle != nil:
			s.Rows = append(s.Rows, Row{"Arm off the horizontal, " + c.State, fmt.Sprintf("%.2f°, as measured", *c.ArmAngle*180/math.Pi)})
		case d.Item.CalibrationArm > 0:
			s.Rows = append(s.Rows, Row{"Arm, " + c.State, "levelled"})
		}
		if c.Note != "" {
			s.Rows = append(s.Rows, Row{"Note, " + c.State, c.Note})
		}
	}
	s.Rows = append(s.Rows, Row{"Traceability", d.Traceability})
	if len(d.Masses) > 0 {
		t := Table{Caption: "Check masses used", Columns: []Column{{"Mass", false, 14}, {"Conventional mass kg", true, 18}, {"U (k = 2) kg", true, 14}, {"Density kg/m³", true, 14}, {"Certificate", false, 24}, {"Certificate ends", false, 18}}}
		for _, m := range d.Masses {
			density := "not stated"
			if m.Density > 0 {
				density = trim(m.Density, 0)
			}
			t.Rows = append(t.Rows, []string{m.ID, figure(m.Mass, m.U), amount(m.U), density, or(m.Certificate, "none recorded"), ends(m.Due, m.Ended)})
		}
		s.Tables = append(s.Tables, t)
	}
	if r := d.Standard; r != nil {
		s.Tables = append(s.Tables, Table{Caption: "Reference standard used",
			Columns: []Column{{"Standard", false, 16}, {"Kind", false, 10}, {"Range", true, 16}, {"U (k = 2)", true, 22}, {"Certificate", false, 20}, {"Certificate ends", false, 18}},
			Rows: [][]string{{r.ID, r.Kind, fmt.Sprintf("%s %s", trim(r.Range, 1), r.RangeUnit), fmt.Sprintf("%s %% of reading, at least %s %s", trim(r.U*100, 4), trim(r.ULeast, 4), r.RangeUnit),
				or(r.Certificate, "none recorded"), ends(r.Due, r.Ended)}}})
	}
	return s
}

func ends(due *time.Time, ended bool) string {
	switch {
	case due == nil:
		return "not stated"
	case ended:
		return date(*due) + ", had ended"
	}
	return date(*due)
}

// resultsOf lays out one check: results first, then the readings and what the
// uncertainty is made of.
func resultsOf(d Document, c Check) []Section {
	first := Section{Heading: "Results " + c.State}
	t := Table{Columns: []Column{{"Quantity", false, 34}, {"Value", true, 13}, {"± U", true, 11}, {"k", true, 8}, {"Degrees of freedom", true, 13}, {"Limit ±", true, 10}, {"Decision", false, 20}, {"Risk %", true, 9}}}
	for _, r := range c.Results {
		scale, unit := 1.0, " "+r.Unit
		if r.Unit == "1" {
			scale, unit = 100, " %"
		}
		row := []string{r.Name + "," + unit, figure(r.Value*scale, 0), show.Absent, factor(r.K), freedom(r.K, r.DoF), show.Absent, or(r.Verdict, show.Absent), risk(r.Risk)}
		if r.U != nil {
			row[1], row[2] = signed(r.Value*scale, *r.U*scale), amount(*r.U*scale)
			if r.Unit == "kg" {
				row[1] = figure(r.Value, *r.U)
			}
		} else {
			row[2] = "not stated"
		}
		if r.Tolerance > 0 {
			row[5] = trim(r.Tolerance*scale, 3)
		}
		if r.Note != "" {
			row[0] += " (" + r.Note + ")"
		}
		t.Rows = append(t.Rows, row)
	}
	if len(t.Rows) > 0 {
		first.Tables = append(first.Tables, t.prune())
	}
	if len(c.Points) > 0 {
		first.Tables = append(first.Tables, loads(c))
	}
	if len(c.Runs) > 0 {
		first.Tables = append(first.Tables, runs(c)...)
	}
	if len(c.Limits) > 0 {
		l := Table{Caption: "Limits", Columns: []Column{{"Limit", false, 44}, {"Limit", true, 12}, {"Found", true, 12}, {"Kept", false, 8}, {"Source", false, 24}}}
		for _, x := range c.Limits {
			l.Rows = append(l.Rows, []string{x.Name, trim(x.Limit, 5), trim(x.Value, 5), yes(x.Within), or(x.Source, show.Absent)})
		}
		first.Tables = append(first.Tables, l)
	}
	if x := c.Drift; x != nil {
		var changes []string
		for _, y := range []struct {
			name, unit string
			scale      float64
			change     *Change
		}{{"zero", "N", 1, x.Zero}, {"gain", "%", 100, x.Gain}} {
			if y.change != nil {
				changes = append(changes, fmt.Sprintf("%s %s ± %s %s (E_n %s)", y.name, signed(y.change.Value*y.scale, y.change.U*y.scale), amount(y.change.U*y.scale), y.unit, show.Signed(y.change.En, 2)))
			}
		}
		if len(changes) > 0 {
			first.Rows = append(first.Rows, Row{"Change since the check before", fmt.Sprintf("%s, against the check of %s, %.0f days before", strings.Join(changes, "; "), date(x.Since), x.Days)})
		}
	}
	if e := c.InForce; e != nil {
		first.Rows = append(first.Rows, Row{"Calibration in force", "reading/N = " + formula(*e) + ", F in N, of check " + e.Epoch})
	} else if len(c.Read) > 0 {
		first.Rows = append(first.Rows, Row{"Calibration in force", "none: the indicator was taken as it is"})
	}
	sections := []Section{first}
	if e := c.Equation; e != nil {
		sections = append(sections, equationOf(c, *e))
	}
	if k := c.Class; k != nil && k.Asked != "" {
		s := Section{Heading: "Class, " + c.State, Text: []string{k.Said}}
		t := Table{Caption: "Limits of " + k.Table + ", class " + k.Asked, Columns: []Column{{"Quantity", false, 40}, {"Limit %", true, 16}, {"Found %", true, 16}, {"Kept", false, 28}}}
		for _, l := range k.Limits {
			if l.Class != k.Asked {
				continue
			}
			found, kept := trim(l.Found*100, 4), yes(l.Within)
			if !l.Measured {
				found, kept = show.Absent, "not measured"
			}
			t.Rows = append(t.Rows, []string{l.Quantity, trim(l.Limit*100, 4), found, kept})
		}
		if len(t.Rows) > 0 {
			s.Tables = append(s.Tables, t)
		}
		sections = append(sections, s)
	}
	if len(c.Findings) > 0 {
		s := Section{Heading: "Found about the check itself, " + c.State}
		for _, f := range c.Findings {
			s.List = append(s.List, sentence(f))
		}
		sections = append(sections, s)
	}
	if b := budgets(c); len(b.Tables) > 0 {
		sections = append(sections, b)
	}
	if len(c.Read) > 0 {
		sections = append(sections, every(c))
	}
	return sections
}

func loads(c Check) Table {
	senses := slices.ContainsFunc(c.Points, func(p Point) bool { return p.Sense != "" })
	t := Table{Caption: "Errors by load: mean of the readings less the force applied, at the lever arm",
		Columns: []Column{{"Load N", true, 11}, {"Direction", false, 11}, {"Readings", true, 11}, {"Error N", true, 11}, {"± U N", true, 9}, {"k", true, 8}, {"Error %", true, 10}, {"± U %", true, 9}, {"Limit ± N", true, 11}, {"Decision", false, 17}, {"Risk %", true, 9}}}
	for _, p := range c.Points {
		way := p.Direction
		if senses && p.Sense != "" {
			way = strings.TrimSpace(way + " " + p.Sense)
		}
		row := []string{fixed(p.Load, 1), or(way, show.Absent), strconv.Itoa(p.Count), signed(p.Error, p.U), amount(p.U), factor(p.K), show.Absent, show.Absent, show.Absent, or(p.Verdict, "not judged"), risk(p.Risk)}
		if p.Load != 0 {
			l := math.Abs(p.Load)
			row[6], row[7] = signed(100*p.Error/l, 100*p.U/l), amount(100*p.U/l)
		}
		if p.Tolerance > 0 {
			row[8] = fixed(p.Tolerance, 1)
		}
		t.Rows = append(t.Rows, row)
	}
	return t.prune()
}

func runs(c Check) []Table {
	t := Table{Caption: "Runs", Columns: []Column{{"Run", true, 8}, {"Force set N", true, 18}, {"From km/h", true, 18}, {"To km/h", true, 18}, {"Time s", true, 18}, {"Deceleration m/s²", true, 20}}}
	for _, r := range c.Runs {
		t.Rows = append(t.Rows, []string{strconv.Itoa(r.Number), fixed(r.Force, 1), fixed(r.From*3.6, 2), fixed(r.To*3.6, 2), fixed(r.Duration, 3), fixed(r.Deceleration, 4)})
	}
	p := Table{Caption: "Base inertia by pairs of runs", Columns: []Column{{"Runs", false, 20}, {"Base inertia kg", true, 25}, {"Deviation %", true, 25}, {"Limit kept", false, 30}}}
	for _, x := range c.Pairs {
		p.Rows = append(p.Rows, []string{fmt.Sprintf("%d and %d", x.First, x.Second), fixed(x.Mass, 2), show.Signed(x.Deviation*100, 3), yes(x.Within)})
	}
	if len(p.Rows) == 0 {
		return []Table{t}
	}
	return []Table{t, p}
}

func equationOf(c Check, e Equation) Section {
	s := Section{Heading: "Interpolation equation, " + c.State}
	s.Text = append(s.Text, "reading/N = "+formula(e)+", F the force at the lever arm in N.")
	if e.High > e.Low {
		s.Text = append(s.Text, fmt.Sprintf("It holds from %s N to %s N, the loads it was fitted over.", fixed(e.Low, 1), fixed(e.High, 1)))
	}
	if e.ResidualSD != nil && e.DoF != nil {
		fit := fmt.Sprintf("Standard deviation of a reading about it: %s N, %.0f degrees of freedom", amount(*e.ResidualSD), *e.DoF)
		if e.LackOfFitF != nil && e.LackOfFitP != nil {
			fit += fmt.Sprintf("; lack of fit F = %.3g, probability of as large a one by chance %s", *e.LackOfFitF, chance(*e.LackOfFitP))
		}
		s.Text = append(s.Text, fit+".")
	}
	for _, x := range []string{e.Rule, e.Reason} {
		if x != "" {
			s.Text = append(s.Text, sentence(x))
		}
	}
	t := Table{Caption: "Coefficients with their covariance, all sources of uncertainty that they share included", Columns: []Column{{"", false, 8}, {"Value", true, 22}, {"Unit", false, 9}, {"u (standard)", true, 15}}}
	for i := range e.Covariance {
		t.Columns = append(t.Columns, Column{fmt.Sprintf("cov with c%d", i), true, 17})
	}
	for i, x := range e.Coefficients {
		row := []string{fmt.Sprintf("c%d", i), strings.ReplaceAll(strconv.FormatFloat(x, 'g', 9, 64), "-", "−"), e.Units[i], ""}
		for j := range e.Covariance {
			if i < len(e.Covariance) && j < len(e.Covariance[i]) {
				row = append(row, scientific(e.Covariance[i][j]))
			} else {
				row = append(row, show.Absent)
			}
		}
		if i < len(e.Covariance) {
			row[3] = scientific(math.Sqrt(max(e.Covariance[i][i], 0)))
		}
		t.Rows = append(t.Rows, row)
	}
	s.Tables = append(s.Tables, t)
	return s
}

// formula writes an equation's right side.
func formula(e Equation) string {
	var b strings.Builder
	for i, c := range e.Coefficients {
		x := strconv.FormatFloat(math.Abs(c), 'g', 7, 64)
		switch {
		case i == 0 && c < 0:
			b.WriteString("−")
		case i > 0 && c < 0:
			b.WriteString(" − ")
		case i > 0:
			b.WriteString(" + ")
		}
		b.WriteString(strings.ReplaceAll(x, "-", "−"))
		b.WriteString([]string{"", " · F", " · F²", " · F³"}[min(i, 3)])
	}
	return b.String()
}

// budgeted are the results whose budget is printed; the JSON has all of them.
var budgeted = []string{string(loadcell.ZeroError), string(loadcell.GainError), "base inertia"}

func budgets(c Check) Section {
	s := Section{Heading: "Where the uncertainty comes from, " + c.State}
	for _, r := range c.Results {
		if !slices.Contains(budgeted, r.Name) || len(r.Budget) < 2 {
			continue
		}
		scale, unit := 1.0, r.Unit
		if r.Unit == "1" {
			scale, unit = 100, "%"
		}
		total := 0.0
		for _, p := range r.Budget {
			total += p.Contribution * p.Contribution
		}
		t := Table{Caption: capital(r.Name), Columns: []Column{{"Source", false, 46}, {"Standard uncertainty " + unit, true, 22}, {"Share %", true, 12}, {"Degrees of freedom", true, 20}}}
		for _, p := range r.Budget {
			t.Rows = append(t.Rows, []string{p.Name, amount(p.Contribution * scale), fixed(100*p.Contribution*p.Contribution/total, 1), freedom(1, p.DoF)})
		}
		s.Tables = append(s.Tables, t)
	}
	return s
}

// every lists all readings, in the order in which they were taken.
func every(c Check) Section {
	has := func(f func(Reading) bool) bool { return slices.ContainsFunc(c.Read, f) }
	t := Table{Columns: []Column{{"No.", true, 6}, {"Cycle", true, 7}, {"Direction", false, 11}}}
	masses := has(func(r Reading) bool { return len(r.Masses) > 0 })
	held := has(func(r Reading) bool { return r.Held != nil })
	mounting := has(func(r Reading) bool { return r.Mounting > 0 })
	sense := has(func(r Reading) bool { return r.Sense != "" })
	if masses {
		t.Columns = append(t.Columns, Column{"Masses", false, 30})
	}
	if sense {
		t.Columns = append(t.Columns, Column{"Sense", false, 13})
	}
	if mounting {
		t.Columns = append(t.Columns, Column{"Refitted", true, 9})
	}
	if held {
		t.Columns = append(t.Columns, Column{"Held s", true, 8})
	}
	t.Columns = append(t.Columns, Column{"Load N", true, 12}, Column{"Reading N", true, 12}, Column{"Error N", true, 12})
	for _, r := range c.Read {
		cycle := strconv.Itoa(r.Cycle)
		if r.Preload {
			cycle = "preload"
		}
		row := []string{strconv.Itoa(r.Number), cycle, or(r.Direction, show.Absent)}
		if masses {
			row = append(row, or(strings.Join(r.Masses, " + "), "none"))
		}
		if sense {
			row = append(row, or(r.Sense, show.Absent))
		}
		if mounting {
			row = append(row, strconv.Itoa(r.Mounting))
		}
		if held {
			row = append(row, optional(r.Held, 0))
		}
		row = append(row, optional(r.Load, 2), optional(r.Reading, 2), show.Absent)
		if r.Error != nil {
			row[len(row)-1] = show.Signed(*r.Error, 2)
		}
		t.Rows = append(t.Rows, row)
	}
	return Section{Heading: "Every reading, " + c.State, Tables: []Table{t}}
}

// Figures. U has two significant digits and a value goes to the same decimal
// (JCGM 100:2008, 7.2.6).

func decimals(u float64) int {
	if !(u > 0) || math.IsInf(u, 1) {
		return 3
	}
	_, e, _ := strings.Cut(strconv.FormatFloat(u, 'e', 1, 64), "e")
	n, _ := strconv.Atoi(e)
	return min(max(1-n, 0), 9)
}

func figure(x, u float64) string { return strings.ReplaceAll(fixed(x, decimals(u)), "-", "−") }
func signed(x, u float64) string { return show.Signed(x, decimals(u)) }
func amount(u float64) string {
	if u > 0 && u < 1e-6 {
		return strings.ReplaceAll(strconv.FormatFloat(u, 'e', 1, 64), "-", "−")
	}
	return strconv.FormatFloat(u, 'f', decimals(u), 64)
}
func fixed(x float64, n int) string {
	return strings.ReplaceAll(strconv.FormatFloat(x, 'f', n, 64), "-", "−")
}

// trim is fixed without noughts at the end.
func trim(x float64, n int) string {
	s := fixed(x, n)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func scientific(x float64) string {
	return strings.ReplaceAll(strconv.FormatFloat(x, 'e', 3, 64), "-", "−")
}

func optional(x *float64, n int) string {
	if x == nil {
		return show.Absent
	}
	return fixed(*x, n)
}

func known(x float64, unit string) string {
	if x <= 0 {
		return "not stated"
	}
	return trim(x, 1) + " " + unit
}

func length(x, u float64) string {
	if u <= 0 {
		return trim(x*1000, 2) + " mm, uncertainty not stated"
	}
	return fmt.Sprintf("%s mm ± %s mm (k = 2)", figure(x*1000, 2000*u), amount(2000*u))
}

func factor(k float64) string {
	if k <= 0 {
		return show.Absent
	}
	return fixed(k, 2)
}

// freedom is the degrees of freedom of a figure that has a coverage factor.
func freedom(k float64, dof *float64) string {
	switch {
	case k <= 0:
		return show.Absent
	case dof == nil || *dof >= 1000:
		return "many"
	}
	return fixed(*dof, 0)
}

func risk(p *float64) string {
	if p == nil {
		return show.Absent
	}
	return strings.TrimSuffix(chance(*p), " %")
}

// chance is a probability in percent, never nought or a hundred by rounding.
func chance(p float64) string {
	switch {
	case p < 0.0005:
		return "< 0.1 %"
	case p >= 0.9995:
		return "> 99.9 %"
	}
	return fixed(100*p, 1) + " %"
}

// capital begins a text with a capital.
func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// sentence makes a sentence of a text of the computation.
func sentence(s string) string {
	s = show.Sentence(capital(s))
	if s != "" && !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func date(t time.Time) string   { return t.UTC().Format(time.DateOnly) }
func minute(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") + " UTC" }
