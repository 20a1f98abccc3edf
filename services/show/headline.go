package show

import (
	"strings"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/correction"
	"rollcall/services/fleet"
)

// Headline is a headline figure in the unit people use, its uncertainties
// expanded ones. What is not known is Absent.
type Headline struct {
	Figure, Unit    string
	Peak, PeakU     string
	At, AtU         string // rpm
	BandMean, MeanU string
	Band            string // rpm, from – to
}

// PeakText, AtText and MeanText are the figures with their U and unit.
func (h Headline) PeakText() string { return plusMinus(h.Peak, h.PeakU, " "+h.Unit) }
func (h Headline) AtText() string   { return plusMinus(h.At, h.AtU, "") }
func (h Headline) MeanText() string { return plusMinus(h.BandMean, h.MeanU, " "+h.Unit) }

func plusMinus(x, u, unit string) string {
	switch {
	case x == Absent:
		return Absent
	case u == Absent:
		return x + unit
	}
	return x + " ± " + u + unit
}

// Headlines returns the headline figures of a pull in the usual units.
func Headlines(p *rollcallv1.Pull) []Headline { return HeadlinesIn(p, DefaultUnits()) }

// HeadlinesIn returns the headline figures of a pull in somebody's units.
func HeadlinesIn(p *rollcallv1.Pull, u Units) []Headline {
	var all []Headline
	for _, h := range p.GetHeadlines() {
		s := u.Of(h.GetUnit())
		figure := func(x *float64) string {
			if x == nil {
				return Absent
			}
			return u.Fixed(*x, s, s.Decimals)
		}
		x := Headline{
			Figure: figureName(h.GetFigure()), Unit: s.Symbol,
			Peak: figure(h.Peak), PeakU: figure(h.PeakExpandedUncertainty),
			At: Scaled(h.PeakEngineSpeedRadS, RPM, 0), AtU: Scaled(h.PeakEngineSpeedExpandedUncertaintyRadS, RPM, 0),
			BandMean: figure(h.BandMean), MeanU: figure(h.BandMeanExpandedUncertainty),
			Band: Absent,
		}
		if h.BandLowRadS != nil && h.BandHighRadS != nil {
			x.Band = Scaled(h.BandLowRadS, RPM, 0) + " to " + Scaled(h.BandHighRadS, RPM, 0)
		}
		all = append(all, x)
	}
	return all
}

// Correction is a correction's name as the standards write it.
func Correction(id string) string { return correction.Name(fleet.Correction(id)) }

// HeadlineLegend says how headline figures are to be read.
func HeadlineLegend(all []Headline) string {
	s := "U: expanded uncertainty, k = 2"
	for _, h := range all {
		if h.Peak != Absent && h.AtU == Absent {
			return s + ". An engine speed without U is an end of the sweep, where the figure still rises: the true peak may lie beyond"
		}
	}
	return s
}

// figureName says of a figure whether it is corrected.
func figureName(figure string) string {
	if rest, corrected := strings.CutPrefix(figure, "corrected "); corrected {
		return rest + ", corrected"
	}
	return figure + ", as measured"
}

// SweepCount says how many sweeps a record has, and how many of them give no
// curve.
func SweepCount(curves, none int) string {
	s := Count(curves+none, "sweep", "sweeps") + " in the record"
	if none > 0 {
		s += ", of which " + Count(none, "gives", "give") + " no curve"
	}
	return s
}

// Smoothing says how the curve's force was smoothed; empty: not known.
func Smoothing(p *rollcallv1.Pull) string {
	if p.WindowS == nil || p.PassBandHz == nil {
		return ""
	}
	s := "force from local cubics over " + Scaled(p.WindowS, 1, 2) + " s, pass band " + Scaled(p.PassBandHz, 1, 2) + " Hz (−3 dB)"
	switch {
	case p.WindowFromNoise == nil:
	case p.GetWindowFromNoise():
		s += ", chosen from the pull's own noise"
	default:
		s += ", a fixed share of the sweep: in steps or of few samples, it does not show its noise"
	}
	return s
}
