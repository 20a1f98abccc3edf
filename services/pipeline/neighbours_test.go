package pipeline_test

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap/zaptest"

	"rollcall/services/compute/finding"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

// A barometer that reads 30 hPa high is told by the site's other cell on the same
// day, whichever pull comes first; two sweeps of one car of which one is half as
// fast again are told from each other. The computed tables are the same bytes in
// every order, and when recomputed.
func TestNeighbours(t *testing.T) {
	var first []store.Dump
	for _, order := range [][]int{{0, 1, 2, 3, 4}, {4, 3, 2, 1, 0}, {2, 4, 0, 3, 1}} {
		s := storetest.Open(t)
		book := newBook(t, s)
		feed(t, s, 1, 1, "fen-1", "fen-2")
		recompute(t, pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil))
		one, raw1 := computedPulls(t, s, "fen-1", "")
		slow, fast := -1, -1
		for i, c := range one {
			if slow < 0 || *c.RampRate < *one[slow].RampRate {
				slow = i
			}
			if fast < 0 || *c.RampRate > *one[fast].RampRate {
				fast = i
			}
		}
		day := time.Date(2026, 7, 14, 9, 0, 0, 0, time.UTC)
		customer := func(cell fleet.CellID, car string, at time.Time) func(*fleet.Pull) {
			return func(p *fleet.Pull) { p.Cell, p.CustomerCar, p.StartedAt = cell, car, at }
		}
		high := func(b *wire.Block) {
			if b.Channel == fleet.AirPressure {
				b.Samples.Offset += 3000
				for i := range b.Samples.Values {
					b.Samples.Values[i] += 3000
				}
			}
		}
		type made struct {
			id    fleet.PullID
			batch store.Batch
		}
		var all []made
		add := func(raw store.RawPull, change func(*fleet.Pull), shift func(*wire.Block)) fleet.PullID {
			id, batch := clone(raw, len(all)+1, 0, 1e9, change, shift)
			all = append(all, made{id, batch})
			return id
		}
		slowID := add(raw1[slow], customer("fen-1", "red coupe", day), nil)
		fastID := add(raw1[fast], customer("fen-1", "red coupe", day.Add(20*time.Minute)), nil)
		highID := add(raw1[slow], customer("fen-2", "grey estate", day.Add(3*time.Hour)), high)
		otherDay := add(raw1[slow], customer("fen-2", "grey estate", day.AddDate(0, 0, 3)), high)
		otherSite := add(raw1[slow], customer("rid-1", "blue saloon", day.Add(time.Hour)), nil)
		live(t, s, book, func(ctx context.Context, p *pipeline.Pipeline, settle func()) {
			for _, i := range order {
				if err := s.Append(ctx, all[i].batch); err != nil {
					t.Fatal(err)
				}
				p.Stored(all[i].id)
				settle()
			}
		})
		found, err := s.ReadNeighbours(t.Context(), []fleet.PullID{slowID, fastID, highID, otherDay, otherSite})
		if err != nil {
			t.Fatal(err)
		}
		if len(found[otherDay]) > 0 || len(found[otherSite]) > 0 {
			t.Errorf("nothing is around them, yet %v, %v", found[otherDay], found[otherSite])
		}
		air := kindOf(found[highID], finding.AirDisagrees)
		// 30 hPa are 3 % of the pressure, of which SAE J1349 takes 1.18: 1.176/(1.176 − 0.176/C).
		if air == nil || air.Channel != string(fleet.AirPressure) || math.Abs(air.Size-0.035) > 0.002 || !(air.End > air.Start+5) || air.Disqualifying ||
			!strings.Contains(air.Text, "down by") || !strings.Contains(air.Text, "Hold barometer") || !strings.Contains(air.Text, "another cell of the site, most of it by air pressure") {
			t.Errorf("of the cell that is off: %+v", found[highID])
		}
		// Of two cells neither is known to be the one that is off.
		if other := kindOf(found[slowID], finding.AirDisagrees); other == nil || math.Abs(other.Size-air.Size) > 1e-3 || !strings.Contains(other.Text, "up by") {
			t.Errorf("of the other cell: %+v", found[slowID])
		}
		quick, lazy := kindOf(found[fastID], finding.RampRate), kindOf(found[slowID], finding.RampRate)
		if quick == nil || lazy == nil || !strings.Contains(quick.Text, "faster than the") || !strings.Contains(lazy.Text, "slower than the") || !strings.Contains(quick.Text, "of the pulls it is compared with") {
			t.Errorf("of the ramps: %+v, %+v", found[fastID], found[slowID])
		}
		dumps := dumped(t, s, book)
		if first == nil {
			first = dumps
		} else if diff := cmp.Diff(first, dumps); diff != "" {
			t.Errorf("order %v gives other bytes\n%s", order, diff)
		}
	}
}

func kindOf(all []store.FindingRow, kind finding.Kind) *store.FindingRow {
	for i := range all {
		if all[i].Kind == string(kind) {
			return &all[i]
		}
	}
	return nil
}
