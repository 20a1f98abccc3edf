package grafana

import (
	"context"
	"strconv"
	"testing"
	"time"

	"rollcall/services/store/storetest"
)

// BenchmarkQueries runs every panel's query and every alert rule's on 1000
// cells with 260 weekly runs and checks each, and a day of their heartbeats (30 000 of their curves): the
// slowest of a dashboard is reported in ms. Dashboards look at their own time
// range, at all cells.
func BenchmarkQueries(b *testing.B) {
	s := storetest.Open(b)
	ctx := context.Background()
	for _, fill := range []string{
		`INSERT INTO estimates (cell_id, at, run_id, car_id, offset, offset_u, runs, cusum_high, cusum_low, cusum_limit, evidence, evidence_limit)
SELECT concat('c', toString(number % 1000)), now() - toIntervalWeek(intDiv(number, 1000)), toString(number), concat('r', toString(number % 40)), 0.001 * (number % 7), 0.004, 10, 1, 1, 5, 1 + number % 50, 98.8 FROM numbers(260000)`,
		`INSERT INTO car_estimates (car_id, at, run_id, cell_id, change, change_u, probability, since, runs)
SELECT concat('r', toString(number % 40)), now() - toIntervalWeek(intDiv(number, 1000)), toString(number), concat('c', toString(number % 1000)), 0.001, 0.004, 0.1, now(), 10 FROM numbers(260000)`,
		`INSERT INTO check_results (check_id, cell_id, kind, state, performed_at, verdict, gain_error, gain_error_u)
SELECT toString(number), concat('c', toString(number % 1000)), 1, 1, now() - toIntervalWeek(intDiv(number, 1000)), 'pass', 0.001, 0.001 FROM numbers(260000)`,
		`INSERT INTO runs (run_id, site_id, cell_id, car_id, session, started_at)
SELECT toString(number), concat('s', toString(number % 200)), concat('c', toString(number % 1000)), concat('r', toString(number % 40)), toString(number), now() - toIntervalWeek(intDiv(number, 1000)) FROM numbers(260000)`,
		`INSERT INTO flags (flag_id, cell_id, kind, open, first_evidence_at, opened_at, updated_at, closed_at)
SELECT toString(number), concat('c', toString(number % 1000)), 'drifting', number < 50, now() - toIntervalDay(number % 1500), now() - toIntervalDay(number % 1500), now(), if(number < 50, NULL, now() - toIntervalDay(number % 1400)) FROM numbers(5000)`,
		`INSERT INTO touched_pulls (flag_id, started_at, pull_id, cell_id)
SELECT toString(number % 5000), now() - toIntervalDay(number % 1500), toString(number), concat('c', toString(number % 5000 % 1000)) FROM numbers(500000)`,
		`INSERT INTO heartbeats (cell_id, sent_at, received_at, spool_messages)
SELECT concat('c', toString(number % 1000)), now() - toIntervalSecond(30 * intDiv(number, 1000)), now() - toIntervalSecond(30 * intDiv(number, 1000)), number % 3 FROM numbers(2880000)`,
		`INSERT INTO pull_ends (pull_id, cell_id, blocks, samples, received_at)
SELECT toString(number), concat('c', toString(number % 1000)), 20, 30000, now() - toIntervalSecond(3 * number) FROM numbers(300000)`,
		`INSERT INTO pulls (pull_id, cell_id, kind, started_at, received_at)
SELECT toString(number), concat('c', toString(number % 1000)), 1, now() - toIntervalSecond(3 * number) - 60, now() - toIntervalSecond(3 * number) FROM numbers(300000)`,
		`INSERT INTO curves (pull_id, cell_id, kind, started_at, state, finding_kind, finding_channel, finding_start_s, finding_end_s, finding_size, finding_unit, finding_disqualifying, finding_text)
SELECT toString(number), concat('c', toString(number % 1000)), 1, now() - toIntervalSecond(3 * number) - 60, 'computed', ['slip'], ['x'], [0], [1], [1], ['1'], [false], ['x'] FROM numbers(30000)`,
	} {
		if err := s.Conn().Exec(ctx, fill); err != nil {
			b.Fatalf("%v\n%s", err, fill)
		}
	}
	now := time.Now().UTC()
	every := make([]string, 1000)
	for i := range every {
		every[i] = "c" + strconv.Itoa(i)
	}
	took := func(sql string) float64 {
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
				if t := took(expandFor(p.Targets[0].RawSQL, from, now, "r7", cells...)); t > slowest {
					slowest, title = t, p.Title
				}
			}
			report(d.UID[len("rollcall-"):], slowest, title)
		}
		slowest, title := 0.0, ""
		for _, r := range alertRules() {
			if t := took(r.sql); t > slowest {
				slowest, title = t, r.title
			}
		}
		report("alerts", slowest, title)
	}
}
