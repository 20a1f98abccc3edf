package reader

import (
	"context"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/caution"
	"rollcall/services/show"
)

func (a *app) check() *cobra.Command {
	return oneCommand(a, "check ID", "One calibration check with all that was computed of it",
		"One calibration check: what was read, the results with U (k and degrees of freedom\nbeside), the decision and the risk that it is wrong, the uncertainty budgets, the\ninterpolation equation, the class, the drift since the last check, and what was found\nabout the check itself. --csv prints the stated results.",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, id string) (*rollcallv1.GetCheckResponse, error) {
			return fleet.GetCheck(ctx, &rollcallv1.GetCheckRequest{CheckId: id})
		},
		func(r *rollcallv1.GetCheckResponse) []*rollcallv1.StatedResult { return r.GetResult().GetStated() }, printCheck)
}

// figure is a number with six significant digits, the minus as in print.
func figure(x float64) string { return show.Sentence(strconv.FormatFloat(x, 'g', 6, 64)) }

// leastRisk is the risk, a probability, under which its size says nothing: no
// model of the readings holds so far out in the tails.
const leastRisk = 1e-5

// riskPercent is the probability of a wrong decision in percent, two digits.
func riskPercent(p float64) string {
	if p < leastRisk {
		return "< " + strconv.FormatFloat(100*leastRisk, 'f', -1, 64)
	}
	return strconv.FormatFloat(100*p, 'g', 2, 64)
}

// sized is a result of a check with U in the unit people use.
func sized(value, u float64, unit string) string {
	if unit == "1" {
		return fmt.Sprintf("%s %% ± %.3f %%", show.Signed(100*value, 3), 100*u)
	}
	return show.Sized(value, u, unit)
}

func freedom(dof *float64) string {
	if dof == nil {
		return "∞"
	}
	return strconv.FormatFloat(math.Floor(*dof), 'f', 0, 64)
}

func direction(d rollcallv1.LoadDirection) string {
	switch d {
	case rollcallv1.LoadDirection_LOAD_DIRECTION_RISING:
		return "rising"
	case rollcallv1.LoadDirection_LOAD_DIRECTION_FALLING:
		return "falling"
	}
	return show.Absent
}

func printCheck(w io.Writer, r *rollcallv1.GetCheckResponse) error {
	var b strings.Builder
	c, m, x := r.GetCheck(), r.GetMade(), r.GetResult()
	line := func(head, text string) {
		if text != "" {
			fmt.Fprintf(&b, "  %-12s %s\n", head, show.Clean(show.Sentence(text)))
		}
	}
	heading := func(text string) { fmt.Fprintf(&b, "\n%s\n", show.Clean(show.Sentence(text))) }
	tables := func(t table) error {
		if len(t.rows) == 0 {
			return nil
		}
		return t.print(&b)
	}
	fmt.Fprintf(&b, "%s check of %s, %s, %s UTC\n", show.Clean(c.GetKind()), show.Clean(c.GetCellId()), show.Clean(c.GetState()), show.At(c.GetPerformedAt()))
	line("by", c.GetPerformedBy())
	line("verdict", show.Or(c.GetVerdict()))
	line("why", c.GetReason())
	if c.Risk != nil {
		line("risk", "the decision is wrong with a probability of "+riskPercent(c.GetRisk())+" %")
	}
	line("standard", c.GetStandardId())
	if m.ArmAngleRad != nil {
		line("arm", fmt.Sprintf("%s° off the horizontal", show.Signed(m.GetArmAngleRad()*180/math.Pi, 2)))
	}
	if m.Adjusted != nil {
		line("adjusted", map[bool]string{true: "after it; a check as left is to come", false: "no"}[m.GetAdjusted()])
	}
	line("note", m.GetNote())
	if c.GetOpensEpochAt() != nil {
		line("epoch", "opens one: its values hold from "+show.At(c.GetOpensEpochAt())+" UTC")
	}
	line("under", map[bool]string{true: "the indicator as it is", false: "the calibration of check " + c.GetEpoch()}[c.GetEpoch() == ""])
	line("check", c.GetCheckId())
	if x == nil {
		if r.GetCodeVersion() != "" {
			heading("Computed by an earlier version, which kept these figures only; `rollcall recompute` gives the rest.")
		}
		_, err := io.WriteString(w, b.String())
		return err
	}
	for i, f := range x.GetFindings() {
		if i == 0 {
			b.WriteByte('\n')
		}
		text := f.GetText()
		if f.GetSource() != "" {
			text += " (" + f.GetSource() + ")"
		}
		line("found", text)
	}
	if i := x.GetBaseInertia(); i != nil {
		if err := printInertia(&b, i); err != nil {
			return err
		}
		_, err := io.WriteString(w, b.String())
		return err
	}
	if len(x.GetStated()) > 0 {
		heading("Results")
		t := table{heads: []string{"  RESULT", "VALUE ± U", ">k", ">DOF", "OF"}}
		for _, s := range x.GetStated() {
			t.add("  "+s.GetQuantity(), sized(s.GetValue(), s.GetExpandedUncertainty(), s.GetUnit()), strconv.FormatFloat(s.GetCoverageFactor(), 'f', 2, 64), freedom(s.DegreesOfFreedom), show.Or(s.GetSays()))
		}
		if err := tables(t); err != nil {
			return err
		}
	}
	if len(x.GetPoints()) > 0 {
		heading("Loads")
		t := table{heads: []string{"  >LOAD N", "DIRECTION", ">READINGS", ">ERROR N", ">± U N", ">LIMIT ± N", "VERDICT", ">RISK %"}}
		t.heads[0] = "  LOAD N"
		for _, p := range x.GetPoints() {
			limit, risk := show.Absent, show.Absent
			if p.GetToleranceN() > 0 {
				limit, risk = strconv.FormatFloat(p.GetToleranceN(), 'f', 2, 64), riskPercent(p.GetRisk())
			}
			t.add("  "+show.Sentence(strconv.FormatFloat(p.GetLoadN(), 'f', 2, 64)), direction(p.GetDirection()), strconv.Itoa(int(p.GetCount())), show.Signed(p.GetErrorN(), 3), strconv.FormatFloat(p.GetExpandedUncertaintyN(), 'f', 3, 64), limit, show.Or(p.GetVerdict()), risk)
		}
		if err := tables(t); err != nil {
			return err
		}
	}
	if len(x.GetSpeedZeros()) > 0 {
		heading("Zero by roller speed")
		t := table{heads: []string{"  SPEED km/h", ">READINGS", ">ERROR N", ">± U N", "VERDICT"}}
		for _, z := range x.GetSpeedZeros() {
			t.add("  "+strconv.FormatFloat(3.6*z.GetSpeedMps(), 'f', 1, 64), strconv.Itoa(int(z.GetCount())), show.Signed(z.GetErrorN(), 3), strconv.FormatFloat(z.GetExpandedUncertaintyN(), 'f', 3, 64), show.Or(z.GetVerdict()))
		}
		if err := tables(t); err != nil {
			return err
		}
	}
	if d := x.GetDrift(); d != nil {
		heading(fmt.Sprintf("Since the check of %s UTC, %.0f days before (%s)", show.At(d.GetSince()), d.GetDays(), d.GetCheckId()))
		if d.ZeroN != nil {
			line("zero", fmt.Sprintf("%s, E_n %.2f", sized(d.GetZeroN(), d.GetZeroExpandedUncertaintyN(), "N"), d.GetZeroEn()))
		}
		if d.Gain != nil {
			line("gain", fmt.Sprintf("%s, E_n %.2f", sized(d.GetGain(), d.GetGainExpandedUncertainty(), "1"), d.GetGainEn()))
		}
	}
	if i := x.GetInterpolation(); i != nil {
		heading("Interpolation equation, reading against force F in N")
		terms := ""
		for k, power := range []string{"", "·F", "·F²", "·F³"} {
			if k > int(i.GetDegree()) || k >= len(i.GetCoefficients()) {
				break
			}
			if k > 0 {
				terms += " + "
			}
			terms += "(" + figure(i.GetCoefficients()[k]) + ")" + power
		}
		line("equation", terms)
		line("residual", fmt.Sprintf("%.3g N, %d degrees of freedom", i.GetResidualN(), i.GetDegreesOfFreedom()))
		line("degree", fmt.Sprintf("%d: %s", i.GetDegree(), i.GetReason()))
		line("rule", i.GetRule())
	}
	if k := x.GetClass(); k != nil {
		heading(strings.TrimSpace("Class by " + k.GetTable()))
		line("asked", show.Or(k.GetAsked()))
		reached := show.Or(k.GetReached())
		if !k.GetComplete() {
			reached += ", of what was measured"
		}
		line("reached", reached)
		source := k.GetSource()
		if k.GetFromMemory() {
			source += " (limits from memory)"
		}
		line("source", source)
		t := table{heads: []string{"  CLASS", "QUANTITY", ">LIMIT %", ">VALUE %", "WITHIN"}}
		for _, l := range k.GetLimits() {
			value, within := "not measured", show.Absent
			if l.GetMeasured() {
				value, within = strconv.FormatFloat(l.GetValuePercent(), 'f', 3, 64), map[bool]string{true: "yes", false: "no"}[l.GetWithin()]
			}
			t.add("  "+l.GetClass(), l.GetQuantity(), strconv.FormatFloat(l.GetLimitPercent(), 'f', 3, 64), value, within)
		}
		if err := tables(t); err != nil {
			return err
		}
	}
	for _, s := range x.GetSenses() {
		if s.GetDriving() {
			continue
		}
		name := "compression"
		if s.GetSense() == rollcallv1.LoadSense_LOAD_SENSE_TENSION {
			name = "tension"
		}
		heading("In " + name)
		line("verdict", show.Or(s.GetResult().GetVerdict()))
		line("why", s.GetResult().GetReason())
		line("gain", sized(s.GetGainDifference(), s.GetGainDifferenceExpandedUncertainty(), "1")+" against the driving sense")
	}
	if s := x.GetAsLeft(); s != nil {
		heading("The indicator's calibration")
		line("zero", sized(s.GetZeroN(), 2*s.GetZeroUncertaintyN(), "N"))
		line("gain", sized(s.GetGain(), 2*s.GetGainUncertainty(), "1"))
		if s.GetDegree() > 1 {
			line("quadratic", figure(s.GetQuadraticPerN())+" 1/N")
		}
		if s.GetDegree() > 2 {
			line("cubic", figure(s.GetCubicPerN2())+" 1/N²")
		}
	}
	for _, s := range x.GetStated() {
		if len(s.GetBudget()) == 0 {
			continue
		}
		// The contributions are in the result's own unit, each sensitivity in it
		// per the input's.
		unit := ", " + s.GetUnit()
		if s.GetUnit() == "1" {
			unit = ", as a ratio"
		}
		heading("Budget of the " + s.GetQuantity() + strings.TrimSuffix(unit, ", "))
		if err := printCheckBudget(&b, s.GetBudget()); err != nil {
			return err
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func printCheckBudget(b *strings.Builder, rows []*rollcallv1.CheckBudgetRow) error {
	t := table{heads: []string{"  INPUT", ">u", ">SENSITIVITY", ">CONTRIBUTION", ">DOF"}}
	for _, r := range rows {
		short := func(x float64) string { return show.Sentence(strconv.FormatFloat(x, 'g', 3, 64)) }
		t.add("  "+r.GetInput(), short(r.GetStandardUncertainty()), short(r.GetSensitivity()), short(r.GetContribution()), freedom(r.DegreesOfFreedom))
	}
	return t.print(b)
}

func printInertia(b *strings.Builder, i *rollcallv1.BaseInertiaResult) error {
	line := func(head, text string) { fmt.Fprintf(b, "  %-12s %s\n", head, show.Clean(text)) }
	b.WriteString("\nBase inertia\n")
	if i.MassKg != nil {
		line("mass", fmt.Sprintf("%.2f kg ± %.2f kg (k = %.2f, %s degrees of freedom)", i.GetMassKg(), i.GetExpandedUncertaintyKg(), i.GetCoverageFactor(), freedom(i.DegreesOfFreedom)))
	}
	if i.GetStatedKg() > 0 {
		line("in force", fmt.Sprintf("%.2f kg; measured %s off it", i.GetStatedKg(), sized(i.GetDeviation(), i.GetDeviationExpandedUncertainty(), "1")))
	}
	if len(i.GetRuns()) > 0 {
		line("parasitic", fmt.Sprintf("%.1f N ± %.1f N of the runs, %.1f N by the registry", i.GetParasiticN(), i.GetParasiticExpandedUncertaintyN(), i.GetRegistryParasiticN()))
		b.WriteString("\nRuns\n")
		t := table{heads: []string{"  RUN", ">SET FORCE N", ">FROM km/h", ">TO km/h", ">TOOK s", ">DECELERATION m/s²"}}
		for _, r := range i.GetRuns() {
			t.add("  "+strconv.Itoa(int(r.GetIndex())+1), show.Signed(r.GetForceN(), 1), strconv.FormatFloat(3.6*r.GetFromMps(), 'f', 1, 64), strconv.FormatFloat(3.6*r.GetToMps(), 'f', 1, 64), strconv.FormatFloat(r.GetDurationS(), 'f', 3, 64), show.Signed(r.GetDecelerationMps2(), 4))
		}
		if err := t.print(b); err != nil {
			return err
		}
	}
	if len(i.GetValues()) > 0 {
		b.WriteString("\nValues\n")
		t := table{heads: []string{"  RUNS", ">MASS kg", ">OFF %", "WITHIN"}}
		for _, v := range i.GetValues() {
			pair := "?"
			if runs := i.GetRuns(); int(v.GetFirst()) < len(runs) && int(v.GetSecond()) < len(runs) {
				pair = fmt.Sprintf("%d and %d", runs[v.GetFirst()].GetIndex()+1, runs[v.GetSecond()].GetIndex()+1)
			}
			off := v.GetDeviation()
			t.add("  "+pair, strconv.FormatFloat(v.GetMassKg(), 'f', 2, 64), show.OffPercent(&off), map[bool]string{true: "yes", false: "no"}[v.GetWithin()])
		}
		if err := t.print(b); err != nil {
			return err
		}
	}
	if len(i.GetLimits()) > 0 {
		b.WriteString("\nLimits\n")
		t := table{heads: []string{"  LIMIT", ">ASKED", ">FOUND", "WITHIN", "SOURCE"}}
		for _, l := range i.GetLimits() {
			// A number of values is a least one; the others are ratios, and most ones.
			asked, found := "at least "+figure(l.GetLimit()), figure(l.GetValue())
			if limit, value := l.GetLimit(), l.GetValue(); limit < 1 {
				asked, found = "±"+strconv.FormatFloat(100*limit, 'g', 6, 64)+" %", show.Signed(100*value, 3)+" %"
			}
			t.add("  "+l.GetName(), asked, found, map[bool]string{true: "yes", false: "no"}[l.GetWithin()], show.Or(l.GetSource()))
		}
		if err := t.print(b); err != nil {
			return err
		}
	}
	if len(i.GetBudget()) > 0 {
		b.WriteString("\nBudget of the base inertia, kg\n")
		return printCheckBudget(b, i.GetBudget())
	}
	return nil
}

func (a *app) epochs() *cobra.Command {
	var format formatFlags
	c := &cobra.Command{Use: "epochs CELL", Short: "From when which calibration, base inertia and parasitic loss hold", Args: cobra.ExactArgs(1),
		Long: "The epochs of a cell: from when which load-cell calibration, base inertia and parasitic\nloss hold, with U (k = 2), and where each comes from. An epoch holds unless the registry\nwas given another value of that very quantity from a later moment."}
	format.add(c)
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if err := format.check(); err != nil {
			return err
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			answer, err := fleet.ListEpochs(ctx, &rollcallv1.ListEpochsRequest{Filter: &rollcallv1.Filter{CellId: args[0]}})
			switch {
			case err != nil:
				return err
			case len(answer.GetEpochs()) == 0:
				return fmt.Errorf("no epoch of %s here: %w", args[0], ErrNothing)
			case format.json:
				return show.JSON(c.OutOrStdout(), answer)
			case format.csv:
				return show.CSV(c.OutOrStdout(), answer.GetEpochs())
			}
			t := table{heads: []string{"OF", "SINCE (UTC)", "UNTIL (UTC)", "VALUES ± U", "FROM", "ID", "BY", "REASON"}}
			for _, e := range answer.GetEpochs() {
				until := "holds"
				if e.GetUntil() != nil {
					until = show.At(e.GetUntil())
				}
				t.add(e.GetOf(), show.At(e.GetSince()), until, epochValues(e), e.GetSource(), show.Or(e.GetEpoch()), show.Or(e.GetSignedBy()), show.Or(e.GetReason()))
			}
			return t.print(c.OutOrStdout())
		})
	}
	return c
}

// epochValues are an epoch's numbers with U; a U of nought is not stated alone.
func epochValues(e *rollcallv1.Epoch) string {
	var all []string
	for _, v := range e.GetValues() {
		text := v.GetName() + " "
		switch {
		case v.GetExpandedUncertainty() == 0:
			text += figure(v.GetValue())
			if v.GetUnit() != "1" {
				text += " " + v.GetUnit()
			}
		case v.GetUnit() == "kg":
			text += fmt.Sprintf("%.2f kg ± %.2f kg", v.GetValue(), v.GetExpandedUncertainty())
		default:
			text += sized(v.GetValue(), v.GetExpandedUncertainty(), v.GetUnit())
		}
		all = append(all, text)
	}
	return strings.Join(all, ", ")
}

func (a *app) parasitic() *cobra.Command {
	list := listCommand(a, "list", "The coast-downs of the empty rollers with their losses",
		"The coast-downs of the empty rollers: the parasitic loss F0 + F1·v + F2·v² of each, how\nfar it is from the one in force, and what changed since the coast-down before, with U\n(k = 2).", "coast-down of empty rollers",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, f *rollcallv1.Filter) (*rollcallv1.ListParasiticsResponse, error) {
			return fleet.ListParasitics(ctx, &rollcallv1.ListParasiticsRequest{Filter: f})
		},
		(*rollcallv1.ListParasiticsResponse).GetLosses,
		func(c *cobra.Command, losses []*rollcallv1.ParasiticLoss) error {
			t := table{heads: []string{"STARTED (UTC)", "CELL", ">F0 N", ">F1 N·s/m", ">F2 N·s²/m²", ">IN FORCE N", ">± U N", ">CHANGE N", ">± U N", "SINCE THE LAST", "ADOPTED", "COAST-DOWN"}}
			for _, l := range losses {
				adopted := show.Absent
				if l.GetAdoptedAt() != nil {
					adopted = fmt.Sprintf("from %s UTC, %s: %s", show.At(l.GetEffectiveAt()), l.GetAdoptedBy(), l.GetAdoptedReason())
				}
				if l.GetState() != "computed" {
					t.add(show.At(l.GetStartedAt()), l.GetCellId(), show.Absent, show.Absent, show.Absent, show.Absent, show.Absent, show.Absent, show.Absent, l.GetState()+": "+l.GetReason(), adopted, l.GetPullId())
					continue
				}
				change := show.Absent
				if l.ChangeN != nil {
					change = show.Signed(l.GetChangeN(), 2)
				}
				t.add(show.At(l.GetStartedAt()), l.GetCellId(), show.Signed(l.GetF0N(), 2), show.Signed(l.GetF1NSM(), 3), show.Signed(l.GetF2NS2M2(), 5), show.Signed(l.GetAgainstInForceN(), 2), strconv.FormatFloat(l.GetAgainstInForceExpandedUncertaintyN(), 'f', 2, 64),
					change, show.Scaled(l.ChangeExpandedUncertaintyN, 1, 2), show.Or(show.Sentence(l.GetChangeSays())), adopted, l.GetPullId())
			}
			return t.print(c.OutOrStdout())
		})
	c := &cobra.Command{Use: "parasitic", Short: "The parasitic losses of the empty rollers, and adopting one", Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return &UsageError{fmt.Errorf("say list or adopt; see `%s --help`", c.CommandPath())}
		}}
	c.AddCommand(list, a.adoptParasitic())
	return c
}

func (a *app) adoptParasitic() *cobra.Command {
	var reason, by, from string
	var format formatFlags
	c := &cobra.Command{Use: "adopt PULL", Short: "Take a coast-down's loss as the cell's parasitic loss", Args: cobra.ExactArgs(1),
		Long:    "Take the loss that a coast-down of the empty rollers showed as the cell's parasitic\nloss, by a signed reason, from the coast-down on or from the moment --from says. Pulls\nfrom then on are computed again. Reason and name are kept for good. Whoever comes with\na certificate signs by the certificate's name, whatever --by says.\n\n" + caution.First,
		Example: `  rollcall parasitic adopt 0123… --by "M. Krause" --reason "new bearings, run in"`}
	c.Flags().StringVar(&reason, "reason", "", "why the loss is adopted (needed)")
	c.Flags().StringVar(&by, "by", "", "who adopts it (needed)")
	c.Flags().StringVar(&from, "from", "", "from when it holds (default: from the coast-down on); 2026-03-01, 2026-03-01T08:00:00Z, or 12h, 7d, 4w before now")
	c.Flags().BoolVar(&format.json, "json", false, "print the answer as one JSON document")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if strings.TrimSpace(reason) == "" || strings.TrimSpace(by) == "" {
			return &UsageError{fmt.Errorf("a loss is adopted by a signed reason: give both --reason and --by")}
		}
		req := &rollcallv1.AdoptParasiticRequest{PullId: args[0], Reason: reason, AdoptedBy: by}
		if from != "" {
			t, err := moment(from, a.now())
			if err != nil {
				return &UsageError{fmt.Errorf("--from: %w", err)}
			}
			req.EffectiveAt = timestamppb.New(t)
		}
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			r, err := rollcallv1.NewAdminServiceClient(conn).AdoptParasitic(ctx, req)
			switch {
			case err != nil:
				return err
			case format.json:
				return show.JSON(c.OutOrStdout(), r)
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "the parasitic loss of %s is %s N + %s N·s/m · v + %s N·s²/m² · v² from %s UTC on; pulls from then on are being computed again\n",
				show.Clean(r.GetCellId()), figure(r.GetF0N()), figure(r.GetF1NSM()), figure(r.GetF2NS2M2()), show.At(r.GetEffectiveAt()))
			return err
		})
	}
	return c
}

// whyDue says why a check is due when it is, in the units people use.
func whyDue(d *rollcallv1.DueCheck) string {
	if d.GetRule() != "drift" || d.RatePerDay == nil || d.RateExpandedUncertaintyPerDay == nil || d.InToleranceAtDue == nil {
		return d.GetSays()
	}
	const year = 365.25 // days
	unit := "N"
	if d.GetOf() == "load-cell gain" {
		unit = "1"
	}
	drift := "its checks showed a steady drift of " + show.Sized(year*d.GetRatePerDay(), year*d.GetRateExpandedUncertaintyPerDay(), unit) + " a year, and scatter beside it: "
	if d.GetInToleranceAtDue() < d.GetReliability() {
		return drift + fmt.Sprintf("that it is in tolerance now is not %.0f %% sure", 100*d.GetReliability())
	}
	return drift + fmt.Sprintf("it stays in tolerance until then with a probability of %.0f %%, and no longer", 100*d.GetReliability())
}

func (a *app) due() *cobra.Command {
	return listCommand(a, "due", "When the next checks are due, the earliest first",
		"When each cell's next check of its load cell is due, the earliest first: by the time and\nthe number of pulls that the registry allows (check_every_days, check_pulls), and by the\ndrift that its checks showed, while it stays in tolerance with the reliability asked\n(reliability_percent). RULE says which of them rules.", "cell with checks",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, f *rollcallv1.Filter) (*rollcallv1.ListDueResponse, error) {
			return fleet.ListDue(ctx, &rollcallv1.ListDueRequest{Filter: f})
		},
		(*rollcallv1.ListDueResponse).GetDue,
		func(c *cobra.Command, due []*rollcallv1.DueCheck) error {
			t := table{heads: []string{"DUE (UTC)", "", "CELL", "OF", "RULE", ">IN TOLERANCE %", "LAST CHECK (UTC)", ">PULLS SINCE", "WHY"}}
			for _, d := range due {
				late, in, pulls := "", show.Absent, show.Absent
				if d.GetOverdue() {
					late = "overdue"
				}
				if d.InToleranceAtDue != nil {
					in = strconv.FormatFloat(100*d.GetInToleranceAtDue(), 'f', 1, 64)
				}
				if d.GetPullsSince() > 0 {
					pulls = strconv.Itoa(int(d.GetPullsSince()))
				}
				t.add(show.At(d.GetDueAt()), late, d.GetCellId(), d.GetOf(), show.Or(d.GetRule()), in, show.At(d.GetLastCheckAt()), pulls, show.Sentence(whyDue(d)))
			}
			if err := t.print(c.OutOrStdout()); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "\n%s\n%s\n", caution.Masses, caution.First)
			return err
		})
}
