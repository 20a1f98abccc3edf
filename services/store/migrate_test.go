package store

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollcall/services/fleet"
)

var update = flag.Bool("update", false, "write the schema as it is now to testdata/states, as a release's")

// openEmpty is storetest.OpenEmpty, which this package's own tests cannot
// import; export_test.go sets it.
var openEmpty func(t testing.TB) *Store

// schemaOf returns every table's and view's statement, as the server has it,
// without the database's name.
func schemaOf(t *testing.T, s *Store) map[string]string {
	t.Helper()
	rows, err := selectRows[struct {
		Name      string `ch:"name"`
		Statement string `ch:"create_table_query"`
	}](t.Context(), s, "SELECT name, create_table_query FROM system.tables WHERE database = currentDatabase() LIMIT 1000")
	if err != nil {
		t.Fatal(err)
	}
	schema := map[string]string{}
	for _, row := range rows {
		schema[row.Name] = strings.ReplaceAll(row.Statement, s.Database()+".", "")
	}
	return schema
}

func migrate(t *testing.T, s *Store) int {
	t.Helper()
	n, err := s.Migrate(t.Context())
	if err != nil {
		t.Fatalf("Migrate: %v", err)
	}
	return n
}

func TestMigrateFromEmpty(t *testing.T) {
	s := openEmpty(t)
	all, err := Migrations()
	if err != nil {
		t.Fatal(err)
	}
	if n := migrate(t, s); n != len(all) {
		t.Errorf("%d steps, want %d", n, len(all))
	}
	first := schemaOf(t, s)
	if n := migrate(t, s); n != 0 {
		t.Errorf("a second run applied %d steps", n)
	}
	if diff := cmp.Diff(first, schemaOf(t, s)); diff != "" {
		t.Errorf("the second run changed the schema\n%s", diff)
	}
	for name, statement := range first {
		if !strings.HasPrefix(statement, "CREATE TABLE") || strings.HasSuffix(name, "heartbeats") || name == "spool_hours" {
			continue
		}
		if !strings.Contains(statement, "fsync_after_insert = 1") || !strings.Contains(statement, "fsync_part_directory = 1") {
			t.Errorf("%s is not synced to disk:\n%s", name, statement)
		}
	}
	if want := "toIntervalDay(90)"; !strings.Contains(first["heartbeats"], want) {
		t.Errorf("heartbeats are not kept for %s:\n%s", want, first["heartbeats"])
	}
}

// Programs that start together may migrate together.
func TestMigrateTogether(t *testing.T) {
	s := openEmpty(t)
	errs := make(chan error, 4)
	for range cap(errs) {
		go func() {
			_, err := s.Migrate(context.Background())
			errs <- err
		}()
	}
	for range cap(errs) {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	if n := migrate(t, s); n != 0 {
		t.Errorf("%d steps were left", n)
	}
}

func TestMigrateRefuses(t *testing.T) {
	all, err := Migrations()
	if err != nil {
		t.Fatal(err)
	}
	s := openEmpty(t)
	migrate(t, s)
	before := schemaOf(t, s)

	edited := append([]Migration{}, all...)
	edited[3].Checksum = strings.Repeat("0", 64)
	edited = append(edited, Migration{Number: 9999, Name: "more", Statement: "CREATE TABLE more (a UInt8) ENGINE = MergeTree ORDER BY a"})
	if n, err := s.apply(t.Context(), edited); err == nil || n != 0 || !strings.Contains(err.Error(), "0004_create_calibration_checks was applied on "+time.Now().UTC().Format(time.DateOnly)+" and has been edited since") {
		t.Errorf("an edited step: %d, %v", n, err)
	}
	if n, err := s.apply(t.Context(), all[:len(all)-1]); err == nil || n != 0 || !strings.Contains(err.Error(), "migrated by a newer version") {
		t.Errorf("a database of a newer program: %d, %v", n, err)
	}
	if diff := cmp.Diff(before, schemaOf(t, s)); diff != "" {
		t.Errorf("the refused runs changed the schema\n%s", diff)
	}

	// A step that fails is not noted, and those before it are.
	broken := append(append([]Migration{}, all...),
		Migration{Number: 9998, Name: "good", Checksum: "a", Statement: "CREATE TABLE IF NOT EXISTS good (a UInt8) ENGINE = MergeTree ORDER BY a"},
		Migration{Number: 9999, Name: "bad", Checksum: "b", Statement: "CREATE TABEL bad"})
	n, err := s.apply(t.Context(), broken)
	if err == nil || n != 1 || !strings.Contains(err.Error(), "apply schema step 9999_bad") || errors.Is(err, ErrUnavailable) {
		t.Errorf("a broken step: %d, %v", n, err)
	}
	broken[len(broken)-1].Statement = "CREATE TABLE IF NOT EXISTS bad (a UInt8) ENGINE = MergeTree ORDER BY a"
	if n, err := s.apply(t.Context(), broken); err != nil || n != 1 {
		t.Errorf("the mended step: %d, %v", n, err)
	}
}

func TestReadMigrations(t *testing.T) {
	for _, tt := range []struct {
		name  string
		files fstest.MapFS
		want  string
	}{
		{"name", fstest.MapFS{"s/create.sql": {}}, "create.sql is not named NNNN_what.sql"},
		{"twice", fstest.MapFS{"s/0001_a.sql": {}, "s/0001_b.sql": {}}, "number 0001 is there twice"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := readMigrations(tt.files, "s"); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("readMigrations: %v, want %q", err, tt.want)
			}
		})
	}
	all, err := Migrations()
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range all {
		// Numbers rise; those between may belong to a step that is not here yet.
		if i > 0 && m.Number <= all[i-1].Number || m.Number < 1 {
			t.Errorf("step %d has number %d", i+1, m.Number)
		}
		if !strings.HasPrefix(m.Statement, "-- ") {
			t.Errorf("step %04d_%s does not say what it is for", m.Number, m.Name)
		}
		// Rows of spool_hours that are there twice are one with the greater number.
		if !strings.Contains(m.Statement, "IF NOT EXISTS") && !strings.Contains(m.Statement, "INSERT INTO spool_hours ") {
			t.Errorf("step %04d_%s cannot be run twice", m.Number, m.Name)
		}
	}
}

// A database of every release so far becomes the same as one made now. A
// release's state is written once, with -update, and then kept.
func TestMigrateFromReleases(t *testing.T) {
	now := openEmpty(t)
	migrate(t, now)
	want := schemaOf(t, now)
	const dir = "testdata/states"
	if *update {
		writeState(t, now, want, dir)
	}
	states, err := fs.Glob(os.DirFS(dir), "*.sql")
	if err != nil || len(states) == 0 {
		t.Fatalf("no states in %s: %v", dir, err)
	}
	for _, name := range states {
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			s := openEmpty(t)
			for _, statement := range strings.Split(string(text), ";\n\n") {
				if err := s.exec(t.Context(), statement); err != nil {
					t.Fatalf("%.100s: %v", statement, err)
				}
			}
			n := migrate(t, s)
			if diff := cmp.Diff(want, schemaOf(t, s)); diff != "" {
				t.Errorf("made now -, migrated in %d steps from %s +\n%s", n, name, diff)
			}
			if n := migrate(t, s); n != 0 {
				t.Errorf("a second run applied %d steps", n)
			}
		})
	}
}

// What the release before checks of every kind had stored reads as it did.
func TestRowsOfEarlierReleases(t *testing.T) {
	text, err := os.ReadFile("testdata/states/0020.sql")
	if err != nil {
		t.Fatal(err)
	}
	s := openEmpty(t)
	statements := strings.Split(string(text), ";\n\n")
	statements = append(statements,
		`INSERT INTO calibration_checks (check_id, cell_id, kind, state, performed_at, performed_by, air_pressure_pa, reading_cycle, reading_direction, reading_masses, reading_n, reading_simulated_n, note, agent_version, received_at)
VALUES ('c1', 'bath-1', 1, 2, '2026-03-02 08:30:00.5', 'R. Miles', 1e5, [1, 1], [1, 2], ['', 'm20-1,m20-2'], [0, NULL], [NULL, NULL], 'n', '1', '2026-03-02 09:00:00')`,
		`INSERT INTO check_results (check_id, cell_id, kind, state, performed_at, performed_by, verdict, reason, gain_error, gain_error_u, readings, point_force_n, point_reading_n, point_error_n, point_error_u_n, point_cycle, point_direction, opens_epoch, calibration_epoch, calibration_zero_n, calibration_gain, calibration_zero_u_n, calibration_gain_u, calibration_cov_zero_gain_n, epoch, registry_effective_at, code_version)
VALUES ('c1', 'bath-1', 1, 2, '2026-03-02 08:30:00.5', 'R. Miles', 'pass', 'r', 0.001, 0.002, 2, [0, 981], [0, 982], [0, 1], [0.5, 0.5], [1, 1], [1, 2], true, 'c1', 0.25, 0.001, 0.1, 0.0005, -0.00001, '', '2026-01-05', '2')`,
		`INSERT INTO curves (pull_id, cell_id, started_at, state, epoch, code_version, registry_effective_at) VALUES ('p1', 'bath-1', '2026-03-02 10:00:00', 'unusable', 'c1', '2', '2026-01-05')`,
		`INSERT INTO runs (run_id, cell_id, car_id, session, started_at, pull_ids, points, ramp_rate_rad_s2, ln_c, y, epoch, registry_effective_at, code_version) VALUES ('r1', 'bath-1', 'ref-a', 'w1', '2026-03-02 10:00:00', ['p1'], 2, [20], [0.01], [8.1, 8.2], 'c1', '2026-01-05', '2')`,
		`INSERT INTO coastdown_results (pull_id, cell_id, started_at, state, f0_n, epoch, code_version, registry_effective_at) VALUES ('d1', 'bath-1', '2026-03-02 10:00:00', 'computed', 41, 'c1', '2', '2026-01-05')`)
	for _, statement := range statements {
		if err := s.exec(t.Context(), statement); err != nil {
			t.Fatalf("%.100s: %v", statement, err)
		}
	}
	migrate(t, s)
	at := time.Date(2026, 3, 2, 8, 30, 0, 5e8, time.UTC)
	number := func(x float64) *float64 { return &x }
	check, found, err := s.ReadCheck(t.Context(), "c1")
	if err != nil || !found {
		t.Fatal(found, err)
	}
	want := fleet.Check{ID: "c1", Cell: "bath-1", Kind: fleet.CheckDeadWeight, State: fleet.AsLeft, PerformedAt: at, PerformedBy: "R. Miles", AirPressure: number(1e5), Note: "n", AgentVersion: "1",
		Readings: []fleet.Reading{{Cycle: 1, Direction: fleet.Rising, Force: number(0)}, {Cycle: 1, Direction: fleet.Falling, Masses: []fleet.MassID{"m20-1", "m20-2"}}}}
	if diff := cmp.Diff(want, check.Check()); diff != "" {
		t.Errorf("check (-want +got):\n%s", diff)
	}
	if !check.Check().From().Equal(at) {
		t.Errorf("its calibration holds from %v, want %v", check.Check().From(), at)
	}
	result, found, err := s.ReadCheckResult(t.Context(), "c1")
	if err != nil || !found || result.Result != "" || result.Risk != nil || result.BaseInertia != nil || result.OpensEpochAt != nil ||
		!result.OpensEpoch || result.CalibrationZero != 0.25 || *result.GainError != 0.001 || len(result.PointForce) != 2 || result.Verdict != "pass" {
		t.Errorf("result %+v, %v, %v", result, found, err)
	}
	curve, found, err := s.ReadCurve(t.Context(), "p1")
	if err != nil || !found || curve.Epoch != "c1" || curve.BaseInertiaEpoch != "" || curve.ParasiticEpoch != "" {
		t.Errorf("curve %+v, %v, %v", curve, found, err)
	}
	// The speed ratio of a run of before is not known.
	runs, err := s.ReadRuns(t.Context(), Filter{})
	if err != nil || len(runs) != 1 || runs[0].RunID != "r1" || len(runs[0].Y) != 2 || len(runs[0].RatioPullIDs)+len(runs[0].LnRatio)+len(runs[0].LnRatioSlope)+len(runs[0].RatioJudges)+len(runs[0].RatioForce) != 0 {
		t.Errorf("runs %+v, %v", runs, err)
	}
	coastDown, found, err := s.ReadCoastDown(t.Context(), "d1")
	if err != nil || !found || *coastDown.F0 != 41 || coastDown.LossU != nil || coastDown.MassU != nil || coastDown.ParasiticEpoch != "" {
		t.Errorf("coast-down %+v, %v, %v", coastDown, found, err)
	}
}

// writeState writes the schema that s has to the first file that is not there
// yet, NNNN.sql, NNNN being the last step.
func writeState(t *testing.T, s *Store, schema map[string]string, dir string) {
	t.Helper()
	all, err := Migrations()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "-- The schema after step %d, as the server gave it: what that step's release left behind.\n", all[len(all)-1].Number)
	fmt.Fprintf(&b, "%s", schema["schema_migrations"])
	for _, m := range all {
		// A step's name says which table it makes.
		if table := strings.TrimPrefix(m.Name, "create_"); schema[table] != "" {
			fmt.Fprintf(&b, ";\n\n%s", schema[table])
		}
	}
	b.WriteString(";\n\nINSERT INTO schema_migrations (number, name, checksum, applied_at) VALUES")
	for i, m := range all {
		if i > 0 {
			b.WriteString(",")
		}
		fmt.Fprintf(&b, "\n(%d, '%s', '%s', '2026-12-01 00:00:00')", m.Number, m.Name, m.Checksum)
	}
	b.WriteString("\n")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%04d.sql", all[len(all)-1].Number)), []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}

// The hours of heartbeats that were there before are kept as those that come are,
// and filling in twice changes nothing.
func TestSpoolHoursOfBefore(t *testing.T) {
	s := openEmpty(t)
	all, err := Migrations()
	if err != nil {
		t.Fatal(err)
	}
	before := slices.DeleteFunc(slices.Clone(all), func(m Migration) bool { return m.Number >= 70 })
	if _, err := s.apply(t.Context(), before); err != nil {
		t.Fatal(err)
	}
	hour := time.Now().UTC().Truncate(time.Hour).Add(-2 * time.Hour)
	beat := func(cell string, after time.Duration, waiting uint64) {
		t.Helper()
		at := hour.Add(after)
		if err := s.Append(t.Context(), Batch{Heartbeats: []HeartbeatRow{{CellID: cell, SentAt: at, ReceivedAt: at, SpoolMessages: waiting}}}); err != nil {
			t.Fatal(err)
		}
	}
	beat("c1", time.Minute, 3)
	beat("c1", 59*time.Minute, 8)
	beat("c1", 61*time.Minute, 1)
	beat("c2", 2*time.Minute, 5)
	want := map[string]uint64{"c1 0": 8, "c1 1": 1, "c2 0": 5}
	look := func(when string) {
		t.Helper()
		rows, err := selectRows[struct {
			Cell    string    `ch:"cell_id"`
			Hour    time.Time `ch:"hour"`
			Waiting uint64    `ch:"waiting"`
		}](t.Context(), s, "SELECT cell_id, hour, max(spool_messages) AS waiting FROM spool_hours GROUP BY cell_id, hour")
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]uint64{}
		for _, r := range rows {
			got[fmt.Sprintf("%s %.0f", r.Cell, r.Hour.Sub(hour).Hours())] = r.Waiting
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", when, diff)
		}
	}
	migrate(t, s)
	look("migrated")
	beat("c1", 62*time.Minute, 4)
	beat("c2", 3*time.Minute, 2)
	want["c1 1"] = 4
	look("more came")
	for _, m := range all {
		if m.Number == 72 {
			if err := s.exec(t.Context(), m.Statement); err != nil {
				t.Fatal(err)
			}
		}
	}
	look("filled in again")
}
