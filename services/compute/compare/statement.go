package compare

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
)

// Figure says what was compared, for people.
type Figure struct {
	Name string // "corrected engine power"
	Unit string // SI: "W", "N·m", "N"
	// Conditions is what the figure is stated with: "corrected to SAE J1349".
	Conditions string
}

// Show returns a value in the unit people use, with its unit: W as kW.
func (f Figure) Show(x float64) string { return f.number(x) + " " + f.shownUnit() }

func (f Figure) shownUnit() string {
	if f.Unit == "W" {
		return "kW"
	}
	return f.Unit
}

func (f Figure) number(x float64) string {
	if f.Unit == "W" {
		return strconv.FormatFloat(x/1000, 'f', 2, 64)
	}
	return strconv.FormatFloat(x, 'f', 1, 64)
}

// Statement says in plain words what the comparison found in a headline figure
// (Result.Peak or Result.Band, named by what: "peak", "mean from 2200 to 5800
// rpm"):
//
//	peak corrected engine power: +5.21 kW ± 1.31 kW (+2.56 % ± 0.64 %), 203.40 to 208.61 kW; resolved
func (r *Result) Statement(f Figure, what string, d *Difference) string {
	verdict := "resolved"
	switch {
	case !r.Known:
		verdict = "not judged, for one pull a set does not say how pulls repeat"
	case !d.Resolved:
		verdict = "not resolved: a difference this small may be chance"
	}
	return fmt.Sprintf("%s %s: %s %s ± %s %s (%s %% ± %s %%), from %s to %s; U at 95 %%; %s",
		what, f.Name, signed(f.number(d.Delta)), f.shownUnit(), f.number(d.U), f.shownUnit(),
		signed(strconv.FormatFloat(100*d.Ratio, 'f', 2, 64)), strconv.FormatFloat(100*d.URatio, 'f', 2, 64),
		f.number(d.Before), f.Show(d.After), verdict)
}

// Say says how many pulls would resolve the gain asked for.
func (p *Plan) Say() string {
	percent := func(x float64) string { return strconv.FormatFloat(100*x, 'f', 2, 64) + " %" }
	least := ""
	if p.Smallest > 0 {
		least = fmt.Sprintf("; as many as these resolve %s", percent(p.Smallest))
	}
	switch {
	case p.Smallest == 0:
		return "how many pulls a set needs is not known: make at least two on one side, back to back"
	case p.Pulls > 0:
		return fmt.Sprintf("to resolve %s with a probability of %.0f %% takes %d pulls a set%s", percent(p.Gain), 100*p.Power, p.Pulls, least)
	case p.Floor > 0 && p.Gain < p.Floor:
		return fmt.Sprintf("no number of pulls resolves %s in these sessions on these cells, the least is %s%s%s", percent(p.Gain), percent(p.Floor), least, p.Mend)
	}
	return fmt.Sprintf("to resolve %s takes more than %d pulls a set%s", percent(p.Gain), mostPulls, least)
}

// mend says what would lower what more pulls do not.
func mend(r *Result) string {
	switch one := slices.Equal(r.Before.Cells, r.After.Cells) && len(r.Before.Cells) == 1; {
	case !one:
		return ": make both sets on one cell in one session, or in more sessions"
	case r.Band.USession > 0:
		return ": make both sets in one session, or in more sessions"
	case len(r.Parts) > 0:
		return fmt.Sprintf(": on one cell in one session it is what the sets do not share alike, %s first; sweep both at the same ramp rates in the same air", r.Parts[0].Name)
	}
	return ""
}

// signed puts a sign before a number; what rounds to nought has none.
func signed(s string) string {
	bare := strings.TrimPrefix(s, "-")
	switch {
	case strings.Trim(bare, "0.") == "":
		return bare
	case bare != s:
		return "−" + bare
	}
	return "+" + bare
}

// notes says what whoever reads the figures should know.
func (d *design) notes(r *Result) []string {
	var out []string
	cells := slices.Clone(r.Before.Cells)
	for _, c := range r.After.Cells {
		if !slices.Contains(cells, c) {
			cells = append(cells, c)
		}
	}
	one := len(cells) == 1
	if same := slices.Equal(r.Before.Cells, r.After.Cells); !same {
		out = append(out, fmt.Sprintf("the sets are of different cells (%s; %s): what each cell errs by is in U and does not cancel", join(r.Before.Cells), join(r.After.Cells)))
	} else if one {
		out = append(out, fmt.Sprintf("both sets are of %s: what its calibration errs by cancels as far as both share it", cells[0]))
	}
	if epochs := d.epochs(); one && epochs > 1 {
		out = append(out, fmt.Sprintf("the load cell was calibrated between the pulls (%d calibrations): its error does not cancel", epochs))
	}
	if !r.Known {
		out = append(out, "each set holds one pull: nothing says how pulls repeat, so U holds noise and calibration only, and nothing is called resolved")
	}
	switch {
	case r.Session.Ratio > 0:
		out = append(out, fmt.Sprintf("the sets are of different sessions: what sessions differ by, %.2f %% standard deviation (%s), is in U", 100*r.Session.Ratio, r.Session.From))
	case d.spread > 0:
		out = append(out, "every pull has a session to itself: what sessions differ by is in their scatter")
	}
	if math.Min(float64(r.Before.Pulls), float64(r.After.Pulls)) == 1 && r.Known && d.total > 2 {
		out = append(out, "one set holds one pull: an outlying pull there cannot be seen")
	}
	return out
}

// epochs counts the load-cell calibrations under which the pulls were made.
func (d *design) epochs() int {
	seen := map[string]bool{}
	for i := range d.curves {
		for _, s := range d.curves[i].Shared {
			if s.Scope == powercurve.ScopeEpoch {
				seen[s.ID] = true
			}
		}
	}
	return len(seen)
}

func join(cells []fleet.CellID) string {
	all := make([]string, len(cells))
	for i, c := range cells {
		all[i] = string(c)
	}
	return strings.Join(all, ", ")
}
