package reader

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

const repeatHelp = `How pulls made back to back repeat: standard deviation, range and the repeatability
limit r (ISO 5725-6: two single pulls differ by more in one case in twenty), outlying
pulls by Grubbs's test, heat soak over the order of the pulls and over the intake air,
and the plain sentence for the customer: figure, ± U, correction, conditions.

With --across, pulls of one car on several cells: repeatability s_r, reproducibility
s_R, and Mandel's h and k of each cell (ASTM E691).

A set is the ids of pulls, or what narrows to them, as for ` + "`rollcall compare`" + `:

  rollcall repeat ID ID ID
  rollcall repeat cell=fen-2,car=hazel,session=2026-06-16
  rollcall repeat --across car=hazel,from=2026-06-01,until=2026-06-15

--csv prints the pulls.`

func (a *app) repeat() *cobra.Command {
	var format formatFlags
	var figure string
	var across, anyCar bool
	c := &cobra.Command{Use: "repeat SET", Short: "How pulls made back to back repeat, and the sentence for the customer", Long: repeatHelp, Args: cobra.MinimumNArgs(1)}
	format.add(c)
	timeoutFlag(c)
	c.Flags().StringVar(&figure, "figure", "", "corrected engine power, engine power, wheel power, corrected engine torque, engine torque, tractive force (default: the first of the three powers that all pulls state alike)")
	c.Flags().BoolVar(&across, "across", false, "how the cells agree that the pulls are of")
	c.Flags().BoolVar(&anyCar, "any-car", false, "pulls of different cars too")
	c.RunE = func(c *cobra.Command, args []string) error {
		if err := format.check(); err != nil {
			return err
		}
		set, err := pullSet(strings.Join(args, ","), a.now())
		if err != nil {
			return &UsageError{fmt.Errorf("%w; see `%s --help`", err, c.CommandPath())}
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			answer, err := fleet.GetRepeatability(ctx, &rollcallv1.GetRepeatabilityRequest{Pulls: set, Figure: figure, Across: across, AnyCar: anyCar})
			if err != nil {
				return err
			}
			return printAs(format, c.OutOrStdout(), answer, answer.GetPulls(), func() error { return printRepeatability(c.OutOrStdout(), answer) })
		})
	}
	return c
}

// scaled returns the unit people use for a figure, what to divide by, and
// decimals.
func scaled(unit string) (string, float64, int) {
	if unit == "W" {
		return "kW", 1000, 2
	}
	return unit, 1, 1
}

func printRepeatability(w io.Writer, r *rollcallv1.GetRepeatabilityResponse) error {
	var b strings.Builder
	unit, by, decimals := scaled(r.GetFigureUnit())
	fixed := func(x float64) string { return show.Scaled(&x, by, decimals) }
	of := "peak " + r.GetFigure()
	if c := r.GetCorrection(); c != "" && c != "none" {
		of += " (" + show.Correction(c) + ")"
	}
	fmt.Fprintf(&b, "%s of %s\n\n", show.Clean(of), show.Count(len(r.GetPulls()), "pull", "pulls"))
	t := table{heads: []string{"STARTED (UTC)", "CELL", ">" + unit, ">AT rpm", ">RAMP rpm/s", ">INTAKE °C", ">G", "", "PULL"}}
	for _, p := range r.GetPulls() {
		intake := show.Absent
		if k := p.IntakeAirTemperatureK; k != nil {
			c := *k - 273.15
			intake = show.Scaled(&c, 1, 1)
		}
		t.add(show.At(p.GetStartedAt()), p.GetCellId(), fixed(p.GetValue()), show.Scaled(&p.EngineSpeedRadS, show.RPM, 0), show.Scaled(&p.RampRateRadS2, show.RPM, 0),
			intake, show.Scaled(&p.Grubbs, 1, 2), p.GetOutlying(), p.GetPullId())
	}
	if err := t.print(&b); err != nil {
		return err
	}
	b.WriteByte('\n')
	line := func(head, text string) { fmt.Fprintf(&b, "  %-16s %s\n", head, show.Clean(show.Sentence(text))) }
	if a := r.GetAcross(); a != nil {
		u := table{heads: []string{"CELL", ">PULLS", ">MEAN " + unit, ">SD " + unit, ">h", ">k"}}
		for _, c := range a.GetCells() {
			u.add(c.GetCellId(), fmt.Sprint(c.GetPulls()), fixed(c.GetMean()), fixed(c.GetStandardDeviation()), show.Signed(c.GetH(), 2), show.Scaled(&c.K, 1, 2))
		}
		if err := u.print(&b); err != nil {
			return err
		}
		b.WriteByte('\n')
		line("mean", fixed(a.GetMean())+" "+unit+" of the cells' means, which scatter by "+fixed(a.GetStandardDeviationOfMeans())+" "+unit)
		line("repeatability", fmt.Sprintf("s_r %s %s, r %s %s: two pulls on one cell", fixed(a.GetRepeatabilityDeviation()), unit, fixed(a.GetRepeatabilityLimit()), unit))
		line("reproducibility", fmt.Sprintf("s_R %s %s, R %s %s: two pulls on two cells", fixed(a.GetReproducibilityDeviation()), unit, fixed(a.GetReproducibilityLimit()), unit))
		limits := fmt.Sprintf("k %.2f", a.GetKLimit())
		if a.HLimit != nil {
			limits = fmt.Sprintf("h ± %.2f, ", a.GetHLimit()) + limits
		}
		line("limits, 0.5 %", limits)
	} else {
		mean := fixed(r.GetMean()) + " " + unit
		if r.ExpandedUncertainty != nil {
			mean += " ± " + fixed(r.GetExpandedUncertainty()) + " " + unit + " (U, 95 %)"
		}
		line("mean", mean)
		sd := r.GetStandardDeviation()
		line("sd", fmt.Sprintf("%s %s, %.2f %%", fixed(sd), unit, 100*sd/r.GetMean()))
		if r.StandardDeviationWithout != nil {
			line("without outlying", "sd "+fixed(r.GetStandardDeviationWithout())+" "+unit)
		}
		line("range", fmt.Sprintf("%s %s, from %s to %s", fixed(r.GetHighest()-r.GetLowest()), unit, fixed(r.GetLowest()), fixed(r.GetHighest())))
		line("r", fixed(r.GetRepeatabilityLimit())+" "+unit+", 2.8 sd: two single pulls differ by more in one case in twenty")
		soak := func(head, per string, t *rollcallv1.Trend) {
			if t == nil {
				return
			}
			verdict := "not seen"
			if t.GetSignificant() {
				verdict = "seen"
			}
			line(head, fmt.Sprintf("%s %s a %s ± %s, p %.3f: %s", show.Signed(t.GetSlope()/by, decimals), unit, per, fixed(t.GetExpandedUncertainty()), t.GetProbability(), verdict))
		}
		soak("heat soak, order", "pull", r.GetByOrder())
		soak("heat soak, intake", "kelvin", r.GetByIntake())
	}
	for _, n := range r.GetNotes() {
		line("note", n)
	}
	if r.GetSentence() != "" {
		fmt.Fprintf(&b, "\n%s\n", show.Clean(r.GetSentence()))
	}
	_, err := io.WriteString(w, b.String())
	return err
}
