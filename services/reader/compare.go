package reader

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

const compareHelp = `Hold two sets of pulls against each other: before and after a change on a car, on
one cell or across cells, on one day or across days. The difference is given with
its U: what one calibration of one cell errs by cancels, what two cells err by does
not, and how pulls repeat comes from the sets themselves. It is called resolved
where it is larger than U.

A set is the ids of pulls, or what narrows to them:

  rollcall compare --before ID,ID,ID --after ID,ID,ID
  rollcall compare --before cell=fen-2,customer="red coupe",label=stock \
                   --after  cell=fen-2,customer="red coupe",label=tuned

The keys are cell, site, car, customer, session, label, from, until.
--csv prints the difference curve.`

func (a *app) compare() *cobra.Command {
	var format formatFlags
	var before, after, figure string
	var gain, power float64
	var anyCar, points bool
	c := &cobra.Command{Use: "compare --before SET --after SET", Short: "Two sets of pulls: the difference with its U, resolved or not", Long: compareHelp, Args: cobra.NoArgs}
	format.add(c)
	timeoutFlag(c)
	c.Flags().StringVar(&before, "before", "", "the pulls before: ids with commas between, or key=value with commas between")
	c.Flags().StringVar(&after, "after", "", "the pulls after, written the same way")
	c.Flags().StringVar(&figure, "figure", "", "what to compare: corrected engine power, engine power, wheel power, corrected engine torque, engine torque, tractive force (default: the first of the three powers that all pulls state alike)")
	c.Flags().Float64Var(&gain, "gain", 0, "the gain, in percent, to say the number of pulls for (default: the difference found)")
	c.Flags().Float64Var(&power, "power", 90, "the probability, in percent, with which that gain is to be resolved")
	c.Flags().BoolVar(&anyCar, "any-car", false, "compare pulls of different cars too")
	c.Flags().BoolVar(&points, "points", false, "print the difference curve too")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := format.check(); err != nil {
			return err
		}
		request := &rollcallv1.ComparePullsRequest{Figure: figure, AnyCar: anyCar}
		for _, x := range []struct {
			flag, text string
			to         **rollcallv1.PullSet
		}{{"before", before, &request.Before}, {"after", after, &request.After}} {
			set, err := pullSet(x.text, a.now())
			if err != nil {
				return &UsageError{fmt.Errorf("--%s: %w; see `%s --help`", x.flag, err, c.CommandPath())}
			}
			*x.to = set
		}
		if c.Flags().Changed("gain") {
			if !(gain > 0 && gain <= 100) {
				return &UsageError{fmt.Errorf("--gain %g is no gain in percent; write 2 for two percent", gain)}
			}
			gain /= 100
			request.Gain = &gain
		}
		if !(power > 0 && power < 100) {
			return &UsageError{fmt.Errorf("--power %g is no probability in percent; write 90 for nine times in ten", power)}
		}
		power /= 100
		request.Power = &power
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			answer, err := fleet.ComparePulls(ctx, request)
			if err != nil {
				return err
			}
			return printAs(format, c.OutOrStdout(), answer, answer.GetPoints(), func() error { return printComparison(c.OutOrStdout(), answer, points) })
		})
	}
	return c
}

// pullSet reads a set as it is written on the command line.
func pullSet(text string, now time.Time) (*rollcallv1.PullSet, error) {
	if strings.TrimSpace(text) == "" {
		return nil, fmt.Errorf("a set of pulls is needed: ids, or keys such as cell=fen-2,label=stock")
	}
	set := &rollcallv1.PullSet{}
	var f filterFlags
	to := map[string]*string{
		"cell": &f.cell, "site": &f.site, "car": &f.car, "from": &f.from, "until": &f.until,
		"session": &set.Session, "label": &set.Label, "customer": &set.CustomerCar,
	}
	narrowed := false
	for _, part := range strings.Split(text, ",") {
		part = strings.TrimSpace(part)
		key, value, isKey := strings.Cut(part, "=")
		key, value = strings.TrimSpace(key), strings.TrimSpace(value)
		switch {
		case part == "":
			return nil, fmt.Errorf("%q has nothing between two commas", text)
		case !isKey:
			set.PullIds = append(set.PullIds, part)
		case to[key] == nil:
			return nil, fmt.Errorf("%q is no key; the keys are cell, site, car, customer, session, label, from, until", key)
		case value == "":
			return nil, fmt.Errorf("%s= has no value", key)
		case *to[key] != "":
			return nil, fmt.Errorf("%s is there twice", key)
		default:
			*to[key], narrowed = value, true
		}
	}
	if narrowed && len(set.PullIds) > 0 {
		return nil, fmt.Errorf("%q mixes ids and keys; use one of the two", text)
	}
	if narrowed {
		filter, err := f.filter(now)
		if err != nil {
			return nil, err
		}
		set.Filter = filter
	}
	return set, nil
}

// printComparison prints a comparison for people.
func printComparison(w io.Writer, r *rollcallv1.ComparePullsResponse, points bool) error {
	var b strings.Builder
	unit, by, decimals := r.GetFigureUnit(), 1.0, 1
	if unit == "W" {
		unit, by, decimals = "kW", 1000, 2
	}
	of := r.GetFigure()
	if c := r.GetCorrection(); c != "" && c != "none" {
		of += " (" + show.Correction(c) + ")"
	}
	fmt.Fprintf(&b, "%s, %.0f to %.0f rpm\n", show.Clean(of), r.GetEngineSpeedLowRadS()/show.RPM, r.GetEngineSpeedHighRadS()/show.RPM)
	for _, x := range []struct {
		name string
		set  *rollcallv1.SetSummary
	}{{"before", r.GetBefore()}, {"after", r.GetAfter()}} {
		s := x.set
		fmt.Fprintf(&b, "  %-7s %s on %s, %s to %s UTC", x.name, show.Count(len(s.GetPullIds()), "pull", "pulls"), show.Clean(strings.Join(s.GetCellIds(), ", ")), show.At(s.GetFrom()), show.At(s.GetUntil()))
		if s.StandardDeviation != nil {
			fmt.Fprintf(&b, "; sd %s %s, range %s, r %s", show.Scaled(s.StandardDeviation, by, decimals), unit, show.Scaled(s.Range, by, decimals), show.Scaled(s.RepeatabilityLimit, by, decimals))
		}
		b.WriteByte('\n')
	}
	b.WriteByte('\n')
	t := table{heads: []string{"", ">rpm", ">BEFORE " + unit, ">AFTER " + unit, ">DIFFERENCE", ">± U", ">%", ">± U %", "VERDICT"}}
	row := func(name string, d *rollcallv1.PullDifference) {
		fixed := func(x, by float64, decimals int) string { return show.Scaled(&x, by, decimals) }
		verdict := "not resolved"
		if d.GetResolved() {
			verdict = "resolved"
		}
		t.add(name, fixed(d.GetEngineSpeedRadS(), show.RPM, 0), fixed(d.GetBefore(), by, decimals), fixed(d.GetAfter(), by, decimals), show.Signed(d.GetDelta()/by, decimals),
			fixed(d.GetExpandedUncertainty(), by, decimals), show.Signed(100*d.GetRatio(), 2), fixed(100*d.GetRatioExpandedUncertainty(), 1, 2), verdict)
	}
	row("peak", r.GetPeak())
	row("band mean", r.GetBand())
	if points {
		for _, d := range r.GetPoints() {
			row("", d)
		}
	}
	if err := t.print(&b); err != nil {
		return err
	}
	fmt.Fprintf(&b, "\n%s.\n%s.\n", show.Clean(r.GetStatement()), show.Clean(r.GetPlan()))
	line := func(head, text string) { fmt.Fprintf(&b, "  %-9s %s\n", head, show.Clean(show.Sentence(text))) }
	line("before", r.GetBefore().GetSentence())
	line("after", r.GetAfter().GetSentence())
	for _, n := range r.GetNotes() {
		line("note", n)
	}
	for _, n := range r.GetBefore().GetNotes() {
		line("before", n)
	}
	for _, n := range r.GetAfter().GetNotes() {
		line("after", n)
	}
	if parts := r.GetParts(); len(parts) > 0 {
		b.WriteString("\nWhat both sets do not share alike, standard uncertainty of the band mean's difference:\n")
		u := table{heads: []string{"ERROR OF", "SHARED BY", "OF", ">u " + unit}}
		for i, p := range parts {
			if i == 8 {
				break
			}
			u.add(p.GetName(), p.GetScope(), show.Or(p.GetOf()), show.Scaled(&p.Uncertainty, by, 3))
		}
		if err := u.print(&b); err != nil {
			return err
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
