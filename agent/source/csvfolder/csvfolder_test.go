package csvfolder

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/wire"

	"rollcall/agent/spool"
)

func TestMain(m *testing.M) {
	if os.Getenv(childFolder) != "" {
		runChild()
		return
	}
	goleak.VerifyTestMain(m)
}

// memory is a sink that keeps copies of all messages.
type memory struct {
	requests []*rollcallv1.StreamRequest
	groups   int
	refuse   func(group int) error // nil: never
}

func (s *memory) Append(_ context.Context, requests ...*rollcallv1.StreamRequest) error {
	s.groups++
	if s.refuse != nil {
		if err := s.refuse(s.groups); err != nil {
			return err
		}
	}
	for _, r := range requests {
		s.requests = append(s.requests, proto.Clone(r).(*rollcallv1.StreamRequest))
	}
	return nil
}

// series is one channel as the service would have it.
type series struct {
	times, values []float64
	counts        []int32 // nil: sent as values
	scale         float64
	blocks        int
	uniform       bool
}

// whole is a record as the service would have it.
type whole struct {
	pull     fleet.Pull
	channels map[fleet.Channel]series
	ended    bool
	samples  int
}

// assemble puts messages together as the service does: it validates each with
// the wire's own functions and compares counts and checksum of the PullEnd.
func assemble(t testing.TB, requests []*rollcallv1.StreamRequest) whole {
	t.Helper()
	w := whole{channels: map[fleet.Channel]series{}}
	var sums []wire.BlockSum
	for i, r := range requests {
		switch b := r.Body.(type) {
		case *rollcallv1.StreamRequest_PullBegin:
			p, err := wire.FromPullBegin(b.PullBegin)
			if err != nil {
				t.Fatalf("PullBegin: %v", err)
			}
			if i != 0 {
				t.Fatalf("PullBegin is message %d", i)
			}
			w.pull = p
		case *rollcallv1.StreamRequest_SampleBlock:
			k, err := wire.FromSampleBlock(b.SampleBlock)
			if err != nil {
				t.Fatalf("SampleBlock: %v", err)
			}
			if k.Pull != w.pull.ID || k.Cell != w.pull.Cell || !slices.Contains(w.pull.Channels, k.Channel) {
				t.Fatalf("block of pull %s, cell %s, channel %s does not belong to %+v", k.Pull, k.Cell, k.Channel, w.pull)
			}
			s := w.channels[k.Channel]
			if int(k.Index) != s.blocks {
				t.Fatalf("channel %s: block %d comes as number %d", k.Channel, k.Index, s.blocks)
			}
			s.blocks++
			n := k.Samples.Len()
			if n > blockSamples {
				t.Fatalf("channel %s: %d samples in a block", k.Channel, n)
			}
			for i := range n {
				at := k.Start + float64(i)*k.Step
				if k.Step == 0 {
					at = k.Times.At(i)
				}
				if m := len(s.times); m > 0 && at <= s.times[m-1] {
					t.Fatalf("channel %s: time %v after %v", k.Channel, at, s.times[m-1])
				}
				s.times = append(s.times, at)
				s.values = append(s.values, k.Samples.At(i))
			}
			s.counts = append(s.counts, k.Samples.Counts...)
			s.scale = k.Samples.Scale
			s.uniform = k.Step != 0
			w.channels[k.Channel] = s
			sums = append(sums, k.Sum())
			w.samples += n
		case *rollcallv1.StreamRequest_PullEnd:
			e, err := wire.FromPullEnd(b.PullEnd)
			if err != nil {
				t.Fatalf("PullEnd: %v", err)
			}
			if want := wire.NewEnd(w.pull.ID, w.pull.Cell, sums); e != want {
				t.Fatalf("PullEnd %+v, blocks give %+v", e, want)
			}
			if i != len(requests)-1 {
				t.Fatalf("PullEnd is message %d of %d", i, len(requests))
			}
			w.ended = true
		default:
			t.Fatalf("message %d is a %T", i, b)
		}
	}
	if len(w.channels) != len(w.pull.Channels) {
		t.Fatalf("%d channels announced, %d sent", len(w.pull.Channels), len(w.channels))
	}
	return w
}

const plainMapping = `
format: {unit_row: true}
started_at: {from: [{header: Started}], format: "YYYY-MM-DD hh:mm:ss", zone: UTC}
rules:
  - name: pull
    kind: pull
    file_name: '^pull_(?P<label>\w+)\.csv$'
    label: {group: label}
    car: {header: Car, optional: true}
    ramp_rate: {header: Ramp, optional: true}
  - name: check
    kind: check
    file_name: '^check_\w+\.csv$'
    check_kind: {header: Check}
    state: {header: State}
    performed_by: {header: By}
    air_pressure: {header: Pressure, unit: hPa, optional: true}
samples:
  time: {column: Time, unit: s}
  columns:
    - {name: Speed, channel: roller_speed, unit: km/h}
    - {name: Force, channel: load_cell, unit: N}
    - {name: Engine, channel: engine_speed, unit: rpm}
    - {name: Pressure, channel: air_pressure, unit: hPa, optional: true}
readings: {cycle: Cycle, direction: Direction, masses: Masses, reading: Reading, unit: N, simulated: Simulated}
`

const plainHead = "Started: 2027-03-04 09:15:00\nCar: hazel\nRamp: 300 rpm/s\n\nTime,Speed,Force,Engine\ns,km/h,N,rpm\n"

const plainBody = "0.00,60.10,-1.2,2000\n0.02,60.20,0.0,2010\n0.04,60.30,1250.4,2020\n"

func mapping(t testing.TB, text string) *Mapping {
	t.Helper()
	m, err := ParseMapping("mapping.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// take takes a text as a file of cell fen-1.
func take(t testing.TB, m *Mapping, name, text string) (*memory, error) {
	t.Helper()
	s := &memory{}
	return s, m.Take(context.Background(), name, strings.NewReader(text), "fen-1", "test 1", s)
}

func TestTakePull(t *testing.T) {
	s, err := take(t, mapping(t, plainMapping), "pull_s1.csv", plainHead+plainBody)
	if err != nil {
		t.Fatal(err)
	}
	w := assemble(t, s.requests)
	p := w.pull
	if !w.ended || p.Kind != fleet.KindPull || p.Car != "hazel" || p.Label != "s1" || p.Cell != "fen-1" || p.AgentVersion != "test 1" {
		t.Errorf("pull %+v, ended %v", p, w.ended)
	}
	if want := time.Date(2027, 3, 4, 9, 15, 0, 0, time.UTC); !p.StartedAt.Equal(want) {
		t.Errorf("started at %v, want %v", p.StartedAt, want)
	}
	// 300 rpm/s = 300·2π/60 rad/s².
	if p.RampRate == nil || math.Abs(*p.RampRate-10*math.Pi) > 1e-12 {
		t.Errorf("ramp rate %v", p.RampRate)
	}
	if p.Header["Car"] != "hazel" || p.Header["file_name"] != "pull_s1.csv" {
		t.Errorf("header %v", p.Header)
	}
	if w.samples != 9 || len(s.requests) != 5 || s.groups != 1 {
		t.Errorf("%d samples in %d messages in %d groups; want 9, 5, 1", w.samples, len(s.requests), s.groups)
	}
	// Whole numbers of the last decimal, straight from the text.
	for _, c := range []struct {
		channel fleet.Channel
		counts  []int32
		scale   float64
	}{
		{fleet.RollerSpeed, []int32{6010, 6020, 6030}, 1 / 3.6 / 100},
		{fleet.LoadCellForce, []int32{-12, 0, 12504}, 0.1},
		{fleet.EngineSpeed, []int32{2000, 2010, 2020}, 2 * math.Pi / 60},
	} {
		got := w.channels[c.channel]
		if !slices.Equal(got.counts, c.counts) || got.scale != c.scale {
			t.Errorf("%s: counts %v scale %v, want %v %v", c.channel, got.counts, got.scale, c.counts, c.scale)
		}
		if !got.uniform || !slices.Equal(got.times, []float64{0, 0.02, 0.04}) {
			t.Errorf("%s: times %v, uniform %v", c.channel, got.times, got.uniform)
		}
	}
	// The id is that of the text of the package's comment:
	// Python 3 hashlib over that text.
	if want := "3b4a6d144b2ab17a2b7fb23123650477"; string(p.ID) != want {
		t.Errorf("id %s, want %s", p.ID, want)
	}
	// Other cell, other content: other ids.
	other := &memory{}
	if err := mapping(t, plainMapping).Take(context.Background(), "pull_s1.csv", strings.NewReader(plainHead+plainBody), "fen-2", "", other); err != nil {
		t.Fatal(err)
	}
	if other.requests[0].GetPullBegin().PullId == string(p.ID) {
		t.Error("another cell's pull has the same id")
	}
}

func TestNumbersAreThoseOfTheText(t *testing.T) {
	cases := []struct {
		name   string
		texts  []string
		counts []int32   // nil: values
		values []float64 // of the text, in N
	}{
		{"mixed decimals", []string{"1", "1.5", "-0.25", "+3.", ".5"}, []int32{100, 150, -25, 300, 50}, nil},
		{"largest counts", []string{"2147483647", "-2147483647"}, nil, nil}, // beyond the limit of the channel, see below
		{"nine decimals", []string{"0.123456789", "-0.000000001"}, []int32{123456789, -1}, nil},
		{"ten decimals", []string{"0.1234567891", "1"}, nil, []float64{0.1234567891, 1}},
		{"too large for counts of its decimals", []string{"99999.1", "0.000001"}, nil, []float64{99999.1, 0.000001}},
		{"exponents", []string{"1.25e2", "-3E-1", "7"}, nil, []float64{125, -0.3, 7}},
		{"many digits", []string{"1.0000000000000002", "3"}, nil, []float64{1.0000000000000002, 3}},
		{"zeros in front", []string{"000000000000000000000012.5", "1.0"}, nil, []float64{12.5, 1}},
		{"quoted and spaced", []string{`"12.5"`, " 3.5 ", `" 1.0 "`}, []int32{125, 35, 10}, nil},
		{"negative zero", []string{"-0.0", "0.0"}, []int32{0, 0}, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			var b strings.Builder
			b.WriteString(plainHead)
			for i, x := range c.texts {
				fmt.Fprintf(&b, "%d,60,%s,2000\n", i, x)
			}
			s, err := take(t, mapping(t, plainMapping), "pull_a.csv", b.String())
			if c.counts == nil && c.values == nil {
				var r *Rejection
				if !errors.As(err, &r) {
					t.Fatalf("%v, want a rejection", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			got := assemble(t, s.requests).channels[fleet.LoadCellForce]
			if !slices.Equal(got.counts, c.counts) {
				t.Errorf("counts %v, want %v", got.counts, c.counts)
			}
			for i, want := range c.values {
				if got.values[i] != want {
					t.Errorf("value %v, want %v", got.values[i], want)
				}
			}
		})
	}
}

func TestClocks(t *testing.T) {
	body := func(times []string, force []string) string {
		var b strings.Builder
		b.WriteString(plainHead)
		for i := range times {
			fmt.Fprintf(&b, "%s,60,%s,2000\n", times[i], force[min(i, len(force)-1)])
		}
		return b.String()
	}
	even := []string{"5.00", "5.02", "5.04", "5.06", "5.08", "5.10"}
	cases := []struct {
		name         string
		times, force []string
		uniform      bool
		want         []float64 // of the load cell
	}{
		{"uniform from five", even, []string{"1"}, true, []float64{0, 0.02, 0.04, 0.06, 0.08, 0.1}},
		{"within a microsecond", []string{"0", "0.0200009", "0.0399995"}, []string{"1"}, true, []float64{0, 0.02, 0.04}},
		{"two microseconds off", []string{"0", "0.020002", "0.040000", "0.060000"}, []string{"1"}, false, []float64{0, 0.020002, 0.04, 0.06}},
		{"a gap", []string{"0", "0.02", "0.04", "0.08"}, []string{"1"}, false, []float64{0, 0.02, 0.04, 0.08}},
		{"blanks at even places", even, []string{"1", "", "2", "", "3", ""}, true, []float64{0, 0.04, 0.08}},
		{"blanks anywhere", even, []string{"", "1", "2", "", "", "3"}, false, []float64{0.02, 0.04, 0.1}},
		{"one value", even, []string{"", "", "1", "", "", ""}, false, []float64{0.04}},
		{"decimals of their own", []string{"0", "1e-2", "0.3"}, []string{"1"}, false, []float64{0, 0.01, 0.3}},
		{"since 1970", []string{"1803633300.000", "1803633300.020", "1803633300.040"}, []string{"1"}, true, []float64{0, 0.02, 0.04}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s, err := take(t, mapping(t, plainMapping), "pull_a.csv", body(c.times, c.force))
			if err != nil {
				t.Fatal(err)
			}
			got := assemble(t, s.requests).channels[fleet.LoadCellForce]
			if got.uniform != c.uniform || len(got.times) != len(c.want) {
				t.Fatalf("uniform %v times %v, want %v %v", got.uniform, got.times, c.uniform, c.want)
			}
			tolerance := 1e-12 // explicit times are those of the text
			if c.uniform {
				tolerance = 1e-6 // the promise of a uniform clock
			}
			for i, want := range c.want {
				if math.Abs(got.times[i]-want) > tolerance {
					t.Errorf("time %v, want %v", got.times[i], want)
				}
			}
		})
	}
}

// TestClockColumns takes times of day, with and without their dates.
func TestClockColumns(t *testing.T) {
	head := "Day: 28.03.2027\n\nDate,Clock,Speed,Force,Engine\n,,km/h,N,rpm\n"
	row := func(date, clock string) string { return date + "," + clock + ",60,1,2000\n" }
	cases := []struct {
		name, started, column, body string
		want                        time.Time
		times                       []float64
	}{
		{"clock and day, past midnight", `{from: [{header: Day}, {value: "23:59:59"}], format: "DD.MM.YYYY hh:mm:ss", zone: UTC}`,
			`{column: Clock, format: "hh:mm:ss.f"}`,
			row("", "23:59:59.5") + row("", "23:59:59.75") + row("", "00:00:00.25"),
			time.Date(2027, 3, 28, 23, 59, 59, 0, time.UTC), []float64{0, 0.25, 0.75}},
		{"date and clock columns, zone", `{zone: Europe/Oslo}`, `{column: Clock, date: Date, format: "DD/MM/YY hh:mm:ss.f ap"}`,
			row("04/07/27", "01:00:00.000 pm") + row("04/07/27", "01:00:00.020 pm"),
			// Oslo is two hours east of UTC in July (IANA time zone database).
			time.Date(2027, 7, 4, 11, 0, 0, 0, time.UTC), []float64{0, 0.02}},
		{"offset in the text", `{zone: UTC}`, `{column: Clock, format: "YYYY-MM-DDThh:mm:ss.fZ"}`,
			row("", "2027-07-04T13:00:00.000+02:00") + row("", "2027-07-04T13:00:00.020+02:00"),
			time.Date(2027, 7, 4, 11, 0, 0, 0, time.UTC), []float64{0, 0.02}},
		{"month's name", `{zone: UTC}`, `{column: Clock, format: "DD MON YYYY hh:mm:ss.f"}`,
			row("", "4 Jul 2027 13:00:00.1") + row("", "4 Jul 2027 13:00:00.2"),
			time.Date(2027, 7, 4, 13, 0, 0, 1e8, time.UTC), []float64{0, 0.1}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(plainMapping, `{from: [{header: Started}], format: "YYYY-MM-DD hh:mm:ss", zone: UTC}`, c.started, 1)
			text = strings.Replace(text, "{column: Time, unit: s}", c.column, 1)
			// A check would need a start of its own.
			text = regexp.MustCompile(`(?s)  - name: check.*samples:`).ReplaceAllString(text, "samples:")
			s, err := take(t, mapping(t, text), "pull_a.csv", head+c.body)
			if err != nil {
				t.Fatal(err)
			}
			w := assemble(t, s.requests)
			if !w.pull.StartedAt.Equal(c.want) {
				t.Errorf("started at %v, want %v", w.pull.StartedAt, c.want)
			}
			got := w.channels[fleet.RollerSpeed].times
			for i, want := range c.times {
				if math.Abs(got[i]-want) > 1e-9 {
					t.Errorf("times %v, want %v", got, c.times)
				}
			}
		})
	}
}

// TestZones reads times the clocks of a zone skipped or showed twice.
// Source of the dates: IANA time zone database, Europe/Oslo 2027: clocks go on
// at 02:00 on 28 March and back at 03:00 on 31 October.
func TestZones(t *testing.T) {
	p, err := parsePattern("YYYY-MM-DD hh:mm")
	if err != nil {
		t.Fatal(err)
	}
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	read := func(s string) (time.Time, error) {
		m, ok := p.parse([]byte(s))
		if !ok {
			t.Fatalf("%q is not read", s)
		}
		return p.in(m, oslo)
	}
	if at, err := read("2027-03-28 02:30"); err == nil {
		t.Errorf("a skipped time was read as %v", at)
	}
	at, err := read("2027-10-31 02:30")
	if want := time.Date(2027, 10, 31, 0, 30, 0, 0, time.UTC); err != nil || !at.Equal(want) {
		t.Errorf("a doubled time was read as %v (%v), want the first, %v", at, err, want)
	}
	if at, err := read("2027-10-31 03:30"); err != nil || !at.Equal(time.Date(2027, 10, 31, 2, 30, 0, 0, time.UTC)) {
		t.Errorf("the time after a doubled one was read as %v (%v)", at, err)
	}
	for _, bad := range []string{"2027-02-29 10:00", "2027-13-01 10:00", "2027-01-01 24:00", "2027-01-01 10:60", "2027-01-01", "2027-01-01 10:00 "} {
		if _, ok := p.parse([]byte(bad)); ok {
			t.Errorf("%q was read", bad)
		}
	}
}

func TestTakeCheck(t *testing.T) {
	text := "Started: 2027-03-04 08:00:00\nCheck: Dead weight\nState: as-left\nBy: Ines\nPressure: 1013.2\n\n" +
		"Cycle,Direction,Masses,Reading\n,,,N\n1,rising,,-0.4\n1,rising,m20-a+m20-b,1022.6\n1,falling,m20-a,\n2,down,,0\n"
	s, err := take(t, mapping(t, plainMapping), "check_a.csv", text)
	if err != nil {
		t.Fatal(err)
	}
	c, err := wire.FromCalibrationCheck(s.requests[0].GetCalibrationCheck())
	if err != nil {
		t.Fatal(err)
	}
	if c.Kind != fleet.CheckDeadWeight || c.State != fleet.AsLeft || c.PerformedBy != "Ines" || c.AirPressure == nil || *c.AirPressure != 101320 {
		t.Errorf("check %+v", c)
	}
	r := c.Readings
	if len(r) != 4 || *r[0].Force != -0.4 || len(r[0].Masses) != 0 || *r[1].Force != 1022.6 ||
		!slices.Equal(r[1].Masses, []fleet.MassID{"m20-a", "m20-b"}) || r[2].Force != nil || r[2].Direction != fleet.Falling ||
		r[3].Cycle != 2 || *r[3].Force != 0 {
		t.Errorf("readings %+v", r)
	}
	// Python 3 hashlib over the text of the package's comment.
	if want := "7328df251c915b0c66f4718d26e494ec"; string(c.ID) != want {
		t.Errorf("id %s, want %s", c.ID, want)
	}

	shunt := "Started: 2027-03-04 08:00:00\nCheck: shunt\nState: as found\nBy: Ines\n\nCycle,Direction,Masses,Reading,Simulated\n,,,N,N\n1,rising,,0.2,0\n1,rising,,1500.4,1500\n"
	if s, err = take(t, mapping(t, plainMapping), "check_b.csv", shunt); err != nil {
		t.Fatal(err)
	}
	if x := s.requests[0].GetCalibrationCheck().Readings[1]; x.GetReadingN() != 1500.4 || x.GetSimulatedN() != 1500 {
		t.Errorf("shunt reading %v", x)
	}
}

const everyMapping = `
started_at: {from: [{header: Started}], format: "YYYY-MM-DD hh:mm", zone: UTC}
rules:
  - name: check
    kind: check
    file_name: '^check_\w+\.csv$'
    check_kind: {header: Check}
    state: {header: State}
    performed_by: {header: By}
    standard: {header: Standard, optional: true}
    arm_angle: {header: Angle, optional: true}
    adjusted: {header: Adjusted, optional: true, map: {ja: yes, nein: no}}
    effective_at: {from: [{header: Valid from, optional: true}], format: "YYYY-MM-DD hh:mm", zone: Europe/Oslo}
readings:
  cycle: Cycle
  direction: Direction
  masses: Masses
  reading: Reading
  unit: N
  simulated: Simulated
  preload: Preload
  sense: Sense
  mounting: Mounting
  held: {column: Held, unit: min}
  speed: {column: Speed, unit: km/h}
  reference: {column: Reference, unit: kN}
  reference_torque: {column: Torque, unit: N·m}
  set_force: {column: Force, unit: daN}
  from: {column: From, unit: km/h}
  to: {column: To, unit: km/h}
  duration: {column: Time, unit: s}
`

// Files of every kind of check, with everything a file can say of them. The
// expected values are the files', converted by hand.
func TestTakeEveryKindOfCheck(t *testing.T) {
	head := func(kind, state, more string) string {
		return "Started: 2027-03-04 08:00\nCheck: " + kind + "\nState: " + state + "\nBy: Ines\n" + more + "\n"
	}
	at := time.Date(2027, 3, 4, 8, 0, 0, 0, time.UTC)
	num := func(x float64) *float64 { return &x }
	yes := true
	for _, c := range []struct {
		name, text string
		want       fleet.Check
	}{
		{"dead weight", head("dead weight", "as found", "Angle: 1.5 °\nAdjusted: ja\n") +
			"Cycle,Direction,Masses,Reading,Preload,Sense,Mounting,Held\n1,up,m20-a,500,x,,,\n1,up,,0.2,,,,\n1,up,m20-a,499.9,no,T,1,0.5\n1,down,,0.3,,,1,\n",
			fleet.Check{Kind: fleet.CheckDeadWeight, State: fleet.AsFound, ArmAngle: num(1.5 * math.Pi / 180), Adjusted: &yes, Readings: []fleet.Reading{
				{Cycle: 1, Direction: fleet.Rising, Masses: []fleet.MassID{"m20-a"}, Force: num(500), Preload: true},
				{Cycle: 1, Direction: fleet.Rising, Force: num(0.2)},
				{Cycle: 1, Direction: fleet.Rising, Masses: []fleet.MassID{"m20-a"}, Force: num(499.9), Sense: fleet.Tension, Mounting: 1, Held: num(30)},
				{Cycle: 1, Direction: fleet.Falling, Force: num(0.3), Mounting: 1},
			}}},
		{"zero", head("zero", "as left", "Valid from: 2027-03-04 08:30\n") + "Cycle,Direction,Reading\n1,up,0.2\n",
			fleet.Check{Kind: fleet.CheckZero, State: fleet.AsLeft, EffectiveAt: at.Add(-30 * time.Minute), Readings: []fleet.Reading{{Cycle: 1, Direction: fleet.Rising, Force: num(0.2)}}}},
		{"shunt", head("shunt", "as found", "") + "Reading,Direction,Cycle,Masses,Simulated\n1500.4,up,1,,1500\n",
			fleet.Check{Kind: fleet.CheckShunt, State: fleet.AsFound, Readings: []fleet.Reading{{Cycle: 1, Direction: fleet.Rising, Force: num(1500.4), Simulated: num(1500)}}}},
		{"zero, rollers turning", head("zero turning", "as found", "") + "Cycle,Direction,Reading,Speed\n1,up,0.2,36\n1,up,0.4,72\n",
			fleet.Check{Kind: fleet.CheckZeroTurning, State: fleet.AsFound, Readings: []fleet.Reading{
				{Cycle: 1, Direction: fleet.Rising, Force: num(0.2), Speed: num(10)}, {Cycle: 1, Direction: fleet.Rising, Force: num(0.4), Speed: num(20)}}}},
		{"transfer load cell", head("transfer", "as found", "Standard: tlc-5k\nAdjusted: nein\n") + "Cycle,Direction,Masses,Reading,Reference,Sense\n1,up,,2000,2.0014,\n1,up,,-1500,-1.5,compression\n",
			fleet.Check{Kind: fleet.CheckTransfer, State: fleet.AsFound, Standard: "tlc-5k", Adjusted: new(bool), Readings: []fleet.Reading{
				{Cycle: 1, Direction: fleet.Rising, Force: num(2000), Reference: num(2001.4)},
				{Cycle: 1, Direction: fleet.Rising, Force: num(-1500), Reference: num(-1500), Sense: fleet.Compression}}}},
		{"torque reference", head("torque", "as left", "Standard: tr-2\n") + "Cycle,Direction,Masses,Reading,Torque\n1,up,,300,105.25\n1,down,,,0\n",
			fleet.Check{Kind: fleet.CheckTorque, State: fleet.AsLeft, Standard: "tr-2", Readings: []fleet.Reading{
				{Cycle: 1, Direction: fleet.Rising, Force: num(300), Reference: num(105.25)}, {Cycle: 1, Direction: fleet.Falling, Reference: num(0)}}}},
		{"base inertia", head("base inertia", "as left", "") + "Cycle,Force,From,To,Time\n1,-90,18,90,21.35\n1,90,90,18,19.5\n",
			fleet.Check{Kind: fleet.CheckBaseInertia, State: fleet.AsLeft, Readings: []fleet.Reading{
				{Cycle: 1, Direction: fleet.Rising, SetForce: num(-900), From: num(5), To: num(25), Duration: num(21.35)},
				{Cycle: 1, Direction: fleet.Rising, SetForce: num(900), From: num(25), To: num(5), Duration: num(19.5)}}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := take(t, mapping(t, everyMapping), "check_a.csv", c.text)
			if err != nil {
				t.Fatal(err)
			}
			got, err := wire.FromCalibrationCheck(s.requests[0].GetCalibrationCheck())
			if err != nil {
				t.Fatal(err)
			}
			want := c.want
			want.ID, want.Cell, want.PerformedAt, want.PerformedBy, want.AgentVersion = got.ID, got.Cell, at, "Ines", got.AgentVersion
			if diff := cmp.Diff(want, got, cmpopts.EquateApprox(1e-15, 0)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// What a kind of check cannot be without is asked for, by the mapping's key.
func TestChecksColumns(t *testing.T) {
	text := "Started: 2027-03-04 08:00\nCheck: transfer\nState: as found\nBy: Ines\n\nCycle,Direction,Masses,Reading,Sense,Preload\n1,up,,2000,sideways,maybe\n"
	for _, c := range []struct{ name, mapping, text, want string }{
		{"no column", everyMapping, text, "Reference"},
		{"not mapped", strings.Replace(everyMapping, "  reference: {column: Reference, unit: kN}\n", "", 1), text, "readings.reference"},
		{"sense", everyMapping, strings.NewReplacer("transfer", "dead weight", ",maybe", ",").Replace(text), "sideways"},
		{"preload", everyMapping, strings.NewReplacer("transfer", "dead weight", "sideways", "").Replace(text), "maybe"},
		{"adjusted", everyMapping, strings.NewReplacer("transfer", "dead weight", "sideways,maybe", ",", "By: Ines", "By: Ines\nAdjusted: perhaps").Replace(text), "adjusted"},
		{"effective", everyMapping, strings.NewReplacer("transfer", "dead weight", "sideways,maybe", ",", "By: Ines", "By: I\nValid from: soon").Replace(text), "effective_at"},
	} {
		_, err := take(t, mapping(t, c.mapping), "check_a.csv", c.text)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// TestOtherForms takes files of other layouts: what any logger may export.
func TestOtherForms(t *testing.T) {
	t.Run("sample mapping", func(t *testing.T) {
		m, err := LoadMapping("testdata/mapping.sample.yaml")
		if err != nil {
			t.Fatal(err)
		}
		// Latin-1: \xb0 is the degree sign.
		text := "Bench recorder 4\r\nDate; 04.03.2027;;;;\r\nCell; fen-1\r\nRamp; 300 rpm/s\r\n# a comment\r\nClock;Road speed;Brake force;Engine;Oil;EGT 1;Spare\r\n" +
			"hh:mm:ss;km/h;daN;1/min;\xb0C;\xb0C;\r\n" +
			"23:59:59,98;61,20;12,40;2301;92,5;---;7\r\n# seen twice\r\n00:00:00,00;61,30;12,50;2305;92,5;611;7\r\n00:00:00,02;61,40;12,60;2309;92,6;n/a;7\r\n"
		s, err := take(t, m, "20270304_2359_pull_hazel_s2.csv", text)
		if err != nil {
			t.Fatal(err)
		}
		w := assemble(t, s.requests)
		if w.pull.Car != "hazel" || w.pull.Label != "s2" || w.pull.Correction != fleet.CorrectionSAEJ1349 || math.Abs(*w.pull.RampRate-10*math.Pi) > 1e-12 {
			t.Errorf("pull %+v", w.pull)
		}
		// Oslo is an hour east of UTC in March before the 28th.
		if want := time.Date(2027, 3, 4, 22, 59, 0, 0, time.UTC); !w.pull.StartedAt.Equal(want) {
			t.Errorf("started at %v, want %v", w.pull.StartedAt, want)
		}
		if got := w.channels[fleet.LoadCellForce]; math.Abs(got.values[2]-126) > 1e-9 || !slices.Equal(got.counts, []int32{1240, 1250, 1260}) {
			t.Errorf("load cell %v %v", got.values, got.counts) // 12.60 daN
		}
		if got := w.channels[fleet.OilTemperature]; math.Abs(got.values[0]-365.65) > 1e-9 {
			t.Errorf("oil %v", got.values) // 92.5 °C by the unit row
		}
		if got := w.channels["x_egt_1"]; len(got.values) != 1 || math.Abs(got.values[0]-884.15) > 1e-9 || math.Abs(got.times[0]-0.02) > 1e-9 {
			t.Errorf("x_egt_1 %v at %v", got.values, got.times)
		}
		if _, ok := w.channels["spare"]; ok || len(w.channels) != 5 {
			t.Errorf("channels %v", w.pull.Channels)
		}
	})
	t.Run("no header row", func(t *testing.T) {
		m := mapping(t, `
format: {header_row: false, preamble_lines: 2, separator: "\t", last_line_end: optional}
started_at: {from: [{group: stamp}], format: "YYYYMMDDThhmmss", zone: UTC}
rules: [{name: any, kind: empty_coast_down, file_name: '^(?P<stamp>\d+T\d+)\.txt$'}]
samples:
  time: {index: 1, unit: ms}
  columns: [{index: 3, channel: roller_speed, unit: m/s}]
`)
		s, err := take(t, m, "20270304T091500.txt", "made by: x\nskipped\n0\t9\t30.5\n20\t9\t30.25\n40\t9\t30")
		if err != nil {
			t.Fatal(err)
		}
		w := assemble(t, s.requests)
		got := w.channels[fleet.RollerSpeed]
		if w.pull.Kind != fleet.KindEmptyCoastDown || !slices.Equal(got.counts, []int32{3050, 3025, 3000}) || math.Abs(got.times[2]-0.04) > 1e-12 {
			t.Errorf("%+v %+v", w.pull, got)
		}
		if w.pull.Header["made by"] != "x" {
			t.Errorf("header %v", w.pull.Header)
		}
	})
	t.Run("byte order mark, quotes, trailing separators, blank lines", func(t *testing.T) {
		text := "\xef\xbb\xbf\"Started\": \"2027-03-04 09:15:00\",,,\n\"Time\",\"Speed\",\"Force\",\"Engine\"\n\"s\",km/h,N,rpm\n0,60,1,2000,\n\n0.02,60,1,2000,\n\n"
		s, err := take(t, mapping(t, plainMapping), "pull_a.csv", text)
		if err != nil {
			t.Fatal(err)
		}
		if w := assemble(t, s.requests); w.samples != 6 || w.pull.StartedAt.Hour() != 9 {
			t.Errorf("%+v", w.pull)
		}
	})
}

// bad are files that cannot be taken, each with what must be said of it.
var bad = []struct {
	name, file, text string
	what, column     string // parts of the reason
	line             int
}{
	{"empty", "pull_a.csv", "", "the file is empty", "", 0},
	{"header only", "pull_a.csv", plainHead, "no data", "", 6},
	{"missing column", "pull_a.csv", strings.Replace(plainHead, "Engine", "Motor", 1) + plainBody, `column "Engine" is missing`, "", 5},
	{"missing time column", "pull_a.csv", strings.Replace(plainHead, "Time", "t", 1) + plainBody, `a column named "Time"`, "", 5},
	{"duplicate column", "pull_a.csv", strings.Replace(plainHead, "Engine", "Force", 1) + plainBody, "two columns named", "Force", 5},
	{"another unit in the unit row", "pull_a.csv", strings.Replace(plainHead, "km/h", "mph", 1) + plainBody, `the unit row says "mph", the mapping says "km/h"`, "Speed", 6},
	{"unit of another dimension in the unit row", "pull_a.csv", strings.Replace(plainHead, ",N,", ",kg,", 1) + plainBody, "of mass", "Force", 6},
	{"unknown unit", "pull_a.csv", strings.Replace(plainHead, ",N,", ",furlong,", 1) + plainBody, `unit "furlong" is not known`, "Force", 6},
	{"short unit row", "pull_a.csv", strings.Replace(plainHead, "s,km/h,N,rpm", "s,km/h", 1) + plainBody, "unit row has 2 fields", "", 6},
	{"decimal comma in quotes", "pull_a.csv", plainHead + `0.00,60,"1,2",2000` + "\n", `has a decimal ','`, "Force", 7},
	{"decimal commas between commas", "pull_a.csv", plainHead + "0,00,60,10,1,2,2000\n", "decimal commas", "", 7},
	{"separated by semicolons", "pull_a.csv", strings.ReplaceAll(plainHead+plainBody, ",", ";"), "separated by ';'", "", 5},
	{"torn last line", "pull_a.csv", plainHead + plainBody + "0.06,60.4", "torn", "", 10},
	{"torn within a number", "pull_a.csv", plainHead + plainBody + "0.06,60.40,1,20", "torn", "", 10},
	{"time going backwards", "pull_a.csv", plainHead + plainBody + "0.03,60,1,2000\n", "time goes backwards", "Time", 10},
	{"time standing still", "pull_a.csv", plainHead + plainBody + "0.04,60,1,2000\n", "time stands still", "Time", 10},
	{"blank time", "pull_a.csv", plainHead + plainBody + ",60,1,2000\n", "the time is blank", "Time", 10},
	{"longer than a day", "pull_a.csv", plainHead + "0,60,1,2000\n90000,60,1,2000\n", "at most a day", "Time", 8},
	{"NaN", "pull_a.csv", plainHead + "0,60,NaN,2000\n", `"NaN" is no number`, "Force", 7},
	{"infinite", "pull_a.csv", plainHead + "0,60,1e999,2000\n", `"1e999" is no number`, "Force", 7},
	{"hexadecimal", "pull_a.csv", plainHead + "0,60,0x1p4,2000\n", `"0x1p4" is no number`, "Force", 7},
	{"a word", "pull_a.csv", plainHead + "0,60,high,2000\n", `"high" is no number`, "Force", 7},
	{"a billion rpm", "pull_a.csv", plainHead + "0,60,1,1000000000\n", "1e+09 rpm is not possible", "Engine", 7},
	{"speed of an aeroplane", "pull_a.csv", plainHead + "0,900.0,1,2000\n", "900 km/h is not possible", "Speed", 7},
	{"too few fields", "pull_a.csv", plainHead + "0,60,1\n", "3 fields, the header row has 4", "", 7},
	{"too many fields", "pull_a.csv", plainHead + "0,60,1,2000,5\n", "5 fields, the header row has 4", "", 7},
	{"column without a value", "pull_a.csv", plainHead + "0,60,,2000\n0.02,60,,2000\n", "no value in any line", "Force", 0},
	{"no rule", "notes.csv", plainHead + plainBody, `tried "pull": the file's name does not match`, "", 0},
	{"binary garbage", "pull_a.csv", "\x7fELF\x02\x01\x01\x00\x00\x00\x00\x00\x03\x00\x3e", "no text", "", 1},
	{"zeros at the end", "pull_a.csv", plainHead + plainBody + string(make([]byte, 64)), "zero bytes", "", 10},
	{"UTF-16 with its mark", "pull_a.csv", "\xff\xfe" + utf16(plainHead+plainBody), "UTF-16", "", 1},
	{"UTF-16 without", "pull_a.csv", utf16(plainHead + plainBody), "UTF-16", "", 1},
	{"latin-1 in UTF-8", "pull_a.csv", "Driver: J\xf8rgen\n" + plainHead + plainBody, "not UTF-8", "", 1},
	{"no start", "pull_a.csv", strings.Replace(plainHead, "Started", "Begun", 1) + plainBody, "the start is missing", "", 0},
	{"start of another form", "pull_a.csv", strings.Replace(plainHead, "2027-03-04", "4.3.2027", 1) + plainBody, "no time of the form", "", 0},
	{"start before there were loggers", "pull_a.csv", strings.Replace(plainHead, "2027-", "1904-", 1) + plainBody, "before the year 2000", "", 0},
	{"ramp of another dimension", "pull_a.csv", strings.Replace(plainHead, "rpm/s", "km/h", 1) + plainBody, "the ramp rate", "", 0},
	{"car that is no id", "pull_a.csv", strings.Replace(plainHead, "hazel", "Hazel No 1", 1) + plainBody, "car_id", "", 0},
	{"line without an end", "pull_a.csv", plainHead + strings.Repeat("1", maxLine+70000) + "\n", "longer than", "", 7},
	{"check of unknown kind", "check_a.csv", checkText("magnet", "as found", "1,rising,,0\n"), "the kind of check", "", 0},
	{"check of unknown state", "check_a.csv", checkText("zero", "as bought", "1,rising,,0\n"), "the state", "", 0},
	{"check without readings", "check_a.csv", checkText("zero", "as found", ""), "no data", "", 7},
	{"check with a bad direction", "check_a.csv", checkText("zero", "as found", "1,sideways,,0\n"), `"sideways" is no direction`, "Direction", 8},
	{"check with a bad cycle", "check_a.csv", checkText("zero", "as found", "one,rising,,0\n"), "number of a cycle", "Cycle", 8},
	{"check with no id of a mass", "check_a.csv", checkText("dead weight", "as found", "1,rising,m20-a+20 kg,0\n"), "no id", "", 0},
	{"check without two columns", "check_a.csv", strings.Replace(checkText("dead weight", "as found", ",0\n"), "Cycle,Direction,Masses,Reading\n,,,N", "Masses,Reading\n,N", 1),
		`columns "Cycle", "Direction" are missing; the header row has "Masses", "Reading"`, "take it out of the mapping's readings where no check has it", 6},
	{"check torn", "check_a.csv", checkText("zero", "as found", "1,rising,,0\n1,ris"), "torn", "", 9},
	{"check with NaN", "check_a.csv", checkText("zero", "as found", "1,rising,,nan\n"), "no number", "Reading", 8},
}

func checkText(kind, state, rows string) string {
	return "Started: 2027-03-04 08:00:00\nCheck: " + kind + "\nState: " + state + "\nBy: Ines\n\nCycle,Direction,Masses,Reading\n,,,N\n" + rows
}

func utf16(s string) string {
	var b []byte
	for _, c := range []byte(s) {
		b = append(b, c, 0)
	}
	return string(b)
}

// TestBadFilesAreRejected puts each bad file into a folder: it ends among the
// rejected ones, whole, with its reason beside it, and nothing is sent.
func TestBadFilesAreRejected(t *testing.T) {
	for _, c := range bad {
		t.Run(c.name, func(t *testing.T) {
			f, dir := folder(t, plainMapping, func(c *Config) { c.Settle = 0 })
			write(t, filepath.Join(dir, c.file), c.text)
			s := &memory{}
			f.look(t.Context(), s)
			if len(s.requests) != 0 {
				t.Errorf("%d messages were sent", len(s.requests))
			}
			kept, err := os.ReadFile(filepath.Join(dir, "rejected", c.file))
			if err != nil || string(kept) != c.text {
				t.Fatalf("the rejected file is not whole: %v", err)
			}
			reason, err := os.ReadFile(filepath.Join(dir, "rejected", c.file+".reason.txt"))
			if err != nil {
				t.Fatal(err)
			}
			for _, part := range []string{"What:  ", c.what, "Mend:  ", c.column} {
				if !strings.Contains(string(reason), part) {
					t.Errorf("reason lacks %q:\n%s", part, reason)
				}
			}
			if strings.Contains(string(reason), "Mend:  \n") {
				t.Errorf("the reason says not how to mend it:\n%s", reason)
			}
			if c.line > 0 && !strings.Contains(string(reason), "line "+strconv.Itoa(c.line)) {
				t.Errorf("reason does not name line %d:\n%s", c.line, reason)
			}
			st := f.Status()
			if st.Rejected != 1 || st.InRejected != 1 || st.Done != 0 || st.Waiting != 0 || st.LastRejected != c.file || st.LastReason == "" || st.Alarm != "" {
				t.Errorf("status %+v", st)
			}
		})
	}
}

// folder returns a source on a fresh folder.
func folder(t testing.TB, text string, change func(*Config)) (*Folder, string) {
	t.Helper()
	dir := t.TempDir()
	c := DefaultConfig()
	c.Folder, c.Cell = dir, "fen-1"
	if change != nil {
		change(&c)
	}
	f, err := New(c, mapping(t, text), zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range []string{"done", "rejected"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return f, dir
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func exists(path ...string) bool {
	_, err := os.Lstat(filepath.Join(path...))
	return err == nil
}

// TestTooLargeIsRejectedUnread gives a sparse file of 2 GB.
func TestTooLargeIsRejectedUnread(t *testing.T) {
	f, dir := folder(t, plainMapping, func(c *Config) { c.Settle = 0 })
	path := filepath.Join(dir, "pull_big.csv")
	write(t, path, plainHead)
	if err := os.Truncate(path, 2<<30); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	f.look(t.Context(), &memory{})
	// Hashing 2 GB takes over a second; a look at the size none.
	if took := time.Since(began); took > 500*time.Millisecond {
		t.Errorf("took %v", took)
	}
	if s := f.Status(); s.Rejected != 1 || !strings.Contains(s.LastReason, "2147483648 bytes, at most 1073741824") {
		t.Errorf("status %+v", s)
	}
	if info, err := os.Stat(filepath.Join(dir, "rejected", "pull_big.csv")); err != nil || info.Size() != 2<<30 {
		t.Errorf("%v %v", info, err)
	}
}

// TestGrowingFileIsLeft writes a file piece by piece, the clock in hand.
func TestGrowingFileIsLeft(t *testing.T) {
	f, dir := folder(t, plainMapping, nil)
	now := time.Now()
	f.now = func() time.Time { return now }
	s := &memory{}
	path := filepath.Join(dir, "pull_a.csv")
	look := func() time.Duration { return f.look(t.Context(), s) }

	write(t, path, plainHead)
	if wait := look(); wait != 2*time.Second {
		t.Errorf("looks again in %v, want when it has settled", wait)
	}
	now = now.Add(1900 * time.Millisecond)
	write(t, path, plainHead+plainBody[:10])
	look()
	now = now.Add(1900 * time.Millisecond)
	if wait := look(); wait != 100*time.Millisecond {
		t.Errorf("looks again in %v, want 100 ms", wait)
	}
	write(t, path, plainHead+plainBody)
	now = now.Add(200 * time.Millisecond)
	look()
	if len(s.requests) != 0 || exists(dir, "rejected", "pull_a.csv") {
		t.Fatal("the file was touched while it grew")
	}
	now = now.Add(2 * time.Second)
	look()
	if !assemble(t, s.requests).ended || !exists(dir, "done", "pull_a.csv") || exists(path) {
		t.Error("the complete file was not taken")
	}
	// Names of files that are not yet records.
	for _, name := range []string{"pull_b.csv.tmp", "PULL_B.PART", "pull_b.csv~", ".pull_b.csv"} {
		write(t, filepath.Join(dir, name), "half")
	}
	look()
	now = now.Add(time.Hour)
	look()
	if st := f.Status(); st.Done != 1 || st.Rejected != 0 || st.Waiting != 0 {
		t.Errorf("status %+v", st)
	}
}

// TestFullSpoolKeepsTheFile refuses a record and takes it later.
func TestFullSpoolKeepsTheFile(t *testing.T) {
	f, dir := folder(t, plainMapping, func(c *Config) { c.Settle = 0; c.Retry = 123 * time.Millisecond })
	write(t, filepath.Join(dir, "pull_a.csv"), plainHead+plainBody)
	write(t, filepath.Join(dir, "pull_b.csv"), plainHead+plainBody+"0.06,60.40,1.0,2030\n")
	full := true
	s := &memory{refuse: func(int) error {
		if full {
			return fmt.Errorf("append: %w", spool.ErrFull)
		}
		return nil
	}}
	if wait := f.look(t.Context(), s); wait != 123*time.Millisecond {
		t.Errorf("tries again in %v", wait)
	}
	if st := f.Status(); !strings.Contains(st.Alarm, "spool is full: 2 files wait") || st.Waiting != 2 || st.Rejected != 0 || s.groups != 1 {
		t.Errorf("status %+v after %d groups", st, s.groups)
	}
	if !exists(dir, "pull_a.csv") || !exists(dir, "pull_b.csv") {
		t.Fatal("a file went away")
	}
	full = false
	f.look(t.Context(), s)
	if st := f.Status(); st.Alarm != "" || st.Done != 2 || st.Waiting != 0 {
		t.Errorf("status %+v", st)
	}
	if !exists(dir, "done", "pull_a.csv") || !exists(dir, "done", "pull_b.csv") {
		t.Error("the files were not put away")
	}
	// A file of the same name comes again: the old one is kept.
	write(t, filepath.Join(dir, "pull_a.csv"), plainHead+"0,60,1,2000\n1,60,1,2000\n")
	f.look(t.Context(), s)
	if !exists(dir, "done", "pull_a.csv") || !exists(dir, "done", "pull_a-2.csv") {
		t.Error("the second file of the name was not kept beside the first")
	}
}

// long returns a file of so many rows with a slow column and a gap.
func long(rows int) string {
	var b strings.Builder
	b.WriteString(strings.Replace(strings.Replace(plainHead, "Engine", "Engine,Pressure", 1), "rpm\n", "rpm,hPa\n", 1))
	b.Grow(rows * 40)
	for i := range rows {
		slow := ""
		if i%7 == 3 && i%1000 != 3 {
			slow = strconv.FormatFloat(1013+float64(i%20)/10, 'f', 1, 64)
		}
		fmt.Fprintf(&b, "%d.%02d,%d.%02d,%d.%d,%d,%s\n", i/100, i%100, 60+i%90, i%100, i%4000-100, i%10, 1000+i%6000, slow)
	}
	return b.String()
}

// TestResendIsTheSame breaks off after every group of a long record, and takes
// it up again: same ids, same bytes.
func TestResendIsTheSame(t *testing.T) {
	text := long(100000)
	m := mapping(t, plainMapping)
	s, err := take(t, m, "pull_a.csv", text)
	if err != nil {
		t.Fatal(err)
	}
	w := assemble(t, s.requests)
	if got := w.channels[fleet.LoadCellForce]; got.blocks < 6 || len(got.values) != 100000 {
		t.Fatalf("%d values in %d blocks", len(got.values), got.blocks)
	}
	if s.groups < 4 {
		t.Fatalf("only %d groups, the test breaks off nowhere", s.groups)
	}
	down := errors.New("disk gone")
	for stop := 1; stop <= s.groups; stop++ {
		again := &memory{refuse: func(n int) error {
			if n == stop {
				return down
			}
			return nil
		}}
		err := m.Take(t.Context(), "pull_a.csv", strings.NewReader(text), "fen-1", "test 1", again)
		if !errors.Is(err, down) {
			t.Fatalf("stopped at %d: %v", stop, err)
		}
		before := len(again.requests)
		if err := m.Take(t.Context(), "pull_a.csv", strings.NewReader(text), "fen-1", "test 1", again); err != nil {
			t.Fatal(err)
		}
		if got, want := len(again.requests)-before, len(s.requests); got != want {
			t.Fatalf("stopped at %d: %d messages the second time, want %d", stop, got, want)
		}
		for i, r := range again.requests {
			j := i
			if i >= before {
				j = i - before
			}
			if !proto.Equal(r, s.requests[j]) {
				t.Fatalf("stopped at %d: message %d differs", stop, i)
			}
		}
	}
}

// TestChangedWhileRead changes a file between the passes: it gets no PullEnd.
func TestChangedWhileRead(t *testing.T) {
	text := plainHead + plainBody
	for _, c := range []struct{ name, second string }{
		{"a digit", strings.Replace(text, "60.30", "60.31", 1)},
		{"more decimals", strings.Replace(text, "60.30", "60.301", 1)},
		{"a blank", strings.Replace(text, "60.30", "", 1)},
		{"no number", strings.Replace(text, "60.30", "x", 1)},
		{"a line more", text + "0.06,60.4,1,2000\n"},
		{"a line less", text[:len(text)-len("0.04,60.30,1250.4,2020\n")]},
		{"the head", strings.Replace(text, "hazel", "larch", 1)},
		{"nothing left", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &memory{}
			err := mapping(t, plainMapping).Take(t.Context(), "pull_a.csv", &changing{texts: []string{text, text, c.second}}, "fen-1", "", s)
			if !errors.Is(err, errChanged) {
				t.Fatalf("%v, want errChanged", err)
			}
			for _, r := range s.requests {
				if r.GetPullEnd() != nil {
					t.Error("it got a PullEnd")
				}
			}
		})
	}
}

// changing is a file that holds another text after each seek.
type changing struct {
	texts []string
	bytes.Reader
	at int
}

func (c *changing) ReadAt(p []byte, off int64) (int, error) {
	return strings.NewReader(c.texts[0]).ReadAt(p, off)
}

func (c *changing) Read(p []byte) (int, error) {
	if c.at == 0 {
		c.Reader.Reset([]byte(c.texts[0]))
		c.at = 1
	}
	return c.Reader.Read(p)
}

func (c *changing) Seek(int64, int) (int64, error) {
	c.Reader.Reset([]byte(c.texts[c.at]))
	c.at++
	return 0, nil
}

// TestRun takes a file that appears while the folder is watched, ends with its
// context and leaves nothing behind.
func TestRun(t *testing.T) {
	f, dir := folder(t, plainMapping, func(c *Config) {
		c.Settle, c.Debounce, c.Poll = 0, 5*time.Millisecond, time.Hour // by notice, not by polling
	})
	ctx, cancel := context.WithCancel(t.Context())
	s := &memory{}
	ended := make(chan error)
	write(t, filepath.Join(dir, "pull_a.csv"), plainHead+plainBody) // there before the start
	go func() { ended <- f.Run(ctx, s) }()
	await(t, func() bool { return f.Status().Done == 1 })
	write(t, filepath.Join(dir, "pull_b.csv.part"), plainHead+"0,60,1,2000\n1,60,1,2000\n")
	if err := os.Rename(filepath.Join(dir, "pull_b.csv.part"), filepath.Join(dir, "pull_b.csv")); err != nil {
		t.Fatal(err)
	}
	await(t, func() bool { return f.Status().Done == 2 })
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if st := f.Status(); st.LastDone != "pull_b.csv" || st.Waiting != 0 {
		t.Errorf("status %+v", st)
	}
}

// TestPolling takes a file from a folder that gives no notices.
func TestPolling(t *testing.T) {
	f, dir := folder(t, plainMapping, func(c *Config) { c.Settle, c.Debounce, c.Poll = 0, time.Minute, 100*time.Millisecond })
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan error)
	go func() { ended <- f.Run(ctx, &memory{}) }()
	await(t, func() bool { return exists(dir, "done") })
	// By renaming: a file seen while it is written would wait for the debounce.
	write(t, filepath.Join(dir, "pull_a.csv.part"), plainHead+plainBody)
	if err := os.Rename(filepath.Join(dir, "pull_a.csv.part"), filepath.Join(dir, "pull_a.csv")); err != nil {
		t.Fatal(err)
	}
	await(t, func() bool { return f.Status().Done == 1 })
	cancel()
	<-ended
}

func await(t *testing.T, done func() bool) {
	t.Helper()
	for range 2000 {
		if done() {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	t.Fatal("waited for 10 s")
}

// TestOwnCell rejects a file that names another cell.
func TestOwnCell(t *testing.T) {
	m := mapping(t, "cell: {header: Cell}\n"+plainMapping)
	if _, err := take(t, m, "pull_a.csv", "Cell: fen-1\n"+plainHead+plainBody); err != nil {
		t.Error(err)
	}
	_, err := take(t, m, "pull_a.csv", "Cell: fen-2\n"+plainHead+plainBody)
	if err == nil || !strings.Contains(err.Error(), `of cell "fen-2", this folder is that of cell "fen-1"`) {
		t.Error(err)
	}
}

func TestConfigValidate(t *testing.T) {
	c := Config{Settle: -1, Debounce: -1, Poll: 1, Retry: 1}
	err := c.Validate()
	for _, key := range []string{"folder", "cell", "settle", "debounce", "poll", "retry", "max_bytes"} {
		if err == nil || !strings.Contains(err.Error(), key+":") {
			t.Errorf("%s is not told: %v", key, err)
		}
	}
	c = DefaultConfig()
	c.Folder, c.Cell = "x", "fen-1"
	if err := c.Validate(); err != nil {
		t.Error(err)
	}
}

func TestLimitsCoverTheChannels(t *testing.T) {
	for c := range fleet.Channels {
		l, ok := limits[c]
		if !ok || !(l.low < l.high) || l.why == "" {
			t.Errorf("channel %s has limits %+v", c, l)
		}
	}
}

// A check without loads going up and down needs no columns that say so, though
// the mapping has them for the other kinds.
func TestTakeCheckWithoutCycles(t *testing.T) {
	text := strings.Replace(checkText("zero", "as found", "0.4\n0.2\n"), "Cycle,Direction,Masses,Reading\n,,,N", "Reading\nN", 1)
	s, err := take(t, mapping(t, plainMapping), "check_a.csv", text)
	if err != nil {
		t.Fatal(err)
	}
	got := s.requests[len(s.requests)-1].GetCalibrationCheck().GetReadings()
	if len(got) != 2 {
		t.Fatalf("%d readings were taken", len(got))
	}
	for i, x := range got {
		if x.GetCycle() != 1 || x.GetDirection() != rollcallv1.LoadDirection_LOAD_DIRECTION_RISING {
			t.Errorf("reading %d is of cycle %d, %v", i, x.GetCycle(), x.GetDirection())
		}
	}
}
