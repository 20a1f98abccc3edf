package pages

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

// Sizes of the first page. Up to mostDrawn cells are drawn at once, those of a
// larger fleet folded by site; mostCards, mostChanges and mostDue bound the lists
// beside, whose rest is a link away.
const (
	mostDrawn   = 60
	mostCards   = 12
	mostChanges = 30
	mostDue     = 30
)

// fleetStates are the states a fleet can be narrowed to, in order of harm.
var fleetStates = []state{stateRecalibrate, stateDrifting, stateOverdue, stateOutside, stateNotSeparable, stateClose, stateUnjudged, stateAgrees}

// fleetView is what an address says of the first page.
type fleetView struct {
	Site, State, Find string
	// Order is site or harm; empty: by site, or folded where the fleet is large.
	Order string
	// Page is from 1; All: every cell is drawn on one page.
	Page int
	All  bool
}

// viewOf reads the filter of the first page's address.
func viewOf(q url.Values) (fleetView, error) {
	v := fleetView{Site: q.Get("site"), State: q.Get("state"), Find: strings.TrimSpace(q.Get("find")), Order: q.Get("order"), Page: 1, All: q.Get("show") == "all"}
	wrong := func(format string, args ...any) (fleetView, error) {
		return v, status.Errorf(codes.InvalidArgument, format, args...)
	}
	if v.State != "" && !slices.ContainsFunc(fleetStates, func(s state) bool { return s.Word == v.State }) {
		var words []string
		for _, s := range fleetStates {
			words = append(words, s.Word)
		}
		return wrong("state=%.40q is none; a cell can be: %s", v.State, strings.Join(words, "; "))
	}
	if v.Order != "" && v.Order != "site" && v.Order != "harm" {
		return wrong("order=%.40q is none; write site or harm", v.Order)
	}
	if s := q.Get("show"); s != "" && s != "all" {
		return wrong("show=%.40q is not known; write all, or leave it out", s)
	}
	if p := q.Get("page"); p != "" {
		n, err := strconv.Atoi(p)
		if err != nil || n < 1 || n > 1_000_000 {
			return wrong("page=%.40q is no page; they are counted from 1", p)
		}
		v.Page = n
	}
	return v, nil
}

// narrow says whether the view leaves cells out.
func (v fleetView) narrow() bool { return v.Site != "" || v.State != "" || v.Find != "" }

// keeps says whether a cell is in the view.
func (v fleetView) keeps(c *rollcallv1.CellStatus) bool {
	if v.Site != "" && c.GetSiteId() != v.Site || v.State != "" && stateOf(c).Word != v.State {
		return false
	}
	find := strings.ToLower(v.Find)
	return find == "" || strings.Contains(strings.ToLower(nameOf(c)), find) || strings.Contains(strings.ToLower(c.GetCellId()), find) || strings.Contains(strings.ToLower(siteOf(c)), find)
}

// Address is that of the view on another page.
func (v fleetView) Address(page int) string {
	q := url.Values{}
	for key, x := range map[string]string{"site": v.Site, "state": v.State, "find": v.Find, "order": v.Order} {
		if x != "" {
			q.Set(key, x)
		}
	}
	if page > 1 {
		q.Set("page", strconv.Itoa(page))
	}
	if len(q) == 0 {
		return "/"
	}
	return "/?" + q.Encode()
}

// Narrowed says what the view leaves.
func (v fleetView) Narrowed() string {
	var said []string
	for _, x := range []struct{ word, value string }{{"site", v.Site}, {"state", v.State}, {"name", v.Find}} {
		if x.value != "" {
			said = append(said, x.word+" "+show.Clean(x.value))
		}
	}
	return strings.Join(said, ", ")
}

// fold is a site in a line, with its cells to unfold.
type fold struct {
	ID, Name string
	State    state // of the cell that needs somebody most
	Words    string
	Cells    []cellRow
}

// harmOf orders cells by harm: states by what they ask for, then customer pulls
// touched, then how far off for their limit.
func harmOf(touched map[string]uint64) func(a, b *rollcallv1.CellStatus) int {
	far := func(c *rollcallv1.CellStatus) float64 {
		if c.Offset == nil || !(c.GetTolerance() > 0) {
			return 0
		}
		return math.Abs(c.GetOffset()) / c.GetTolerance()
	}
	return func(a, b *rollcallv1.CellStatus) int {
		return cmp.Or(cmp.Compare(stateOf(a).Rank, stateOf(b).Rank), cmp.Compare(touched[b.GetFlagId()], touched[a.GetFlagId()]), cmp.Compare(far(b), far(a)), cmp.Compare(a.GetCellId(), b.GetCellId()))
	}
}

// folds returns the sites of cells in order of harm. The cells are in order of
// harm.
func folds(cells []*rollcallv1.CellStatus) []fold {
	at := map[string]int{}
	var all []fold
	for _, c := range cells {
		i, ok := at[c.GetSiteId()]
		if !ok {
			i = len(all)
			at[c.GetSiteId()] = i
			all = append(all, fold{ID: c.GetSiteId(), Name: siteOf(c), State: stateOf(c)})
		}
		all[i].Cells = append(all[i].Cells, cellRow{CellStatus: c, State: stateOf(c)})
	}
	bad := func(f fold) int {
		n := 0
		for _, c := range f.Cells {
			if c.State.Rank < stateOutside.Rank {
				n++
			}
		}
		return n
	}
	slices.SortStableFunc(all, func(a, b fold) int {
		return cmp.Or(cmp.Compare(a.State.Rank, b.State.Rank), bad(b)-bad(a), cmp.Compare(a.Name, b.Name))
	})
	for i := range all {
		all[i].Words = foldWords(all[i].Cells)
	}
	return all
}

// foldWords counts a site's cells by state.
func foldWords(cells []cellRow) string {
	count := map[string]int{}
	var words []string
	for _, c := range cells { // in order of harm
		if count[c.State.Word]++; count[c.State.Word] == 1 {
			words = append(words, c.State.Word)
		}
	}
	for i, w := range words {
		words[i] = fmt.Sprintf("%d %s", count[w], w)
	}
	return show.Count(len(cells), "cell", "cells") + ": " + strings.Join(words, ", ")
}
