package grafana

import (
	"context"
	"slices"
	"testing"
	"time"

	"rollcall/services/store/storetest"
)

// BenchmarkQueries runs every panel's query, every variable's and every alert
// rule's on a chain of 1000 cells with 260 weeks: of each the median of five is
// taken, and the slowest of a dashboard reported in ms. Dashboards look at their
// own time range, at all cells; that of a cell at one.
func BenchmarkQueries(b *testing.B) {
	s := storetest.Open(b)
	ctx := context.Background()
	now := time.Now().UTC()
	chain := storetest.BigChain(now, "test")
	chain.Fill(b, s)
	every := make([]string, chain.Cells)
	for i := range every {
		every[i] = chain.CellID(i)
	}
	once := func(sql string) float64 {
		began := time.Now()
		rows, err := s.Conn().Query(ctx, sql)
		if err != nil {
			b.Fatalf("%v\n%s", err, sql)
		}
		for rows.Next() {
		}
		if err := rows.Err(); err != nil {
			b.Fatalf("%v\n%s", err, sql)
		}
		rows.Close()
		return time.Since(began).Seconds() * 1000
	}
	took := func(sql string) float64 {
		all := make([]float64, 5)
		for i := range all {
			all[i] = once(sql)
		}
		slices.Sort(all)
		return all[2]
	}
	report := func(name string, slowest float64, title string) {
		b.Logf("%-8s slowest %6.1f ms: %s", name, slowest, title)
		b.ReportMetric(slowest, name+"_ms")
	}
	for b.Loop() {
		for _, d := range []dashboard{fleetDashboard(), cellDashboard(), carDashboard(), ingestDashboard()} {
			from, cells := now.AddDate(0, 0, -26*7), every
			switch d.UID {
			case "rollcall-ingest":
				from = now.AddDate(0, 0, -1)
			case "rollcall-cell":
				cells = every[7:8]
			}
			slowest, title := 0.0, ""
			for _, p := range d.Panels {
				t := took(expandFor(p.Targets[0].RawSQL, from, now, chain.CarID(6), cells...))
				b.Logf("%8.1f ms %s: %s", t, d.UID, p.Title)
				if t > slowest {
					slowest, title = t, p.Title
				}
			}
			for _, v := range d.Templating.List {
				t := took(v.Query)
				b.Logf("%8.1f ms %s: variable %s", t, d.UID, v.Name)
				if t > slowest {
					slowest, title = t, v.Name
				}
			}
			report(d.UID[len("rollcall-"):], slowest, title)
		}
		slowest, title := 0.0, ""
		for _, r := range alertRules() {
			t := took(r.sql)
			b.Logf("%8.1f ms alert: %s", t, r.title)
			if t > slowest {
				slowest, title = t, r.title
			}
		}
		report("alerts", slowest, title)
	}
}
