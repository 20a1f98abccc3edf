package reader

import (
	"errors"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// Every flag reaches the request.
func TestRotationAsks(t *testing.T) {
	d := open(t)
	_, _, err := d.run(strings.Fields("rotation --weeks 6 --from 2026-06-15 --stay rowan --stay elm --without yew --away hazel=2,3 --closed fen-2=1 --closed mil-1 --at birch=ost --leg fen:mil=120 --leg fen:hag=310.5 --cost-unit EUR --budget 900 --worth 50 --cells-a-week 2")...)
	if err != nil {
		t.Fatal(err)
	}
	budget := 900.0
	want := &rollcallv1.PlanRotationRequest{
		Weeks: 6, StayCarIds: []string{"rowan", "elm"}, WithoutCarIds: []string{"yew"}, Away: []*rollcallv1.CarWeeks{{CarId: "hazel", Weeks: []uint32{2, 3}}},
		Closed:   []*rollcallv1.CellWeeks{{CellId: "fen-2", Weeks: []uint32{1}}, {CellId: "mil-1"}},
		Places:   []*rollcallv1.CarPlace{{CarId: "birch", SiteId: "ost"}},
		Travel:   []*rollcallv1.TravelCost{{SiteId: "fen", OtherSiteId: "mil", Cost: 120}, {SiteId: "fen", OtherSiteId: "hag", Cost: 310.5}},
		CostUnit: "EUR", Budget: &budget, Worth: 50000, CellsAWeek: 2,
	}
	want.From = d.fleet.Asked.GetFrom()
	if !proto.Equal(d.fleet.Asked, want) || want.From.AsTime().Format("2006-01-02") != "2026-06-15" {
		t.Errorf("asked\n%v\nwant\n%v", d.fleet.Asked, want)
	}
	out, _, err := d.run("rotation", "--json")
	var got rollcallv1.PlanRotationResponse
	if err != nil || protojson.Unmarshal([]byte(out), &got) != nil || got.GetPlan().GetLargestCellId() != "mil-1" {
		t.Errorf("%v\n%s", err, out)
	}
	if d.fleet.Asked.Budget != nil || d.fleet.Asked.From != nil {
		t.Errorf("a budget or beginning nobody gave: %v", d.fleet.Asked)
	}
}

func TestRotationUsage(t *testing.T) {
	d := open(t)
	for line, want := range map[string]string{
		"--weeks 0":              "write 1 or more",
		"--away hazel":           "write CAR=1,2",
		"--away hazel=0":         "write CAR=1,2",
		"--closed =1":            "write CELL=1,2 or CELL",
		"--at hazel":             "write CAR=SITE",
		"--leg fen-mil=120":      "SITE:SITE=COST",
		"--leg fen:mil=far":      "SITE:SITE=COST",
		"--from someday":         "--from",
		"--json --csv":           "exclude each other",
		"--cells-a-week -1":      "cells-a-week",
		"--budget plenty":        "budget",
		"--closed fen-2=1,two":   "write CELL=1,2 or CELL",
		"--leg :mil=3 --weeks 2": "SITE:SITE=COST",
	} {
		_, _, err := d.run(append([]string{"rotation"}, strings.Fields(line)...)...)
		var usage *UsageError
		if err == nil || !strings.Contains(err.Error(), want) || (!errors.As(err, &usage) && !strings.Contains(err.Error(), "invalid argument")) {
			t.Errorf("%s: %v, want %q", line, err, want)
		}
	}
}
