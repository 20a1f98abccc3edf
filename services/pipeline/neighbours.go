package pipeline

import (
	"cmp"
	"context"
	"slices"
	"time"

	"rollcall/services/compute/air"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// around is how far apart in time pulls are held beside each other.
const around = flag.AirWindow

// stretch is a time of a site whose pulls are to be judged anew beside their
// neighbours, both ends included; zero times are open ends.
type stretch struct{ from, until time.Time }

// stir notes that a pull's curve is another, so that its neighbours are to be
// judged anew, and it beside them. Findings beside neighbours change no curve:
// what is stirred comes to rest. The caller holds known.
func (p *Pipeline) stir(cell fleet.CellID, at time.Time) {
	if c, ok := p.registry.At(at).Cells[cell]; ok {
		p.stirred[c.Site] = append(p.stirred[c.Site], stretch{at.Add(-around), at.Add(around)})
	}
}

// merged returns stretches without overlap, in order of time.
func merged(all []stretch) []stretch {
	sorted := slices.Clone(all)
	slices.SortFunc(sorted, func(a, b stretch) int { return cmp.Or(a.from.Compare(b.from), a.until.Compare(b.until)) })
	var out []stretch
	for _, s := range sorted {
		if n := len(out); n > 0 && (out[n-1].until.IsZero() || !s.from.After(out[n-1].until)) {
			if last := &out[n-1].until; !last.IsZero() && (s.until.IsZero() || s.until.After(*last)) {
				*last = s.until
			}
			continue
		}
		out = append(out, s)
	}
	return out
}

// neighbours judges the pulls of the stirred stretches beside those around them,
// and stores what is to be said.
func (p *Pipeline) neighbours(ctx context.Context, known snapshot) error {
	stirred := known.stirred
	if !known.stirredAll && len(stirred) == 0 {
		return nil
	}
	// A cell may have been moved: a site's are all that ever were of it.
	cells := map[fleet.SiteID]map[fleet.CellID]bool{}
	for _, at := range append(p.registry.Turns(), time.Unix(1<<40, 0)) {
		for id, c := range p.registry.At(at).Cells {
			if cells[c.Site] == nil {
				cells[c.Site] = map[fleet.CellID]bool{}
			}
			cells[c.Site][id] = true
		}
	}
	if known.stirredAll {
		all := map[fleet.SiteID][]stretch{}
		for site := range cells {
			all[site] = []stretch{{from: known.stirredSince}}
			for _, s := range stirred[site] {
				if s.from.Before(known.stirredSince) {
					all[site] = append(all[site], s)
				}
			}
		}
		stirred = all
	}
	for _, site := range keysOf(stirred) {
		all := merged(stirred[site])
		for _, s := range all {
			if err := p.besides(ctx, site, keys(cells[site]), s); err != nil {
				return err
			}
		}
	}
	return nil
}

// besides judges one stretch of one site.
func (p *Pipeline) besides(ctx context.Context, site fleet.SiteID, cells []fleet.CellID, s stretch) error {
	from, until := s.from, s.until
	if !from.IsZero() {
		from = from.Add(-around)
	}
	if !until.IsZero() {
		until = until.Add(around)
	}
	pulls, err := p.store.ReadSurround(ctx, cells, from, until)
	if err != nil {
		return err
	}
	siteOf := func(cell string, at time.Time) fleet.SiteID { return p.registry.At(at).Cells[fleet.CellID(cell)].Site }
	pulls = slices.DeleteFunc(pulls, func(r store.SurroundRow) bool { return siteOf(r.CellID, r.StartedAt) != site })
	var rows []store.NeighbourRow
	first := 0
	for i, own := range pulls {
		if own.StartedAt.Before(s.from) || !s.until.IsZero() && own.StartedAt.After(s.until) {
			continue
		}
		for own.StartedAt.Sub(pulls[first].StartedAt) > around {
			first++
		}
		last := first
		for last < len(pulls) && pulls[last].StartedAt.Sub(own.StartedAt) <= around {
			last++
		}
		if found := besideOthers(own, pulls[first:last], i-first); len(found) > 0 {
			row := store.NeighbourRow{PullID: own.PullID, CellID: own.CellID, StartedAt: own.StartedAt, CodeVersion: CodeVersion}
			row.SetFindings(findingRows(found))
			rows = append(rows, row)
		}
	}
	elsewhere := func(r store.NeighbourRow) bool { return siteOf(r.CellID, r.StartedAt) != site }
	return p.store.ReplaceNeighbours(ctx, cells, s.from, s.until, elsewhere, rows)
}

// besideOthers returns what is to be said of a pull, the i-th of those around
// it, which are in order of time.
func besideOthers(own store.SurroundRow, pulls []store.SurroundRow, i int) []finding.Finding {
	if own.RampRate == nil || own.SweepStart == nil || own.SweepEnd == nil {
		return nil
	}
	c := powercurve.Curve{RampRate: *own.RampRate}
	c.Sweep.Start, c.Sweep.End = *own.SweepStart, *own.SweepEnd
	c.High = c.RampRate * c.Sweep.Length()
	in := finding.Input{Curve: &c, RampRate: own.AskedRampRate, Limits: finding.DefaultLimits()}
	var others []air.Air
	for _, cell := range cellsOf(pulls) {
		if cell != own.CellID {
			if a, ok := meanAir(pulls, cell); ok {
				others = append(others, a)
			}
		}
	}
	if a, ok := airOf(own); ok {
		if compared, ok := flag.CompareAir(a, others); ok {
			in.Air = &compared
		}
	}
	// A reference run is swept at two rates on purpose; where a rate is meant,
	// the pull says so.
	if own.CarID == "" && own.CustomerCar != "" {
		for j, o := range pulls {
			if j != i && o.RampRate != nil && o.CellID == own.CellID && o.CarID == "" && o.CustomerCar == own.CustomerCar &&
				o.SetUp == own.SetUp && sessionOf(o) == sessionOf(own) {
				in.Compared = append(in.Compared, *o.RampRate)
			}
		}
	}
	return finding.JudgeBeside(in)
}

// sessionOf returns a pull's session, or its day.
func sessionOf(r store.SurroundRow) string {
	if r.Session != "" {
		return r.Session
	}
	return wire.SessionOf(r.StartedAt)
}

// cellsOf returns the cells of pulls, in order.
func cellsOf(pulls []store.SurroundRow) []string {
	var out []string
	for _, r := range pulls {
		if !slices.Contains(out, r.CellID) {
			out = append(out, r.CellID)
		}
	}
	slices.Sort(out)
	return out
}

func airOf(r store.SurroundRow) (air.Air, bool) {
	if r.AirPressure == nil || r.AirTemperature == nil || r.RelativeHumidity == nil {
		return air.Air{}, false
	}
	return air.Air{Pressure: *r.AirPressure, Temperature: *r.AirTemperature, Humidity: *r.RelativeHumidity}, true
}

// meanAir returns what one cell's sensors read over pulls: pulls of one cell and
// day have the same sensors and weather, and count as one reading.
func meanAir(pulls []store.SurroundRow, cell string) (air.Air, bool) {
	var sum air.Air
	n := 0.0
	for _, r := range pulls {
		if a, ok := airOf(r); ok && r.CellID == cell {
			sum.Pressure, sum.Temperature, sum.Humidity = sum.Pressure+a.Pressure, sum.Temperature+a.Temperature, sum.Humidity+a.Humidity
			n++
		}
	}
	if n == 0 {
		return air.Air{}, false
	}
	return air.Air{Pressure: sum.Pressure / n, Temperature: sum.Temperature / n, Humidity: sum.Humidity / n}, true
}
