package store

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
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
		if !strings.HasPrefix(statement, "CREATE TABLE") || strings.HasSuffix(name, "heartbeats") {
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
		if !strings.Contains(m.Statement, "IF NOT EXISTS") {
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

// A curve that was stored before its band means and the choice of its window were
// reads as one that does not state them, alone and in lists.
func TestCurvesFromBeforeBandMeans(t *testing.T) {
	all, err := Migrations()
	if err != nil {
		t.Fatal(err)
	}
	before := len(all)
	for before > 0 && all[before-1].Number >= 25 {
		before--
	}
	s := openEmpty(t)
	if n, err := s.apply(t.Context(), all[:before]); err != nil || n != before {
		t.Fatalf("%d steps of %d: %v", n, before, err)
	}
	const id = "00112233445566778899aabbccddeeff"
	if err := s.exec(t.Context(), "INSERT INTO curves (pull_id, cell_id, kind, started_at, state, peak_wheel_power_w, peak_wheel_power_engine_speed_rad_s, window_s, engine_speed_rad_s, wheel_power_w)"+
		" VALUES ('"+id+"', 'fen-1', 1, '2026-03-01 10:00:00', 'computed', 171200, 649.25, 0.9, [600, 650], [170000, 171200])"); err != nil {
		t.Fatal(err)
	}
	if n := migrate(t, s); n != len(all)-before {
		t.Fatalf("%d steps, want %d", n, len(all)-before)
	}
	row, found, err := s.ReadCurve(t.Context(), id)
	if err != nil || !found {
		t.Fatalf("found %v, %v", found, err)
	}
	list, err := s.ListCurves(t.Context(), PullFilter{Filter: Filter{Limit: 10}})
	if err != nil || len(list) != 1 {
		t.Fatalf("%d curves, %v", len(list), err)
	}
	for _, r := range []CurveRow{row, list[0]} {
		if r.PeakWheelPower == nil || *r.PeakWheelPower != 171200 || r.Window == nil || *r.Window != 0.9 {
			t.Errorf("what it had: %v, %v", r.PeakWheelPower, r.Window)
		}
		if r.PeakWheelPowerEngineSpeedU != nil || r.MeanWheelPower != nil || r.MeanWheelPowerU != nil || r.MeanWheelPowerLow != nil || r.MeanWheelPowerHigh != nil ||
			r.MeanEnginePower != nil || r.MeanEngineTorque != nil || r.MeanCorrectedPower != nil || r.MeanCorrectedTorque != nil || r.WindowFromNoise != nil {
			t.Errorf("states what it never did: %+v", r)
		}
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
