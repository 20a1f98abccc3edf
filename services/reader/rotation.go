package reader

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/caution"
	"rollcall/services/show"
)

const rotationHelp = `Which reference car goes where in the coming weeks, so that the largest uncertainty in
the fleet falls most; beside what is left uncertain if every car stays, and with a fixed
round. What planned runs make known does not depend on what they will say, so that the
figures are those of the plan itself, the cells' and cars' own change until then in them.

Distances are great circles between the sites (longitude_deg in the registry), in km.
Give --leg for what a journey really costs, with --cost-unit where that is no distance:

  rollcall rotation --weeks 6 --stay rowan --away birch=2,3 --closed fen-2=1
  rollcall rotation --leg fen:mil=120 --leg fen:hag=310 --leg mil:hag=170 --cost-unit EUR --budget 900

--worth is what a fall of the largest U by 0.1 % may cost; the less, the less is travelled.`

// rotation prints which reference car goes where next.
func (a *app) rotation() *cobra.Command {
	var format formatFlags
	var weeks, cellsAWeek uint32
	var stay, without, away, closed, places, legs []string
	var from, unit string
	var budget, worth float64
	c := &cobra.Command{Use: "rotation", Short: "Which reference car goes where in the coming weeks", Long: rotationHelp, Args: cobra.NoArgs}
	format.add(c)
	timeoutFlag(c)
	f := c.Flags()
	f.Uint32Var(&weeks, "weeks", 8, "how many weeks to plan")
	f.StringVar(&from, "from", "", "when the first week begins (default: now)")
	f.StringArrayVar(&stay, "stay", nil, "a reference car that cannot travel; may be given again")
	f.StringArrayVar(&without, "without", nil, "a reference car not to plan with; may be given again")
	f.StringArrayVar(&away, "away", nil, "weeks in which a car runs nowhere, CAR=1,2; may be given again")
	f.StringArrayVar(&closed, "closed", nil, "weeks in which a cell cannot be run on, CELL=1,2, or CELL for all; may be given again")
	f.StringArrayVar(&places, "at", nil, "where a car is, CAR=SITE (default: where it last ran); may be given again")
	f.StringArrayVar(&legs, "leg", nil, "what a journey between two sites costs, either way, SITE:SITE=COST; may be given again")
	f.StringVar(&unit, "cost-unit", "", "the unit of the costs (default: km)")
	f.Float64Var(&budget, "budget", 0, "the most that all travel may cost (default: no bound)")
	f.Float64Var(&worth, "worth", 0, "the travel cost that a fall of the largest U by 0.1 % may have (default: an average journey must lower it by one part in two hundred)")
	f.Uint32Var(&cellsAWeek, "cells-a-week", 0, "how many cells of its site a car runs on in a week (default: all)")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := format.check(); err != nil {
			return err
		}
		wrong := func(flag, text, want string) error {
			return &UsageError{fmt.Errorf("--%s %q: write %s; see `%s --help`", flag, text, want, c.CommandPath())}
		}
		request := &rollcallv1.PlanRotationRequest{
			Weeks: weeks, StayCarIds: stay, WithoutCarIds: without, CostUnit: unit, Worth: worth * 1000, CellsAWeek: cellsAWeek,
		}
		if weeks == 0 {
			return wrong("weeks", "0", "1 or more")
		}
		if from != "" {
			t, err := moment(from, a.now())
			if err != nil {
				return &UsageError{fmt.Errorf("--from: %w", err)}
			}
			request.From = timestamppb.New(t)
		}
		if c.Flags().Changed("budget") {
			request.Budget = &budget
		}
		for _, text := range away {
			car, list, ok := weeksOf(text)
			if !ok || len(list) == 0 {
				return wrong("away", text, "CAR=1,2")
			}
			request.Away = append(request.Away, &rollcallv1.CarWeeks{CarId: car, Weeks: list})
		}
		for _, text := range closed {
			cell, list, ok := weeksOf(text)
			if !ok {
				return wrong("closed", text, "CELL=1,2 or CELL")
			}
			request.Closed = append(request.Closed, &rollcallv1.CellWeeks{CellId: cell, Weeks: list})
		}
		for _, text := range places {
			car, site, ok := strings.Cut(text, "=")
			if !ok || car == "" || site == "" {
				return wrong("at", text, "CAR=SITE")
			}
			request.Places = append(request.Places, &rollcallv1.CarPlace{CarId: car, SiteId: site})
		}
		for _, text := range legs {
			pair, cost, ok := strings.Cut(text, "=")
			one, other, both := strings.Cut(pair, ":")
			x, err := strconv.ParseFloat(cost, 64)
			if !ok || !both || err != nil || one == "" || other == "" {
				return wrong("leg", text, "SITE:SITE=COST, such as fen:mil=120")
			}
			request.Travel = append(request.Travel, &rollcallv1.TravelCost{SiteId: one, OtherSiteId: other, Cost: x})
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			answer, err := fleet.PlanRotation(ctx, request)
			if err != nil {
				return err
			}
			return printAs(format, c.OutOrStdout(), answer, answer.GetPlan().GetStops(), func() error { return printRotation(c.OutOrStdout(), answer) })
		})
	}
	return c
}

// weeksOf reads "ID=1,2" or "ID".
func weeksOf(text string) (id string, weeks []uint32, ok bool) {
	id, list, given := strings.Cut(text, "=")
	if !given {
		return id, nil, id != ""
	}
	for _, w := range strings.Split(list, ",") {
		n, err := strconv.ParseUint(strings.TrimSpace(w), 10, 16)
		if err != nil || n == 0 {
			return id, nil, false
		}
		weeks = append(weeks, uint32(n))
	}
	return id, weeks, id != ""
}

func printRotation(w io.Writer, r *rollcallv1.PlanRotationResponse) error {
	t := table{heads: []string{"WEEK", "FROM (UTC)", "CAR", "SITE", "COMES FROM", ">COST " + r.GetCostUnit(), "CELLS"}}
	stops := slices.Clone(r.GetPlan().GetStops())
	for i, s := range stops {
		week, begins := "", ""
		if i == 0 || stops[i-1].GetWeek() != s.GetWeek() {
			week = strconv.Itoa(int(s.GetWeek()))
			begins = r.GetFrom().AsTime().Add(time.Duration(s.GetWeek()-1) * 7 * 24 * time.Hour).Format("2006-01-02")
		}
		comes, cost, cells := "", "", strings.Join(s.GetCellIds(), " ")
		if s.GetFromSiteId() != s.GetSiteId() {
			comes, cost = s.GetFromSiteId(), strconv.FormatFloat(s.GetCost(), 'f', 0, 64)
		}
		if s.GetAway() {
			cells = "away"
		}
		t.add(week, begins, s.GetCarId(), s.GetSiteId(), comes, cost, show.Or(cells))
	}
	if err := t.print(w); err != nil {
		return err
	}
	u := table{heads: []string{"AFTER THE WEEKS", ">LARGEST U %", "CELL", ">TYPICAL U %", ">COST " + r.GetCostUnit()}}
	for _, x := range []struct {
		name string
		s    *rollcallv1.RotationScheme
	}{{"today", r.GetNow()}, {"this plan", r.GetPlan()}, {"every car stays", r.GetStays()}, {"a fixed round", r.GetRound()}} {
		percent := func(v float64) string { return strconv.FormatFloat(100*v, 'f', 2, 64) }
		cost := strconv.FormatFloat(x.s.GetCost(), 'f', 0, 64)
		if x.s.GetOverBudget() {
			cost += " over budget"
		}
		u.add(x.name, percent(x.s.GetLargestExpandedUncertainty()), x.s.GetLargestCellId(), percent(x.s.GetTypicalExpandedUncertainty()), cost)
	}
	if _, err := fmt.Fprintln(w); err != nil {
		return err
	}
	if err := u.print(w); err != nil {
		return err
	}
	lines := append([]string{""}, r.GetWhy()...)
	lines = append(lines, r.GetTravel())
	if !r.GetComplete() {
		lines = append(lines, "The search ended by its bound: a better plan may exist.")
	}
	lines = append(lines, "", caution.Car, caution.First)
	for _, l := range lines {
		if _, err := fmt.Fprintln(w, show.Clean(l)); err != nil {
			return err
		}
	}
	return nil
}
