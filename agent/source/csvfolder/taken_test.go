package csvfolder

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// particularsMapping takes all a record's particulars from the file's name.
const particularsMapping = `
format: {unit_row: true}
started_at: {from: [{group: at}], format: "YYYYMMDD-hhmmss", zone: UTC}
rules:
  - name: check
    kind: check
    file_name: '^check_(?P<kind>zero|dead_weight)_(?P<state>as_found|as_left)_(?P<by>\w*)_(?P<at>[0-9-]+)_(?P<p>[0-9.]*)_(?P<note>\w*)\.csv$'
    check_kind: {group: kind}
    state: {group: state}
    performed_by: {group: by, optional: true}
    air_pressure: {group: p, unit: hPa, optional: true}
    note: {group: note, optional: true}
` + particularsPull + `
  - name: empty
    kind: empty_coast_down
    file_name: '^empty_(?P<at>[0-9-]+)\.csv$'
samples:
  time: {column: Time, unit: s}
  columns:
    - {name: Speed, channel: roller_speed, unit: km/h}
    - {name: Force, channel: load_cell, unit: N}
    - {name: Engine, channel: engine_speed, unit: rpm}
readings: {cycle: Cycle, direction: Direction, masses: Masses, reading: Reading, unit: N}
`

const particularsPull = `
  - name: pull
    kind: pull
    file_name: '^pull_(?P<at>[0-9-]+)_(?P<car>\w*)_(?P<label>\w*)_(?P<session>\w*)_(?P<customer>\w*)_(?P<ramp>\w*)_(?P<rotating>\w*)_(?P<coasting>\w*)_(?P<correction>[a-z0-9-]*)\.csv$'
    car: {group: car, optional: true}
    label: {group: label, optional: true}
    session: {group: session, optional: true}
    customer_car: {group: customer, optional: true}
    ramp_rate: {group: ramp, unit: rpm/s, optional: true}
    rotating_mass: {group: rotating, unit: kg, optional: true}
    coasting_mass: {group: coasting, unit: kg, optional: true}
    correction: {group: correction, optional: true}
`

// TestEveryParticularIsInTheID gives the same bytes under names that differ in
// one particular each: no two records share an id.
func TestEveryParticularIsInTheID(t *testing.T) {
	m := mapping(t, particularsMapping)
	samples := "Time,Speed,Force,Engine\ns,km/h,N,rpm\n" + plainBody
	readings := "Cycle,Direction,Masses,Reading\n,,,N\n1,rising,,0.1\n"
	ids := map[string]string{}
	note := func(name string, requests []*rollcallv1.StreamRequest) {
		t.Helper()
		id := requests[0].GetPullBegin().GetPullId() + requests[0].GetCalibrationCheck().GetCheckId()
		if other, twice := ids[id]; twice || len(id) != 32 {
			t.Errorf("%s has the id %q of %s", name, id, other)
		}
		ids[id] = name
	}
	for text, names := range map[string][]string{
		samples: {
			"pull_20270304-091500________.csv",
			"pull_20270304-091501________.csv",
			"pull_20270304-091500_hazel_______.csv",
			"pull_20270304-091500__hazel______.csv",
			"pull_20270304-091500___hazel_____.csv",
			"pull_20270304-091500____hazel____.csv",
			"pull_20270304-091500_____20___.csv",
			"pull_20270304-091500______20__.csv",
			"pull_20270304-091500_______20_.csv",
			"pull_20270304-091500________none.csv",
			"empty_20270304-091500.csv",
		},
		readings: {
			"check_zero_as_found__20270304-091500__.csv",
			"check_zero_as_found__20270304-091501__.csv",
			"check_zero_as_left__20270304-091500__.csv",
			"check_dead_weight_as_found__20270304-091500__.csv",
			"check_zero_as_found_ines_20270304-091500__.csv",
			"check_zero_as_found__20270304-091500_1013_.csv",
			"check_zero_as_found__20270304-091500__ines.csv",
		},
	} {
		for _, name := range names {
			s, err := take(t, m, name, text)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			note(name, s.requests)
		}
	}
	other := &memory{}
	if err := m.Take(t.Context(), "empty_20270304-091500.csv", strings.NewReader(samples), "fen-2", "test 1", other); err != nil {
		t.Fatal(err)
	}
	note("another cell", other.requests)
	// The agent's version is none of the record.
	if err := m.Take(t.Context(), "empty_20270304-091500.csv", strings.NewReader(samples), "fen-2", "test 2", other); err != nil {
		t.Fatal(err)
	}
	if a, b := other.requests[0].GetPullBegin(), other.requests[len(other.requests)/2].GetPullBegin(); a.PullId != b.PullId {
		t.Errorf("ids %s and %s of two versions", a.PullId, b.PullId)
	}
}

// drop puts a file into the folder and looks.
func drop(t *testing.T, f *Folder, s *memory, name, text string) {
	t.Helper()
	write(t, f.path(name), text)
	f.look(t.Context(), s)
	if exists(f.path(name)) {
		t.Fatalf("%s is still in the folder: %+v", name, f.Status())
	}
}

func TestSameBytesTwice(t *testing.T) {
	f, dir := folder(t, plainMapping, func(c *Config) { c.Settle = 0 })
	s := &memory{}
	text := plainHead + plainBody
	again := func() { // as after a restart
		g, err := New(f.config, f.mapping, f.log)
		if err != nil {
			t.Fatal(err)
		}
		f = g
	}
	drop(t, f, s, "pull_a.csv", text)
	first := len(s.requests)
	for range 2 {
		// The same once more: sent again.
		before := len(s.requests)
		drop(t, f, s, "pull_a.csv", text)
		if len(s.requests)-before != first || s.requests[before].GetPullBegin().PullId != s.requests[0].GetPullBegin().PullId {
			t.Error("a file given again is not sent again as it was")
		}
		again()
	}
	// The same bytes with another label.
	for range 2 {
		before := len(s.requests)
		drop(t, f, s, "pull_b.csv", text)
		if st := f.Status(); len(s.requests) != before || st.Rejected != 1 || !strings.Contains(st.LastReason, "the same bytes were taken as pull_a.csv on 20") ||
			!strings.Contains(st.LastReason, "if it really is another record") {
			t.Errorf("status %+v", st)
		}
		again()
	}
	// The way out that the reason tells.
	drop(t, f, s, "pull_b.csv", text+"\n")
	if st := f.Status(); st.Done != 1 || st.Rejected != 0 {
		t.Errorf("status %+v", st)
	}
	again()
	// Without the index nothing is known, and it begins anew.
	if err := os.Remove(filepath.Join(dir, takenFile)); err != nil {
		t.Fatal(err)
	}
	drop(t, f, s, "pull_c.csv", text)
	drop(t, f, s, "pull_d.csv", text)
	if st := f.Status(); st.Done != 1 || st.Rejected != 1 || !strings.Contains(st.LastReason, "pull_c.csv") {
		t.Errorf("status %+v", st)
	}
}

// TestChecksMayReadTheSame: two zero checks of the same reading are two checks
// when their times differ, and one slip when only something else does.
func TestChecksMayReadTheSame(t *testing.T) {
	f, _ := folder(t, particularsMapping, func(c *Config) { c.Settle = 0 })
	s := &memory{}
	text := "Cycle,Direction,Masses,Reading\n,,,N\n1,rising,,0.1\n"
	drop(t, f, s, "check_zero_as_found__20270304-091500__.csv", text)
	drop(t, f, s, "check_zero_as_found__20270311-091500__.csv", text)
	drop(t, f, s, "check_zero_as_found__20270304-091500__.csv", text)
	if st := f.Status(); st.Done != 3 || st.Rejected != 0 {
		t.Errorf("status %+v", st)
	}
	drop(t, f, s, "check_zero_as_left__20270304-091500__.csv", text)
	if st := f.Status(); st.Rejected != 1 || !strings.Contains(st.LastReason, "taken as check_zero_as_found__20270304-091500__.csv") {
		t.Errorf("status %+v", st)
	}
}

// TestIndexNotWritten keeps the file, without sending its record again and
// again, until the index can be written.
func TestIndexNotWritten(t *testing.T) {
	f, dir := folder(t, plainMapping, func(c *Config) { c.Settle = 0 })
	s := &memory{}
	f.look(t.Context(), s)
	if err := os.Mkdir(filepath.Join(dir, takenFile), 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "pull_a.csv"), plainHead+plainBody)
	for range 3 {
		f.look(t.Context(), s)
	}
	if st := f.Status(); s.groups != 1 || !strings.Contains(st.Alarm, "index of taken files") || !exists(dir, "pull_a.csv") {
		t.Errorf("%d groups, status %+v", s.groups, st)
	}
	if err := os.Remove(filepath.Join(dir, takenFile)); err != nil {
		t.Fatal(err)
	}
	f.look(t.Context(), s)
	if st := f.Status(); s.groups != 1 || st.Alarm != "" || st.Done != 1 || !exists(dir, "done", "pull_a.csv") {
		t.Errorf("%d groups, status %+v", s.groups, st)
	}
}

func TestTakenIndex(t *testing.T) {
	path := filepath.Join(t.TempDir(), takenFile)
	at := time.Date(2027, 3, 4, 9, 15, 0, 0, time.UTC)
	nth := func(n int) record { return record{content: digest{1, byte(n)}, id: digest{2, byte(n)}} }
	open := func() *taken {
		t.Helper()
		x, err := openTaken(path, 10)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	x := open()
	for n := range 35 {
		if err := x.add(nth(n), fmt.Sprintf("pull \"%d\"\n.csv", n), at); err != nil {
			t.Fatal(err)
		}
		if n%7 == 0 {
			x = open()
		}
	}
	for _, x := range []*taken{x, open()} {
		for n := range 35 {
			slip := nth(n)
			slip.id[0] = 3
			if r := x.other(slip); (r != nil) != (n >= 25) || r != nil && !strings.Contains(r.What, fmt.Sprintf("%q", fmt.Sprint(n))) {
				t.Errorf("content %d: %v", n, r)
			}
			if r := x.other(nth(n)); r != nil {
				t.Errorf("record %d given again: %v", n, r)
			}
		}
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(text), "\n"); n > 20 {
		t.Errorf("%d lines for 10 files", n)
	}
	// Cut anywhere, as by a loss of power: what is whole is known, and what
	// comes after it is too.
	for cut := range len(text) + 1 {
		if err := os.WriteFile(path, text[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		whole := strings.Count(string(text[:min(cut+1, len(text))]), "\n") // only its end may be missing
		x := open()
		if got := len(x.known); got != min(whole, 10) {
			t.Fatalf("cut at %d: %d known of %d whole lines", cut, got, whole)
		}
		if err := x.add(nth(99), "new", at); err != nil {
			t.Fatal(err)
		}
		if got := open().known; len(got) != min(whole+1, 10) || got[nth(99).content].name != "new" {
			t.Fatalf("cut at %d: %d known after one more", cut, len(got))
		}
	}
	// Lines that are none are passed over.
	garbage := slices.Concat(text, []byte("\x00\x00\nabc\n"), text[:30], []byte("\n"))
	if err := os.WriteFile(path, garbage, 0o600); err != nil {
		t.Fatal(err)
	}
	if got := len(open().known); got != 10 {
		t.Errorf("%d known beside garbage", got)
	}
}

// TestReasonGoesWithTheMendedFile rejects a file, mends it and gives it again.
func TestReasonGoesWithTheMendedFile(t *testing.T) {
	f, dir := folder(t, plainMapping, func(c *Config) { c.Settle = 0 })
	s := &memory{}
	drop(t, f, s, "pull_a.csv", plainHead)
	drop(t, f, s, "pull_b.csv", plainHead)
	drop(t, f, s, "holiday.csv", plainHead+plainBody)
	reason := func(name string) string { return filepath.Join(dir, "rejected", name+reasonSuffix) }
	if !exists(reason("pull_a.csv")) || !exists(reason("pull_b.csv")) || !exists(reason("holiday.csv")) {
		t.Fatal("no reasons")
	}
	if err := os.Remove(filepath.Join(dir, "rejected", "pull_a.csv")); err != nil {
		t.Fatal(err)
	}
	drop(t, f, s, "pull_a.csv", plainHead+plainBody)
	if exists(reason("pull_a.csv")) || !exists(reason("pull_b.csv")) {
		t.Error("the mended file's reason stayed, or another's went")
	}
	// Mended by another name; the reason goes a day later.
	if err := os.Rename(filepath.Join(dir, "rejected", "holiday.csv"), filepath.Join(dir, "pull_c.csv")); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "pull_c.csv"), plainHead+plainBody+"1,60,1,2000\n")
	f.look(t.Context(), s)
	if !exists(reason("holiday.csv")) {
		t.Error("the reason went at once")
	}
	f.now = func() time.Time { return time.Now().Add(25 * time.Hour) }
	drop(t, f, s, "pull_d.csv", plainHead+plainBody+"2,60,1,2000\n")
	if exists(reason("holiday.csv")) || !exists(reason("pull_b.csv")) {
		t.Error("the reason stayed, or one whose file is there went")
	}
}

// What is said of a car besides is announced in SI, makes a record of its own,
// and leaves the id of one that says nothing as it was.
func TestSetUpAndEngine(t *testing.T) {
	rule := func(more string) *Mapping {
		return mapping(t, strings.Replace(particularsMapping, "    coasting_mass: {group: coasting, unit: kg, optional: true}\n",
			"    coasting_mass: {group: coasting, unit: kg, optional: true}\n"+more, 1))
	}
	const name = "pull_20270304-091500_____20___.csv"
	body := "Time,Speed,Force,Engine\ns,km/h,N,rpm\n" + plainBody
	begin := func(m *Mapping, text string) *rollcallv1.PullBegin {
		t.Helper()
		s, err := take(t, m, name, text)
		if err != nil {
			t.Fatal(err)
		}
		return s.requests[0].GetPullBegin()
	}
	const more = "    set_up: {header: Set-up, optional: true}\n    charging: {header: Charging, optional: true, map: {T: turbo, N: none}}\n    displacement: {header: Displacement, unit: L, optional: true}\n"
	before, silent := begin(mapping(t, particularsMapping), body), begin(rule(more), body)
	if before.PullId != silent.PullId || silent.SetUp != "" || silent.Charging != "" || silent.DisplacementM3 != nil {
		t.Errorf("a file that says nothing: id %s, was %s; %v", silent.PullId, before.PullId, silent)
	}
	ids := map[string]bool{before.PullId: true}
	for _, head := range []string{"Set-up: slicks\n", "Charging: T\n", "Displacement: 2.5\n", "Set-up: slicks\nCharging: N\nDisplacement: 2.5\n"} {
		b := begin(rule(more), head+body)
		// The file's bytes differ too: the particulars alone are compared below.
		if ids[b.PullId] {
			t.Errorf("%q has an id that is another's", head)
		}
		ids[b.PullId] = true
	}
	all := begin(rule(more), "Set-up: slicks\nCharging: T\nDisplacement: 2.5\n"+body)
	if all.SetUp != "slicks" || all.Charging != "turbo" || all.DisplacementM3 == nil || *all.DisplacementM3 != 0.0025 {
		t.Errorf("announced %v", all)
	}
	// The same bytes with other particulars are another record.
	for _, fixed := range []string{"    set_up: {value: slicks}\n", "    charging: {value: turbo}\n", "    displacement: {value: \"2.5\", unit: L}\n"} {
		b := begin(rule(fixed), body)
		if ids[b.PullId] {
			t.Errorf("%q has the id of a record that does not say so", fixed)
		}
		ids[b.PullId] = true
	}
	if _, err := take(t, rule(more), name, "Charging: X\n"+body); err == nil || !strings.Contains(err.Error(), `the charging is "X"`) {
		t.Errorf("an unknown charging: %v", err)
	}
}
