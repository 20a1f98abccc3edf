package query

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"rollcall/services/fleet"
	"rollcall/services/pipeline"
)

// Of each cell as many pulls are kept as the cell with the fewest has, its newest,
// in order of time.
func TestNewestOfEach(t *testing.T) {
	for _, c := range []struct {
		cells, want, says string // a letter a pull, its cell
	}{
		{"abab", "a0 b1 a2 b3", ""},
		{"aaabb", "a1 a2 b3 b4", "its newest 2 pulls are taken"},
		{"abbabba", "a0 b2 a3 b4 b5 a6", "its newest 3 pulls are taken, as many as the cell with the fewest has, for ASTM E691 wants as many of each: 6 of 7"},
		{"abbb", "a0 b1 b2 b3", ""}, // one of a cell: left to be refused
	} {
		var pulls []pipeline.Reduced
		byCell := map[fleet.CellID][]int{}
		for i, cell := range strings.Split(c.cells, "") {
			var r pipeline.Reduced
			r.Pull.Cell, r.Pull.ID = fleet.CellID(cell), fleet.PullID(fmt.Sprint(cell, i))
			pulls = append(pulls, r)
			byCell[r.Pull.Cell] = append(byCell[r.Pull.Cell], i)
		}
		cells := keysOf(byCell)
		kept, says := newestOfEach(pulls, cells, byCell)
		var got []string
		for _, r := range kept {
			got = append(got, string(r.Pull.ID))
		}
		if strings.Join(got, " ") != c.want || !strings.Contains(says, c.says) || (c.says == "") != (says == "") {
			t.Errorf("%s: %v, %q; want %s", c.cells, got, says, c.want)
		}
		for _, cell := range cells {
			for _, i := range byCell[cell] {
				if kept[i].Pull.Cell != cell || !slices.IsSorted(byCell[cell]) {
					t.Errorf("%s: pull %d is not of %s", c.cells, i, cell)
				}
			}
		}
	}
}
