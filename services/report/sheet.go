package report

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
	"time"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/certificate"
	"rollcall/services/show"
)

// zone is the zone of the report's times.
func (r *Report) zone() *time.Location {
	if l, err := time.LoadLocation(r.Zone); err == nil {
		return l
	}
	return time.UTC
}

// Title names the report.
func (r *Report) Title() string { return "Week " + r.Week.String() + " of " + r.Name }

// Lead says the week in a sentence or two.
func (r *Report) Lead() string {
	bad, doubt, pulls, runs := 0, 0, 0, 0
	for _, c := range r.Cells {
		if c.Flag.GetKind() == "recalibrate" {
			bad++
		}
		doubt, pulls, runs = doubt+c.InDoubt, pulls+c.Pulls, runs+c.Runs
	}
	s := "No cell needed recalibration"
	if bad > 0 {
		s = fmt.Sprintf("%d of %s needed recalibration", bad, show.Count(len(r.Cells), "cell", "cells"))
	}
	s += fmt.Sprintf("; %s opened, %s closed, %s open at the end. ", show.Count(len(r.Opened), "flag", "flags"), show.Count(len(r.Closed), "flag", "flags"), show.Count(len(r.Open), "flag", "flags"))
	s += fmt.Sprintf("%s and %s were made", show.Count(runs, "reference run", "reference runs"), show.Count(pulls, "pull", "pulls"))
	if doubt > 0 {
		s += fmt.Sprintf(", %s of customers in doubt", show.Count(doubt, "pull", "pulls"))
	}
	s += "."
	if r.Running {
		s = "So far: " + strings.ToLower(s[:1]) + s[1:]
	}
	return s
}

// FlagWords says of a flag what its line in the report says.
func (r *Report) FlagWords(f *pb.Flag) string {
	s := show.Title(f, cmp.Or(r.Names[f.GetCellId()], f.GetCellId())) + ", opened " + r.day(f.GetOpenedAt().AsTime())
	if f.GetClosedAt() != nil && !f.GetOpen() && f.GetClosedAt().AsTime().Before(r.Until) {
		s += ", closed " + r.day(f.GetClosedAt().AsTime()) + " by " + show.Or(f.GetClosedBy()) + ": " + f.GetClosedReason()
	}
	if causes := f.GetCauses(); len(causes) > 0 {
		s += fmt.Sprintf("; most likely %s, %.0f %%", show.Cause(causes[0].GetFault()), 100*causes[0].GetProbability())
	}
	if n := int(f.GetTouchedCount()); n > 0 {
		s += "; " + show.Count(n, "customer pull touched", "customer pulls touched")
	}
	if a := show.InForce(f); a != nil {
		s += fmt.Sprintf("; %d restated by %s on %s", a.GetPulls()-a.GetKept(), show.Or(a.GetRestatedBy()), r.day(a.GetRestatedAt().AsTime()))
	}
	return s
}

func (r *Report) day(t time.Time) string {
	return t.In(r.zone()).Format(time.DateOnly)
}

// Sheet lays the report out.
func (r *Report) Sheet() certificate.Sheet {
	s := certificate.Sheet{Title: r.Title(), Number: r.Site + " " + r.Week.String(), Issuer: "Rollcall weekly report"}
	state := "the whole week"
	if r.Running {
		state = "so far, the week has not ended"
	}
	s.Lead = []certificate.Row{
		{Name: "Week", Value: fmt.Sprintf("%s to %s, %s", r.day(r.From), r.day(r.Until.Add(-time.Second)), state)},
		{Name: "In short", Value: r.Lead()},
		{Name: "Made", Value: r.Made.In(r.zone()).Format("2006-01-02 15:04") + " " + cmp.Or(r.Zone, "UTC")},
	}
	cells := certificate.Section{Heading: "Cells at the end of the week"}
	table := certificate.Table{Columns: []certificate.Column{{Name: "Cell", Share: 20}, {Name: "Offset %", Right: true, Share: 10}, {Name: "± U %", Right: true, Share: 8}, {Name: "Change %", Right: true, Share: 10}, {Name: "Limit ± %", Right: true, Share: 9}, {Name: "Runs", Right: true, Share: 7}, {Name: "Pulls", Right: true, Share: 7}, {Name: "In doubt", Right: true, Share: 8}, {Name: "Flag", Share: 15}, {Name: "Last run", Share: 13}}}
	for _, c := range r.Cells {
		limit, last, flag := c.GetTolerance(), show.Absent, show.Absent
		if !c.LastRun.IsZero() {
			last = r.day(c.LastRun)
		}
		if c.Flag != nil {
			flag = c.Flag.GetKind()
		}
		table.Rows = append(table.Rows, []string{r.Names[c.GetCellId()], show.OffPercent(c.Offset), show.Percent(c.U), show.OffPercent(c.Change), show.Percent(&limit), strconv.Itoa(c.Runs), strconv.Itoa(c.Pulls), strconv.Itoa(c.InDoubt), flag, last})
	}
	cells.Tables = append(cells.Tables, table)
	s.Sections = append(s.Sections, cells)
	flags := func(heading string, list []*pb.Flag) {
		if len(list) == 0 {
			return
		}
		x := certificate.Section{Heading: heading}
		for _, f := range list {
			line := r.FlagWords(f)
			if heading == "Open at the end, in order of harm" && f.GetNextCheck() != "" {
				line += ". Next: " + f.GetNextCheck()
			}
			x.List = append(x.List, show.Sentence(line))
		}
		s.Sections = append(s.Sections, x)
	}
	flags("Open at the end, in order of harm", r.Open)
	flags("Opened in the week", r.Opened)
	flags("Closed in the week", r.Closed)
	if len(r.Restated) > 0 {
		s.Sections = append(s.Sections, r.restated())
	}
	if len(r.Checks) > 0 {
		x := certificate.Section{Heading: "Checks made"}
		t := certificate.Table{Columns: []certificate.Column{{Name: "Performed", Share: 16}, {Name: "Cell", Share: 20}, {Name: "Check", Share: 24}, {Name: "By", Share: 18}, {Name: "Verdict", Share: 20}}}
		for _, k := range r.Checks {
			t.Rows = append(t.Rows, []string{k.GetPerformedAt().AsTime().In(r.zone()).Format("2006-01-02 15:04"), cmp.Or(r.Names[k.GetCellId()], k.GetCellId()), k.GetKind() + " " + k.GetState(), show.Or(k.GetPerformedBy()), show.Or(k.GetVerdict())})
		}
		x.Tables = append(x.Tables, t)
		s.Sections = append(s.Sections, x)
	}
	if len(r.Due) > 0 {
		x := certificate.Section{Heading: "Due before the end of the next week"}
		for _, d := range r.Due {
			late := ""
			if d.GetOverdue() {
				late = ", overdue"
			}
			x.List = append(x.List, fmt.Sprintf("%s, %s: %s, by %s%s", cmp.Or(r.Names[d.GetCellId()], d.GetCellId()), d.GetOf(), r.day(d.GetDueAt().AsTime()), d.GetRule(), late))
		}
		s.Sections = append(s.Sections, x)
	}
	if len(r.Cars) > 0 {
		x := certificate.Section{Heading: "Reference cars now"}
		for _, c := range r.Cars {
			line := cmp.Or(c.GetName(), c.GetCarId()) + ": not followed yet"
			if c.Change != nil {
				line = fmt.Sprintf("%s: %s %% ± %s %% since its first weeks, %s", cmp.Or(c.GetName(), c.GetCarId()), show.OffPercent(c.Change), show.Percent(c.ExpandedUncertainty), show.Count(int(c.GetRuns()), "run", "runs"))
			}
			x.List = append(x.List, line)
		}
		s.Sections = append(s.Sections, x)
	}
	s.Statements = []string{"Offset: relative error of a cell's corrected tractive force against the fleet, after its last reference run of the week or before; change: against that before the week. U: expanded uncertainty, k = 2. What is said of past weeks is what is known of them today."}
	return s
}

// mostRestated is how many restated pulls a report lists.
const mostRestated = 50

// restated lists the restated pulls with their figures before and after.
func (r *Report) restated() certificate.Section {
	x := certificate.Section{Heading: "Customer pulls made or restated in the week"}
	t := certificate.Table{Columns: []certificate.Column{{Name: "Made", Share: 12}, {Name: "Cell", Share: 14}, {Name: "Customer's car", Share: 16}, {Name: "Peak", Share: 16}, {Name: "Stated ± U", Right: true, Share: 15}, {Name: "Restated ± U", Right: true, Share: 15}, {Name: "Difference ± U", Right: true, Share: 15}}}
	for _, p := range r.Restated[:min(len(r.Restated), mostRestated)] {
		for _, f := range show.RestatedShort(p, show.DefaultUnits()) {
			after := f.RestatedText()
			if !p.GetRestated() {
				after = "kept as stated"
			}
			t.Rows = append(t.Rows, []string{r.day(p.GetStartedAt().AsTime()), cmp.Or(r.Names[p.GetCellId()], p.GetCellId()), show.Or(p.GetCustomerCar()), f.Figure, f.StatedText(), after, f.DifferenceText()})
		}
		if len(p.GetFigures()) == 0 {
			x.List = append(x.List, show.Sentence(fmt.Sprintf("%s, %s, %s: %s", r.day(p.GetStartedAt().AsTime()), cmp.Or(r.Names[p.GetCellId()], p.GetCellId()), show.Or(p.GetCustomerCar()), p.GetNote())))
		}
	}
	if n := len(r.Restated) - mostRestated; n > 0 {
		x.List = append(x.List, fmt.Sprintf("%d more: see the flags' pages", n))
	}
	if len(t.Rows) > 0 {
		x.Tables = append(x.Tables, t)
	}
	return x
}

// PDF returns the report as PDF, the same bytes for the same report.
func (r *Report) PDF() ([]byte, error) {
	b, err := r.Sheet().PDF(certificate.Print{Made: r.Made, Subject: r.Title(), Foot: "Times are " + cmp.Or(r.Zone, "UTC") + ". Made from what the service knew at " + r.Made.UTC().Format("2006-01-02 15:04") + " UTC.", Last: "End of the report."})
	if err != nil {
		return nil, fmt.Errorf("write the report %s of %s as PDF: %w", r.Week, r.Site, err)
	}
	return b, nil
}

// Text returns the report for a terminal.
func (r *Report) Text() string { return r.Sheet().Text("End of the report.") }
