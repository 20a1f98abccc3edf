package show

import (
	"fmt"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// Restated is a headline figure as it was stated and as it is restated, in the unit
// people use, its uncertainties expanded ones. What is not known is Absent.
type Restated struct {
	Figure, Unit            string
	Stated, StatedU         string
	Restated, RestatedU     string
	Difference, DifferenceU string
	Of                      *rollcallv1.RestatedFigure
}

// StatedText, RestatedText and DifferenceText are the values with their U and unit.
func (r Restated) StatedText() string     { return plusMinus(r.Stated, r.StatedU, " "+r.Unit) }
func (r Restated) RestatedText() string   { return plusMinus(r.Restated, r.RestatedU, " "+r.Unit) }
func (r Restated) DifferenceText() string { return plusMinus(r.Difference, r.DifferenceU, " "+r.Unit) }

// RestatedPeaks returns the peaks of a restated pull in somebody's units.
func RestatedPeaks(p *rollcallv1.RestatedPull, u Units) []Restated {
	var all []Restated
	for _, f := range p.GetFigures() {
		if f.GetOf() != "peak" {
			continue
		}
		s := u.Of(f.GetUnit())
		value := func(x *float64) string {
			if x == nil {
				return Absent
			}
			return u.Fixed(*x, s, s.Decimals)
		}
		r := Restated{
			Figure: figureName(f.GetFigure()), Unit: s.Symbol, Of: f, Stated: value(&f.Stated), StatedU: value(&f.StatedExpandedUncertainty),
			Restated: value(f.Restated), RestatedU: value(f.RestatedExpandedUncertainty), Difference: Absent, DifferenceU: value(f.DifferenceExpandedUncertainty),
		}
		if f.Difference != nil {
			r.Difference = u.Signed(*f.Difference, s.Difference(), s.Decimals)
		}
		all = append(all, r)
	}
	return all
}

// RestatedShort returns of the peaks those that a list has room for: wheel power, and
// engine power as it is stated, corrected where it is.
func RestatedShort(p *rollcallv1.RestatedPull, u Units) []Restated {
	var wheel, engine []Restated
	for _, r := range RestatedPeaks(p, u) {
		switch r.Of.GetFigure() {
		case "wheel power":
			wheel = append(wheel, r)
		case "engine power", "corrected engine power":
			engine = []Restated{r}
		}
	}
	return append(wheel, engine...)
}

// RestatedHow says how a pull was restated, or why it was not.
func RestatedHow(p *rollcallv1.RestatedPull) string {
	if !p.GetRestated() {
		return p.GetNote()
	}
	said := p.GetWay()
	switch {
	case p.Size != nil && p.SizeExpandedUncertainty != nil:
		from := map[string]string{"checks": "as the checks around it show it", "runs": "as the runs around it show it", "flag": "the size the flag gives it, no run being near"}[p.GetSizeFrom()]
		said += fmt.Sprintf(", from the samples: %s, %s, %.0f %% probable, put right by %s at its time", Cause(p.GetCause()), from, 100*p.GetCauseProbability(), Sized(p.GetSize(), p.GetSizeExpandedUncertainty(), p.GetSizeUnit()))
	default:
		effect, u := p.GetEffect(), p.GetEffectExpandedUncertainty()
		said += fmt.Sprintf(", %s %% ± %s %% of every figure", OffPercent(&effect), Percent(&u))
	}
	if p.GetNote() != "" {
		said += "; " + p.GetNote()
	}
	return said
}

// RestatedBy says by what, by whom, when and why a pull was restated.
func RestatedBy(p *rollcallv1.RestatedPull) string {
	return fmt.Sprintf("by flag %s, version %d, by %s on %s UTC: %s", p.GetFlagId(), p.GetVersion(), Or(p.GetRestatedBy()), At(p.GetRestatedAt()), Or(p.GetReason()))
}

// Restatement says of an act what was done, by whom, when and why.
func Restatement(a *rollcallv1.Restatement) string {
	said := Count(int(a.GetPulls()-a.GetKept()), "pull restated", "pulls restated")
	if a.GetKept() > 0 {
		said += fmt.Sprintf(", %d kept as stated", a.GetKept())
	}
	if a.GetTakenBack() {
		said = "taken back"
	}
	said = fmt.Sprintf("version %d, %s by %s on %s UTC: %s", a.GetVersion(), said, Or(a.GetRestatedBy()), At(a.GetRestatedAt()), Or(a.GetReason()))
	if a.GetReplaces() != "" {
		said += fmt.Sprintf(" (in place of version %d, %s)", a.GetVersion()-1, a.GetReplaces())
	}
	return said
}

// InForce returns the restatement of a flag's that counts; nil: none does.
func InForce(f *rollcallv1.Flag) *rollcallv1.Restatement {
	for _, a := range f.GetRestatements() {
		if a.GetInForce() {
			return a
		}
	}
	return nil
}
