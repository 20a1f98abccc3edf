package storetest

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
	"rollcall/services/registry"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// Chain is an invented chain with its history, for measuring what a large one
// costs to read. Every table that pages and dashboards read is filled; raw samples
// are there of the newest pull of a few cells only.
type Chain struct {
	Cells, Sites, Cars, Weeks int
	// Now is the end of the history, CodeVersion what the rows say they were
	// computed by.
	Now         time.Time
	CodeVersion string
}

// BigChain is the chain that the figures of pages and dashboards are stated for.
func BigChain(now time.Time, codeVersion string) Chain {
	return Chain{Cells: 1000, Sites: 120, Cars: 60, Weeks: 260, Now: now.UTC(), CodeVersion: codeVersion}
}

// What a cell does in a week: a reference run of pullsRun pulls, customers' pulls,
// a zero check; every fourth week dead weights.
const (
	pullsRun       = 4
	pullsCustomers = 5
	withSamples    = 20 // cells whose newest customer's pull has samples
)

// site returns the number of the site of cell i, from 0.
func (c Chain) site(i int) int { return i * c.Sites / c.Cells }

// CellID returns the id of cell i, from 0; ids rise with i.
func (c Chain) CellID(i int) string {
	first := i
	for first > 0 && c.site(first-1) == c.site(i) {
		first--
	}
	return fmt.Sprintf("s%03d-%d", c.site(i)+1, i-first+1)
}

// SiteID returns the id of the site of cell i.
func (c Chain) SiteID(i int) string { return fmt.Sprintf("s%03d", c.site(i)+1) }

// CarID returns the id of reference car i, from 0.
func (c Chain) CarID(i int) string { return fmt.Sprintf("car-%02d", i+1) }

// PullID returns the id of the newest customer's pull of cell i, which has samples
// where i is below 20.
func (c Chain) PullID(i int) string { return fmt.Sprintf("%032x", 0x5000_0000_0000+i) }

// Registry returns the chain's registry.
func (c Chain) Registry() fleet.Registry {
	example := pulltest.Example()
	r := fleet.Registry{Sites: map[fleet.SiteID]fleet.Site{}, Cells: map[fleet.CellID]fleet.Cell{}, Cars: map[fleet.CarID]fleet.Car{}, Masses: map[fleet.MassID]fleet.Mass{}, Standards: map[fleet.StandardID]fleet.Standard{}}
	zones := []string{"Europe/London", "Europe/Berlin", "Europe/Helsinki"}
	for i := range c.Cells {
		s := fleet.SiteID(c.SiteID(i))
		east := float64(c.site(i)) / 100
		r.Sites[s] = fleet.Site{ID: s, Name: fmt.Sprintf("Larkmere %d", c.site(i)+1), Latitude: 0.9, Longitude: &east, Height: 40, Zone: zones[c.site(i)%len(zones)]}
		cell := example.Cell
		cell.ID, cell.Site = fleet.CellID(c.CellID(i)), s
		cell.Name = fmt.Sprintf("%s, cell %s", r.Sites[s].Name, cell.ID[5:])
		cell.CalibrationArm, cell.Tolerance, cell.CheckTolerance, cell.ZeroTolerance = 1.2, 0.01, 0.005, 5
		cell.CheckEvery = 35 * 24 * time.Hour
		cell.U.CalibrationArm, cell.U.ArmAngle = 2e-4, 2e-3
		r.Cells[cell.ID] = cell
	}
	for i := range c.Cars {
		car := example.Car
		car.ID, car.Name, car.Correction, car.Charging = fleet.CarID(c.CarID(i)), fmt.Sprintf("Reference %d", i+1), fleet.CorrectionSAEJ1349, fleet.ChargingNone
		r.Cars[car.ID] = car
	}
	return r
}

// Fill puts the chain's registry and history into the tables of s.
func (c Chain) Fill(t testing.TB, s *store.Store) {
	t.Helper()
	ctx := context.Background()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("storetest: fill: %v", err)
		}
	}
	began := c.Now.AddDate(0, 0, -7*c.Weeks-7)
	_, versions, err := registry.Plan(nil, registry.Document{EffectiveAt: began, Registry: c.Registry()}, began, "test")
	must(err)
	rows := make([]store.RegistryRow, len(versions))
	for i, v := range versions {
		rows[i] = store.RegistryRow{Kind: string(v.Kind), ID: v.ID, EffectiveAt: v.EffectiveAt, RecordedAt: v.RecordedAt, AppliedBy: v.By, Body: string(v.Body)}
	}
	must(s.AppendRegistry(ctx, rows))

	cells, sites := make([]string, c.Cells), make([]string, c.Cells)
	for i := range c.Cells {
		cells[i], sites[i] = c.CellID(i), c.SiteID(i)
	}
	now := c.Now.Truncate(time.Second)
	// A statement's numbers: i cell, w weeks back, k of a week. Statements with weeks
	// are run for stretches of them, oldest first, as parts come to be in life.
	replace := strings.NewReplacer(
		"{CELL}", "arrayElement({cells:Array(String)}, toUInt32(i + 1))", "{SITE}", "arrayElement({sites:Array(String)}, toUInt32(i + 1))",
		"{CAR}", fmt.Sprintf("concat('car-', leftPad(toString((i + 7 * w) %% %d + 1), 2, '0'))", c.Cars),
		"{AT}", fmt.Sprintf("(fromUnixTimestamp64Nano(toInt64(%d), 'UTC') - toIntervalSecond(w * 604800 + 3600 + i * 367 %% 500000))", now.UnixNano()),
		"{NOW}", fmt.Sprintf("fromUnixTimestamp64Nano(toInt64(%d), 'UTC')", now.UnixNano()),
		"{CODE}", "'"+c.CodeVersion+"'",
		"{RUN}", "lower(hex(sipHash128(i, w)))", "{REF}", "lower(hex(sipHash128(i, w, k)))",
		"{NOISE}", "(toFloat64(cityHash64(i, w) % 20001) / 1e4 - 1)",
		// What a cell is off by: a tenth of the cells by more than the others, and slowly more.
		"{OFFSET}", "((toFloat64(cityHash64(i) % 2001) / 1e3 - 1) * if(i % 10 = 0, 0.007, 0.002) * (1.2 - w / 500) + 0.0012 * (toFloat64(cityHash64(i, w) % 20001) / 1e4 - 1))",
	)
	exec := func(statement string) {
		t.Helper()
		err := s.Conn().Exec(ctx, replace.Replace(statement), clickhouse.Named("cells", cells), clickhouse.Named("sites", sites))
		if err != nil {
			t.Fatalf("storetest: fill: %v\n%.400s", err, statement)
		}
	}
	var spans [][2]int // weeks back, from and until
	for from := c.Weeks; from > 0; {
		until := from - 26
		switch {
		case from <= 2:
			until = from - 1
		case from <= 28:
			until = max(from-13, 2)
		}
		until = max(until, 0)
		spans = append(spans, [2]int{until, from})
		from = until
	}
	each := func(head, columns string, per int) {
		t.Helper()
		for _, w := range spans {
			n := (w[1] - w[0]) * c.Cells * per
			exec(fmt.Sprintf("%s SELECT %s FROM (SELECT intDiv(number, %d) AS i, %d + intDiv(number, %d) %% %d AS w, number %% %d AS k FROM numbers(%d))",
				head, columns, (w[1]-w[0])*per, w[0], per, w[1]-w[0], per, n))
		}
	}
	each("INSERT INTO runs (run_id, site_id, cell_id, car_id, session, started_at, air_pressure_pa, air_temperature_k, relative_humidity, pull_ids, pull_started_at, left_out_ids, left_out_reasons, points, ramp_rate_rad_s2, ln_c, y, u, force_n, brake_force_n, speed_mps, acceleration_mps2, epoch, registry_effective_at, code_version)",
		fmt.Sprintf(`{RUN}, {SITE}, {CELL}, {CAR}, concat('week ', toString(w)), {AT}, 98200, 296, 0.45,
arrayMap(k -> {REF}, range(%[1]d)), arrayMap(k -> {AT} + toIntervalMinute(4 * k), range(%[1]d)), if(i %% 9 = w %% 9, [lower(hex(sipHash128(i, w, 99)))], []), if(i %% 9 = w %% 9, ['intake air climbs by 9.5 K over the sweep'], []),
20, arrayMap(k -> if(k %% 2 = 0, 42, 84), range(%[1]d)), arrayMap(k -> 0.01, range(%[1]d)),
arrayMap(x -> 8 + x * 0.003 + {NOISE} / 1000, range(%[2]d)), arrayMap(x -> 0.0011 + x * 1e-6, range(%[2]d)), arrayMap(x -> 3000 + x + {NOISE}, range(%[2]d)), arrayMap(x -> 2000 + x + {NOISE}, range(%[2]d)), arrayMap(x -> 20 + x %% 20 + {NOISE} / 100, range(%[2]d)), arrayMap(x -> 2.4 + x / 1000, range(%[2]d)),
'', {AT} - toIntervalDay(1), {CODE}`, pullsRun, 20*pullsRun), 1)
	each("INSERT INTO estimates (cell_id, at, run_id, car_id, offset, offset_u, runs, not_separable, deviation, innovation, cusum_high, cusum_low, cusum_limit, evidence, evidence_limit, variance_name, variance, epoch, code_version, present)",
		fmt.Sprintf(`{CELL}, {AT}, {RUN}, {CAR}, {OFFSET}, 0.0032 + 0.0011 * {NOISE}, %d - w, if(i %% 97 = 5, 'this cell shares no reference car with another site', ''), {OFFSET} + 0.002 * {NOISE}, {NOISE} * 1.3, greatest(0, 2 + 2.2 * {NOISE}), greatest(0, 1 + 1.5 * {NOISE}), 8.4, exp(2 + 2 * {NOISE}), 98.8,
['cell', 'session', 'pull', 'car'], [1e-6, 2e-6, 3e-7, 4e-7], '', {CODE}, 1`, c.Weeks), 1)
	each("INSERT INTO car_estimates (car_id, at, run_id, cell_id, change, change_u, probability, since, runs, code_version, present)",
		fmt.Sprintf(`{CAR}, {AT}, {RUN}, {CELL}, 0.001 * {NOISE}, 0.003, 0.1, {NOW} - toIntervalWeek(%d), %d - w, {CODE}, 1`, c.Weeks-2, c.Weeks), 1)
	// Checks: a zero check every week, dead weights every fourth, those as left now and then.
	check := `lower(hex(sipHash128('check', i, w, k)))`
	made := `{AT} - toIntervalMinute(40 + 10 * k)`
	kind, asLeft := `if(k = 1 AND (i + w) % 4 = 0, 1, 2)`, `if(k = 2, 2, 1)`
	// k = 0 zero, k = 1 dead weights where it is their week, else a second zero check, k = 2 as left.
	checks := func(table, columns, values string) {
		t.Helper()
		for _, w := range spans {
			exec(fmt.Sprintf(`INSERT INTO %s (%s) SELECT %s FROM (SELECT intDiv(number, %d) AS i, %d + intDiv(number, 3) %% %d AS w, number %% 3 AS k FROM numbers(%d)) WHERE k = 0 OR k = 1 AND (i + w) %% 4 = 0 OR k = 2 AND (i + w) %% 52 = 0`,
				table, columns, values, 3*(w[1]-w[0]), w[0], w[1]-w[0], 3*c.Cells*(w[1]-w[0])))
		}
	}
	checks("check_results", "check_id, cell_id, kind, state, performed_at, performed_by, verdict, reason, zero_error_n, zero_error_u_n, gain_error, gain_error_u, readings, point_force_n, point_reading_n, point_error_n, point_error_u_n, point_cycle, point_direction, opens_epoch, calibration_epoch, epoch, registry_effective_at, code_version, risk, result",
		check+", {CELL}, "+strings.Replace(kind, "k = 1 AND", "k = 2 OR k = 1 AND", 1)+", "+asLeft+", "+made+`, 'K. Alder', if(i % 50 = 3 AND w < 3, 'conditional fail', if({NOISE} > 0.8, 'conditional pass', 'pass')), if(i % 50 = 3 AND w < 3, 'gain error beyond its limit less its guard band', ''),
0.8 * {NOISE}, 0.6, if(k = 0, NULL, 0.002 * {NOISE}), if(k = 0, NULL, 0.0009), if(k = 0, 3, 20), if(k = 0, [], arrayMap(x -> 300. * x, range(20))), if(k = 0, [], arrayMap(x -> 300. * x + {NOISE}, range(20))), if(k = 0, [], arrayMap(x -> {NOISE}, range(20))), if(k = 0, [], arrayMap(x -> 0.9, range(20))), if(k = 0, [], arrayMap(x -> 1 + intDiv(x, 10), range(20))), if(k = 0, [], arrayMap(x -> 1, range(20))),
k = 2, if(k = 2, `+check+`, ''), '', {AT} - toIntervalDay(1), {CODE}, 0.02, concat('{"schema":1,"points":[', arrayStringConcat(arrayMap(x -> toString({NOISE} + x), range(if(k = 0, 3, 20))), ','), ']}')`)
	checks("calibration_checks", "check_id, cell_id, kind, state, performed_at, performed_by, reading_cycle, reading_direction, reading_masses, reading_n, note, agent_version, received_at",
		check+", {CELL}, "+strings.Replace(kind, "k = 1 AND", "k = 2 OR k = 1 AND", 1)+", "+asLeft+", "+made+", 'K. Alder', [1, 1], [1, 1], ['', 'm1'], [0.2, 98.1], '', 'test', {AT}")

	// Pulls: of reference cars, of customers; of the newest weeks with the points of
	// their curves.
	per := pullsRun + pullsCustomers
	customer := fmt.Sprintf("k >= %d", pullsRun)
	pull, at := fmt.Sprintf("if(w = 0 AND k = %d, leftPad(lower(hex(toUInt64(%d + i))), 32, '0'), {REF})", per-1, uint64(0x5000_0000_0000)), fmt.Sprintf("if(%s, {AT} - toIntervalMinute(7 * k), {AT} + toIntervalMinute(4 * k))", customer)
	car := fmt.Sprintf("if(%s, '', {CAR})", customer)
	session := fmt.Sprintf("if(%s, '', concat('week ', toString(w)))", customer)
	buyer := fmt.Sprintf("if(%s, concat('coupe ', toString(i), '/', toString(w)), '')", customer)
	each("INSERT INTO pulls (pull_id, cell_id, kind, started_at, car_id, label, session, customer_car, ramp_rate_rad_s2, rotating_mass_kg, coasting_mass_kg, correction, channels, header, agent_version, received_at)",
		pull+", {CELL}, 1, "+at+", "+car+", '', "+session+", "+buyer+`, 42, 85, 35, 'sae_j1349', ['roller_speed', 'load_cell', 'engine_speed', 'pedal', 'air_pressure', 'air_temperature', 'relative_humidity'], map('gear', '4'), 'test', `+at+" + toIntervalMinute(2)", per)
	each("INSERT INTO pull_ends (pull_id, cell_id, blocks, samples, checksum, received_at)", pull+", {CELL}, 7, 43407, 1, "+at+" + toIntervalMinute(2)", per)
	points := func(x string) string { return "if(w < 8, arrayMap(x -> " + x + ", range(43)), [])" }
	each(`INSERT INTO curves (pull_id, cell_id, car_id, kind, started_at, session, customer_car, state, reason, correction, correction_in_range, engine_speed_logged, correction_factor, correction_factor_u, peak_wheel_power_w, peak_wheel_power_u_w, peak_wheel_power_engine_speed_rad_s, peak_engine_power_w, peak_engine_power_u_w, peak_engine_power_engine_speed_rad_s, peak_engine_torque_nm, peak_corrected_power_w, peak_corrected_power_u_w, ramp_rate_rad_s2, window_s, pass_band_hz, sweep_start_s, sweep_end_s, coast_down_start_s, coast_down_end_s, air_pressure_pa, air_temperature_k, relative_humidity, loss_f0_n, loss_f1_n_s_m, loss_f2_n_s2_m2, loss_cov,
engine_speed_rad_s, time_s, speed_mps, acceleration_mps2, brake_force_n, tractive_force_n, tractive_force_u_n, tractive_force_own_u_n, wheel_power_w, wheel_power_u_w, loss_n, loss_u_n, engine_power_w, engine_power_u_w, engine_torque_nm, engine_torque_u_nm, corrected_power_w, corrected_power_u_w, corrected_torque_nm, corrected_torque_u_nm,
finding_kind, finding_channel, finding_start_s, finding_end_s, finding_size, finding_unit, finding_disqualifying, finding_text, epoch, registry_effective_at, code_version)`,
		pull+", {CELL}, "+car+", 1, "+at+", "+session+", "+buyer+`, if({NOISE} > 0.98, 'unusable', 'computed'), '', 'sae_j1349', 1, 1, 1.018, 0.002, 150000 + 9000 * {NOISE}, 1700, 610, 203000 + 9000 * {NOISE}, 2600, 640, 380, 207000 + 9000 * {NOISE}, 2700, 42, 0.31, 2.4, 3, 17, 17.4, 60, 98200, 296, 0.45, 150, 3, 0.35, [1, 0, 0, 1, 0, 1],
`+strings.Join([]string{points("230 + 10. * x"), points("3 + x / 3."), points("15 + x * 0.7"), points("2.4"), points("2000 + x * 3."), points("3000 + x * 11 + {NOISE}"), points("14."), points("8."), points("40000 + 2600. * x"), points("1300."),
			points("200 + x * 2."), points("9."), points("60000 + 3500. * x"), points("1400."), points("300 + x * 1."), points("4."), points("61000 + 3560. * x"), points("1450."), points("305 + x * 1."), points("4.")}, ", ")+`,
if(cityHash64(i, w, k) % 5 = 0, ['intake air climbs'], []), if(cityHash64(i, w, k) % 5 = 0, ['intake_air_temperature'], []), if(cityHash64(i, w, k) % 5 = 0, [8.2], []), if(cityHash64(i, w, k) % 5 = 0, [14.6], []), if(cityHash64(i, w, k) % 5 = 0, [9.5], []), if(cityHash64(i, w, k) % 5 = 0, ['K'], []), if(cityHash64(i, w, k) % 5 = 0, [k < 4], []), if(cityHash64(i, w, k) % 5 = 0, ['intake air climbs by 9.5 K over the sweep'], []),
'', {AT} - toIntervalDay(1), {CODE}`, per)
	for _, w := range spans[len(spans)-2:] { // beside their neighbours
		exec(fmt.Sprintf("INSERT INTO neighbour_findings (pull_id, cell_id, started_at, finding_kind, finding_channel, finding_start_s, finding_end_s, finding_size, finding_unit, finding_disqualifying, finding_text, code_version, present) SELECT {REF}, {CELL}, {AT}, ['air out of line'], ['air_temperature'], [0], [1], [2], ['K'], [false], ['its air is 2 K warmer than that of the site''s other cells'], {CODE}, 1 FROM (SELECT number AS i, %d AS w, 5 AS k FROM numbers(%d)) WHERE i %% 7 = 0", w[0], c.Cells))
	}
	// Flags: forty are open on cells and one on a car, three thousand are closed.
	// Number i < 40 is of cell 25 i, the others of cell i mod the number of cells.
	flag := "leftPad(lower(hex(toUInt64(0x7000000000 + number))), 32, '0')"
	exec(fmt.Sprintf(`INSERT INTO flags (flag_id, cell_id, car_id, kind, open, first_evidence_at, opened_at, updated_at, closed_at, closed_reason, closed_by, size, size_u, size_unit, cause_fault, cause_probability, cause_size, cause_size_u, cause_unit, next_check, evidence, epoch, code_version, present, due_at)
SELECT %[1]s, if(number = 40, '', {CELL}), if(number = 40, 'car-07', ''), kind, number <= 40,
	opened - toIntervalDay(40), opened, opened + toIntervalDay(2), if(number <= 40, NULL, least(opened + toIntervalDay(20), {NOW})), if(number <= 40, '', 'load cell adjusted, dead weights as left pass'), if(number <= 40, '', 'K. Alder'),
	0.012 + number %% 7 / 1000, 0.004, 'ratio', if(kind = 'check overdue', [], ['load-cell gain', 'base inertia value', 'parasitic loss']), if(kind = 'check overdue', [], [0.81, 0.12, 0.05]), if(kind = 'check overdue', [], [0.012, 12, 9]), if(kind = 'check overdue', [], [0.004, 5, 4]), if(kind = 'check overdue', [], ['ratio', 'kg', 'N']),
	'Dead weights, rising and falling, as found, before anything is adjusted', concat('offset +', toString(1.2 + number %% 7 / 10), ' %% ± 0.40 %% against a limit of ± 1 %%; CUSUM ', toString(9 + number %% 5), ' against 8.4'), '', {CODE}, 1, if(kind = 'check overdue', opened, NULL)
FROM (SELECT number, if(number < 40, number * intDiv(%[2]d, 40), number %% %[2]d) AS i, 0 AS w,
	multiIf(number = 40, 'reference car', number %% 8 < 2, 'recalibrate', number %% 8 = 7, 'check overdue', 'drifting') AS kind,
	{NOW} - toIntervalHour(if(number <= 40, 5 + number * 61, 700 + number * %[3]d)) AS opened FROM numbers(3041))`, flag, c.Cells, 24*7*c.Weeks/3200))
	exec(fmt.Sprintf(`INSERT INTO touched_pulls (flag_id, started_at, pull_id, cell_id, customer_car, effect, effect_u, code_version, present)
SELECT leftPad(lower(hex(toUInt64(0x7000000000 + f))), 32, '0'), {NOW} - toIntervalHour(if(f <= 40, 5 + f * 61, 700 + f * %[2]d)) - toIntervalHour(9 * k), if(k = 0 AND f < 40, leftPad(lower(hex(toUInt64(%[3]d + i))), 32, '0'), {REF}), {CELL}, concat('coupe ', toString(i), '/', toString(k)), 0.012 + k / 1e5, 0.004, {CODE}, 1
FROM (SELECT intDiv(number, 60) AS f, number %% 60 AS k, if(f < 40, f * intDiv(%[1]d, 40), f %% %[1]d) AS i, intDiv(k, 5) AS w FROM numbers(60 * 3041)) WHERE f != 40 AND f %% 8 != 7`, c.Cells, 24*7*c.Weeks/3200, uint64(0x5000_0000_0000)))
	exec(fmt.Sprintf(`INSERT INTO audit (at, who, what, subject, before, after) SELECT {NOW} - toIntervalHour(number), 'K. Alder', if(number %% 2 = 0, 'flag closed', 'flag acknowledged'), concat('flag ', %s), 'open', 'load cell adjusted' FROM (SELECT number + 20 AS number FROM numbers(3000))`, flag))
	// Epochs, and when the next checks are due.
	exec(fmt.Sprintf(`INSERT INTO epochs (cell_id, of, since, epoch, until, source, value_name, value, value_u, value_unit, cov, signed_by, reason, code_version, present)
SELECT {CELL}, of, {NOW} - toIntervalWeek(52 * (k + 1)), if(k = %[2]d, '', lower(hex(sipHash128('check', i, 52 * k, 2)))), if(k = 0, NULL, {NOW} - toIntervalWeek(52 * k)), if(k = %[2]d, 'registry', 'dead weight'), ['zero', 'gain'], [0.4, 1.001], [0.6, 0.0009], ['N', '1'], [0.1, 0, 1e-7], 'K. Alder', '', {CODE}, 1
FROM (SELECT intDiv(number, %[1]d) AS i, number %% %[1]d AS k, 'load cell' AS of FROM numbers(%[3]d))`, max(1, c.Weeks/52), max(0, c.Weeks/52-1), c.Cells*max(1, c.Weeks/52)))
	exec(fmt.Sprintf(`INSERT INTO check_intervals (cell_id, of, last_check_id, last_check_at, due_at, rule, says, asked, rule_name, rule_at, rule_reached, rule_says, pulls, rate_per_day, rate_u_per_day, reliability, in_tolerance_at_due, code_version, present)
SELECT {CELL}, if(k = 0, 'load-cell gain', 'load-cell zero'), lower(hex(sipHash128('check', i, 0, 1))), {AT}, {NOW} + toIntervalDay(i %% 40) - toIntervalDay(if(i %% 200 = 175, 45, 0)) + toIntervalDay(1), 'time', 'due 35 days after the last dead-weight check', k = 0, ['time', 'drift'], [{NOW} + toIntervalDay(i %% 40), {NOW} + toIntervalDay(200)], [0, 0], ['every 35 days', 'the gain moves by 0.02 %% a month'], 20, 1e-6, 4e-7, 0.95, 0.99, {CODE}, 1
FROM (SELECT intDiv(number, 2) AS i, number %% 2 AS k, 0 AS w FROM numbers(%d))`, 2*c.Cells))
	exec(fmt.Sprintf(`INSERT INTO certificates (number, version, cell_id, kind, check_ids, performed_at, verdict, signed_at, signed_by, json, html, pdf)
SELECT concat({CELL}, '-', toString(toYear({AT})), '-', leftPad(toString(k + 1), 4, '0')), 1, {CELL}, 1, [lower(hex(sipHash128('check', i, w, 1))), lower(hex(sipHash128('check', i, w, 2)))], {AT}, 'pass', {AT}, 'K. Alder', repeat(toString({NOISE}), 2000), repeat(toString({NOISE}), 1000), randomString(20000)
FROM (SELECT intDiv(number, %[1]d) AS i, number %% %[1]d AS k, 52 * k + (52 - i %% 52) %% 52 AS w FROM numbers(%[2]d)) WHERE w < %[3]d`, max(1, c.Weeks/52), c.Cells*max(1, c.Weeks/52), c.Weeks))
	exec(fmt.Sprintf(`INSERT INTO coastdown_results (pull_id, cell_id, started_at, state, f0_n, f1_n_s_m, f2_n_s2_m2, cov, mass_kg, noise_mps, speed_low_mps, speed_high_mps, mid_speed_mps, delta_force_n, delta_force_u_n, epoch, registry_effective_at, code_version)
SELECT {REF}, {CELL}, {AT}, 'computed', 40, 1.5, 0.02, [1, 0, 0, 1, 0, 1], 900, 0.01, 5, 45, 25, {NOISE}, 4, '', {AT}, {CODE} FROM (SELECT number %% %[1]d AS i, intDiv(number, %[1]d) AS w, 77 AS k FROM numbers(%[2]d))`, c.Cells, c.Cells*c.Weeks))
	// Agents: three days of their words, one in 30 s.
	exec(fmt.Sprintf(`INSERT INTO heartbeats (cell_id, sent_at, received_at, spool_messages, spool_bytes, spool_oldest_at, rejected_files, set_aside_messages, agent_version)
SELECT {CELL}, {NOW} - toIntervalSecond(30 * k + 20 + if(i %% 250 = 7, 7200, 0)), {NOW} - toIntervalSecond(30 * k + 20 + if(i %% 250 = 7, 7200, 0)), number %% 3, 1000, NULL, 0, 0, 'test' FROM (SELECT number, number %% %[1]d AS i, intDiv(number, %[1]d) AS k FROM numbers(%[2]d))`, c.Cells, c.Cells*2880*3))
	exec(fmt.Sprintf(`INSERT INTO refusals (cell_id, refused_at, sequence, message, code, field, reason, size_bytes) SELECT {CELL}, {NOW} - toIntervalMinute(13 * number), number, 'sample_block', 'CODE_INVALID', 'channel', 'is not known', 900 FROM (SELECT number, number * 13 %% %d AS i FROM numbers(3000))`, c.Cells))

	must(s.Append(ctx, c.samples()))
}

// samples returns the samples of the pulls that have them, and their ends.
func (c Chain) samples() store.Batch {
	var b store.Batch
	example := pulltest.Example()
	for i := range min(withSamples, c.Cells) {
		example.Scale = 1 + float64(i)/100
		channels := example.Sample()
		var sums []wire.BlockSum
		for name, series := range channels {
			block := wire.Block{Pull: fleet.PullID(c.PullID(i)), Cell: fleet.CellID(c.CellID(i)), Channel: name, Step: 1 / example.Rate, Samples: packed(series.X)}
			block.CRC = wire.BlockCRC(wire.ToSampleBlock(block))
			b.Blocks, sums = append(b.Blocks, store.FromBlock(block)), append(sums, block.Sum())
		}
		b.Ends = append(b.Ends, store.FromEnd(wire.NewEnd(fleet.PullID(c.PullID(i)), fleet.CellID(c.CellID(i)), sums), c.Now))
	}
	return b
}

// packed returns samples as the counts of an instrument that reads in steps of
// one ten-thousandth.
func packed(x []float64) wire.Packed {
	p := wire.Packed{Offset: math.Floor(x[0]), Scale: 1e-4}
	for _, v := range x {
		p.Counts = append(p.Counts, int32(math.Round((v-p.Offset)/p.Scale)))
	}
	return p
}
