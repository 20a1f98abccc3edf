package reader

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

func (a *app) pulls() *cobra.Command {
	return listCommand(a, "pulls", "The pulls and coast-downs with their headline figures",
		"The pulls and coast-downs, newest first. Engine power is stated only where the loss\nwas measured by a coast-down, of the pull itself or of the baseline it is carried from\n(LOSS). PEAK figures are as measured, CORRECTED kW is the engine's\n"+
			"peak times the correction factor. DOUBT names pulls that an open flag touches: see\n`rollcall pull ID`.", "pull",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, f *rollcallv1.Filter) (*rollcallv1.ListPullsResponse, error) {
			return fleet.ListPulls(ctx, &rollcallv1.ListPullsRequest{Filter: f})
		},
		(*rollcallv1.ListPullsResponse).GetPulls,
		func(c *cobra.Command, pulls []*rollcallv1.Pull) error {
			t := table{heads: []string{"STARTED (UTC)", "CELL", "KIND", "CAR", ">WHEEL kW", ">ENGINE kW", ">± U kW", ">AT rpm", "LOSS", ">CORRECTED kW", ">PEAK N·m", "FACTOR", "STATE", "DOUBT", "FINDINGS", "PULL"}}
			for _, p := range pulls {
				t.add(show.At(p.GetStartedAt()), p.GetCellId(), p.GetKind(), carOf(p), show.Scaled(p.PeakWheelPowerW, 1000, 1), show.Scaled(p.PeakEnginePowerW, 1000, 1),
					show.Scaled(p.PeakEnginePowerExpandedUncertaintyW, 1000, 1), show.Scaled(p.PeakEngineSpeedRadS, show.RPM, 0), show.Or(p.GetLoss()), show.Scaled(p.PeakCorrectedPowerW, 1000, 1), show.Scaled(p.PeakEngineTorqueNm, 1, 1),
					factor(p), show.Or(p.GetState()), doubted(p), findingKinds(p), p.GetPullId())
			}
			return t.print(c.OutOrStdout())
		})
}

// doubted marks a pull that an open flag touches.
func doubted(p *rollcallv1.Pull) string {
	if p.GetDoubt() == "" {
		return show.Absent
	}
	return "in doubt"
}

func carOf(p *rollcallv1.Pull) string {
	if p.GetCarId() != "" {
		return p.GetCarId()
	}
	return show.Or(p.GetCustomerCar())
}

func factor(p *rollcallv1.Pull) string {
	if p.CorrectionFactor == nil {
		return show.Absent
	}
	s := fmt.Sprintf("%.4f %s", p.GetCorrectionFactor(), show.Correction(p.GetCorrection()))
	if !p.GetCorrectionInRange() {
		s += " (outside its range)"
	}
	return s
}

func findingKinds(p *rollcallv1.Pull) string {
	var all []string
	for _, f := range p.GetFindings() {
		if !slices.Contains(all, f.GetKind()) {
			all = append(all, f.GetKind())
		}
	}
	return show.Or(strings.Join(all, ", "))
}

// oneCommand makes a command that shows one thing by its id.
func oneCommand[A proto.Message, M proto.Message](a *app, use, short, long string,
	get func(ctx context.Context, fleet rollcallv1.FleetServiceClient, id string) (A, error),
	rows func(A) []M, people func(io.Writer, A) error) *cobra.Command {
	var format formatFlags
	c := &cobra.Command{Use: use, Short: short, Long: long, Args: cobra.ExactArgs(1)}
	format.add(c)
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if err := format.check(); err != nil {
			return err
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			answer, err := get(ctx, fleet, args[0])
			if err != nil {
				return err
			}
			return printAs(format, c.OutOrStdout(), answer, rows(answer), func() error { return people(c.OutOrStdout(), answer) })
		})
	}
	return c
}

func (a *app) pull() *cobra.Command {
	return oneCommand(a, "pull ID", "One pull: figures, findings, channels",
		"One pull: its figures, where its loss comes from, what was found in it, the sweeps and\nsegments of its record, and its channels. --csv prints the channels.",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, id string) (*rollcallv1.GetPullResponse, error) {
			return fleet.GetPull(ctx, &rollcallv1.GetPullRequest{PullId: id, WithSweeps: true})
		},
		(*rollcallv1.GetPullResponse).GetChannels, printPull)
}

func printPull(w io.Writer, r *rollcallv1.GetPullResponse) error {
	var b strings.Builder
	if err := pullHead(&b, r.GetPull()); err != nil {
		return err
	}
	for _, k := range sortedKeys(r.GetHeader()) {
		fmt.Fprintf(&b, "  %-12s %s: %s\n", "header", show.Clean(k), show.Clean(r.GetHeader()[k]))
	}
	if err := sweepTables(&b, r.GetSweeps(), r.GetSweepsWithoutCurve()); err != nil {
		return err
	}
	if len(r.GetChannels()) > 0 {
		b.WriteByte('\n')
		t := table{heads: []string{"CHANNEL", "UNIT", ">SAMPLES", ">RATE Hz", ">LOWEST", ">HIGHEST"}}
		for _, c := range r.GetChannels() {
			t.add(c.GetChannel(), show.Or(c.GetUnit()), strconv.FormatUint(c.GetSamples(), 10), strconv.FormatFloat(c.GetRateHz(), 'f', 1, 64),
				show.Sentence(strconv.FormatFloat(c.GetMinimum(), 'g', 6, 64)), show.Sentence(strconv.FormatFloat(c.GetMaximum(), 'g', 6, 64)))
		}
		if err := t.print(&b); err != nil {
			return err
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// sweepTables writes the sweeps of a record, those too that give no curve, and the
// segments of the one taken.
func sweepTables(b *strings.Builder, sweeps, none []*rollcallv1.Sweep) error {
	for _, s := range sweeps {
		if s.GetTaken() {
			fmt.Fprintf(b, "\n%s; the figures are of number %d\n", show.SweepCount(len(sweeps), len(none)), s.GetNumber())
		}
	}
	if len(sweeps) > 1 {
		t := table{heads: []string{">SWEEP", ">FROM s", ">TO s", ">FROM rpm", ">TO rpm", ">RAMP rpm/s", ">WHEEL kW", ">ENGINE kW", ""}}
		for _, s := range sweeps {
			taken := ""
			if s.GetTaken() {
				taken = "taken"
			}
			t.add(strconv.Itoa(int(s.GetNumber())), show.Scaled(&s.StartS, 1, 2), show.Scaled(&s.EndS, 1, 2), show.Scaled(&s.EngineSpeedLowRadS, show.RPM, 0), show.Scaled(&s.EngineSpeedHighRadS, show.RPM, 0),
				show.Scaled(&s.RampRateRadS2, show.RPM, 0), show.Scaled(s.PeakWheelPowerW, 1000, 2), show.Scaled(s.PeakEnginePowerW, 1000, 2), taken)
		}
		if err := t.print(b); err != nil {
			return err
		}
	}
	for _, s := range none {
		fmt.Fprintf(b, "sweep %d, %s, gives no curve: %s\n", s.GetNumber(), show.Span(s.GetStartS(), s.GetEndS()), show.Clean(show.Sentence(s.GetNoCurve())))
	}
	for _, s := range sweeps {
		if !s.GetTaken() {
			continue
		}
		t := table{heads: []string{"SEGMENT", ">FROM s", ">TO s", ">LASTS s"}}
		for _, g := range append(slices.Clone(s.GetSegments()), s.GetSteps()...) {
			lasts := g.GetEndS() - g.GetStartS()
			t.add(g.GetKind(), show.Scaled(&g.StartS, 1, 2), show.Scaled(&g.EndS, 1, 2), show.Scaled(&lasts, 1, 2))
		}
		if err := t.print(b); err != nil {
			return err
		}
	}
	return nil
}

// pullHead writes what there is to say of a pull as a whole.
func pullHead(b *strings.Builder, p *rollcallv1.Pull) error {
	b.WriteString(show.Clean(p.GetKind()))
	if car := carOf(p); car != show.Absent {
		b.WriteString(" of " + show.Clean(car))
	}
	fmt.Fprintf(b, " on %s, %s UTC\n", show.Clean(p.GetCellId()), show.At(p.GetStartedAt()))
	line := func(head, text string) {
		if text != "" {
			fmt.Fprintf(b, "  %-12s %s\n", head, show.Clean(show.Sentence(text)))
		}
	}
	line("pull", p.GetPullId())
	line("label", p.GetLabel())
	line("session", p.GetSession())
	line("set-up", p.GetSetUp())
	state := p.GetState()
	if p.GetReason() != "" {
		state += ": " + p.GetReason()
	}
	line("state", state)
	line("in doubt", p.GetDoubt())
	for _, id := range p.GetDoubtFlagIds() {
		line("by flag", id)
	}
	if headlines := show.Headlines(p); len(headlines) > 0 {
		t := table{heads: []string{"  FIGURE", ">PEAK", ">± U", "UNIT", ">AT rpm", ">± U", ">BAND MEAN", ">± U", "UNIT", "BAND rpm"}}
		for _, h := range headlines {
			t.add("  "+h.Figure, h.Peak, h.PeakU, h.Unit, h.At, h.AtU, h.BandMean, h.MeanU, h.Unit, h.Band)
		}
		b.WriteByte('\n')
		if err := t.print(b); err != nil {
			return err
		}
		b.WriteString("  " + show.HeadlineLegend(headlines) + "\n\n")
	}
	for _, r := range p.GetRestatements() {
		line("restated", show.RestatedBy(r))
		line("", show.RestatedHow(r))
		if r.GetStatedOtherwiseNow() {
			line("", "The pull was computed anew since and states other figures now: restate again.")
		}
		peaks := show.RestatedPeaks(r, show.DefaultUnits())
		if !r.GetRestated() || len(peaks) == 0 {
			continue
		}
		t := table{heads: []string{"  FIGURE, PEAK", ">STATED", ">± U", ">RESTATED", ">± U", ">DIFFERENCE", ">± U", "UNIT"}}
		for _, x := range peaks {
			t.add("  "+x.Figure, x.Stated, x.StatedU, x.Restated, x.RestatedU, x.Difference, x.DifferenceU, x.Unit)
		}
		if err := t.print(b); err != nil {
			return err
		}
		b.WriteByte('\n')
	}
	if loss := p.GetLoss(); loss == "none" {
		line("loss", "none: "+p.GetLossNote())
	} else {
		line("loss", p.GetLossNote())
	}
	line("note", p.GetPeakNote())
	if p.CorrectionFactor != nil {
		line("correction", factor(p))
	}
	line("note", p.GetCorrectionNote())
	line("smoothing", show.Smoothing(p))
	line("calibration", p.GetEpoch())
	if p.GetCodeVersion() != "" {
		line("computed", "by code version "+p.GetCodeVersion())
	}
	for _, f := range p.GetFindings() {
		s := f.GetText()
		if s == "" {
			s = f.GetKind()
		}
		var where []string
		if f.GetChannel() != "" {
			where = append(where, f.GetChannel())
		}
		if span := show.FindingSpan(f); span != "" {
			where = append(where, span)
		}
		if size := show.FindingSize(f); size != "" {
			where = append(where, size)
		}
		if len(where) > 0 {
			s += " (" + strings.Join(where, ", ") + ")"
		}
		if f.GetDisqualifying() {
			s += "; does not judge the cell"
		}
		line("finding", s)
	}
	return nil
}

func sortedKeys(m map[string]string) []string {
	all := make([]string, 0, len(m))
	for k := range m {
		all = append(all, k)
	}
	slices.Sort(all)
	return all
}

func (a *app) curve() *cobra.Command {
	var grid string
	var sweep uint32
	c := oneCommand(a, "curve ID", "One pull's curve: force, power and torque over engine speed or speed",
		"One pull's curve on its engine-speed grid, or with --grid speed on the grid of the roller\nsurface's speed, every 5 km/h; with --sweep of another sweep of the record than the one taken,\nwhich `rollcall pull` lists. "+
			"Uncertainties of the table are expanded, U (k = 2); those of --json and\n--csv are standard uncertainties, which --csv has in its headers.",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, id string) (*rollcallv1.GetCurveResponse, error) {
			return fleet.GetCurve(ctx, &rollcallv1.GetCurveRequest{PullId: id, Grid: strings.ReplaceAll(grid, "-", " "), Sweep: sweep})
		},
		(*rollcallv1.GetCurveResponse).GetPoints, printCurve)
	c.Flags().StringVar(&grid, "grid", "", "what the points are spaced by: engine-speed or speed (default: engine-speed)")
	c.Flags().Uint32Var(&sweep, "sweep", 0, "which sweep of the record, from 1 (default: the one taken)")
	return c
}

// noCurve says why a record has no curve.
func noCurve(p *rollcallv1.Pull) string {
	switch {
	case p.GetKind() != "pull":
		return "only pulls have one, and this is " + article(show.Clean(p.GetKind()))
	case p.GetState() == "incomplete":
		return "the pull is not whole yet"
	}
	return "the pull could not be computed"
}

func article(noun string) string {
	if noun != "" && strings.ContainsRune("aeiou", rune(noun[0])) {
		return "an " + noun
	}
	return "a " + noun
}

func printCurve(w io.Writer, r *rollcallv1.GetCurveResponse) error {
	var b strings.Builder
	if err := pullHead(&b, r.GetPull()); err != nil {
		return err
	}
	if s := r.GetSweep(); s != nil {
		taken := ", not the one that the figures above are of"
		if s.GetTaken() {
			taken = ", that of the figures above"
		}
		fmt.Fprintf(&b, "  %-12s %d, %s%s\n", "sweep", s.GetNumber(), show.Span(s.GetStartS(), s.GetEndS()), taken)
		if s.GetNoEnginePower() != "" {
			fmt.Fprintf(&b, "  %-12s engine power is not stated: %s\n", "", show.Clean(show.Sentence(s.GetNoEnginePower())))
		}
	}
	if len(r.GetPoints()) == 0 {
		fmt.Fprintf(&b, "\nThere is no curve: %s.\n", noCurve(r.GetPull()))
	} else {
		b.WriteByte('\n')
		t := table{heads: []string{">rpm", ">km/h", ">FORCE N", ">± U", ">WHEEL kW", ">± U", ">LOSS N", ">ENGINE kW", ">± U", ">N·m", ">CORRECTED kW", ">N·m"}}
		for _, p := range r.GetPoints() {
			fixed := func(x, by float64, decimals int) string { return show.Scaled(&x, by, decimals) }
			t.add(fixed(p.GetEngineSpeedRadS(), show.RPM, 0), fixed(p.GetSpeedMps(), 1/3.6, 1), fixed(p.GetTractiveForceN(), 1, 1), fixed(2*p.GetTractiveForceUncertaintyN(), 1, 1),
				fixed(p.GetWheelPowerW(), 1000, 2), fixed(2*p.GetWheelPowerUncertaintyW(), 1000, 2), show.Scaled(p.DrivelineLossN, 1, 1), show.Scaled(p.EnginePowerW, 1000, 2),
				show.Scaled(p.EnginePowerUncertaintyW, 500, 2), show.Scaled(p.EngineTorqueNm, 1, 1), show.Scaled(p.CorrectedPowerW, 1000, 2), show.Scaled(p.CorrectedTorqueNm, 1, 1))
		}
		if err := t.print(&b); err != nil {
			return err
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
