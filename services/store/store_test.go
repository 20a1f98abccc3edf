package store_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"reflect"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

func TestMain(m *testing.M) {
	store.SetOpenEmpty(storetest.OpenEmpty)
	os.Exit(storetest.Main(m))
}

var start = time.Date(2026, 3, 2, 8, 30, 0, 123456789, time.UTC)

func ptr[T any](v T) *T { return &v }

// fill returns a row every field of which is different and not zero. In the
// second kind of row optional fields are nil and arrays empty.
func fill[T any](n int, sparse bool) T {
	var row T
	v := reflect.ValueOf(&row).Elem()
	for i := range v.NumField() {
		seed := 1000*n + i + 1
		if f := v.Field(i); !(sparse && (f.Kind() == reflect.Pointer || f.Kind() == reflect.Slice || f.Kind() == reflect.Map)) {
			fillValue(f, seed)
		}
	}
	return row
}

func fillValue(v reflect.Value, seed int) {
	if v.Type() == reflect.TypeFor[time.Time]() {
		v.Set(reflect.ValueOf(start.Add(time.Duration(seed)*time.Hour + time.Duration(seed))))
		return
	}
	switch v.Kind() {
	case reflect.String:
		v.SetString(fmt.Sprintf("text'%d\\\n\tµ", seed))
	case reflect.Bool:
		v.SetBool(seed%2 == 0)
	case reflect.Float64:
		v.SetFloat(float64(seed) + 1.0/3)
	case reflect.Int32:
		v.SetInt(int64(-seed))
	case reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		v.SetUint(uint64(seed % 251))
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fillValue(v.Elem(), seed)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 3, 3))
		for i := range 3 {
			// The second of three optional numbers is not there.
			if e := v.Index(i); e.Kind() != reflect.Pointer || i != 1 {
				fillValue(e, 7*seed+i)
			}
		}
	case reflect.Map:
		v.Set(reflect.ValueOf(map[string]string{fmt.Sprint("key", seed): "a=b", "Bemerkung": "größer"}))
	default:
		panic("fill: " + v.Kind().String())
	}
}

// roundTrip writes two rows and reads them back.
func roundTrip[T any](t *testing.T, prepare func(*T), write func(context.Context, []T) error, read func(context.Context) ([]T, error)) {
	t.Helper()
	rows := []T{fill[T](1, false), fill[T](2, true)}
	for i := range rows {
		if prepare != nil {
			prepare(&rows[i])
		}
	}
	if err := write(t.Context(), rows); err != nil {
		t.Fatalf("write: %v", err)
	}
	got, err := read(t.Context())
	if err != nil {
		t.Fatalf("read: %v", err)
	}
	byText := cmpopts.SortSlices(func(a, b T) bool { return fmt.Sprintf("%+v", a) < fmt.Sprintf("%+v", b) })
	if diff := cmp.Diff(rows, got, cmpopts.EquateEmpty(), byText); diff != "" {
		t.Errorf("written -, read +\n%s", diff)
	}
}

func TestRoundTrip(t *testing.T) {
	s := storetest.Open(t)
	all := store.Filter{}
	t.Run("pulls", func(t *testing.T) {
		roundTrip(t, nil,
			func(ctx context.Context, rows []store.PullRow) error { return s.Append(ctx, store.Batch{Pulls: rows}) },
			func(ctx context.Context) ([]store.PullRow, error) { return s.ListPulls(ctx, store.PullFilter{}) })
	})
	t.Run("sample blocks", func(t *testing.T) {
		roundTrip(t, func(r *store.BlockRow) {
			r.PullID = "p"
			r.SampleCount = uint32(max(len(r.Counts), len(r.Values)))
		},
			func(ctx context.Context, rows []store.BlockRow) error {
				return s.Append(ctx, store.Batch{Blocks: rows})
			},
			func(ctx context.Context) ([]store.BlockRow, error) {
				raw, err := s.ReadPull(ctx, "p")
				return raw.Blocks, err
			})
	})
	t.Run("pull ends", func(t *testing.T) {
		roundTrip(t, nil,
			func(ctx context.Context, rows []store.PullEndRow) error {
				return s.Append(ctx, store.Batch{Ends: rows})
			},
			func(ctx context.Context) ([]store.PullEndRow, error) {
				var got []store.PullEndRow
				for _, sparse := range []bool{false, true} {
					n := 1
					if sparse {
						n = 2
					}
					raw, err := s.ReadPull(ctx, fleet.PullID(fill[store.PullEndRow](n, sparse).PullID))
					if err != nil || !raw.HasEnd {
						return nil, fmt.Errorf("no end: %w", err)
					}
					got = append(got, raw.End)
				}
				return got, nil
			})
	})
	t.Run("calibration checks", func(t *testing.T) {
		roundTrip(t, nil,
			func(ctx context.Context, rows []store.CheckRow) error {
				return s.Append(ctx, store.Batch{Checks: rows})
			},
			func(ctx context.Context) ([]store.CheckRow, error) { return s.ListChecks(ctx, all) })
	})
	t.Run("heartbeats", func(t *testing.T) {
		// Old ones are dropped: these are new.
		now := time.Now().UTC()
		roundTrip(t, func(r *store.HeartbeatRow) { r.ReceivedAt = now },
			func(ctx context.Context, rows []store.HeartbeatRow) error {
				return s.Append(ctx, store.Batch{Heartbeats: rows})
			},
			func(ctx context.Context) ([]store.HeartbeatRow, error) { return s.ListHeartbeats(ctx, all) })
	})
	t.Run("refusals", func(t *testing.T) {
		roundTrip(t, nil,
			func(ctx context.Context, rows []store.RefusalRow) error {
				return s.Append(ctx, store.Batch{Refusals: rows})
			},
			func(ctx context.Context) ([]store.RefusalRow, error) { return s.ListRefusals(ctx, all) })
	})
	t.Run("registry versions", func(t *testing.T) { roundTrip(t, nil, s.AppendRegistry, s.ReadRegistry) })
	t.Run("audit", func(t *testing.T) {
		roundTrip(t, nil, s.AppendAudit, func(ctx context.Context) ([]store.AuditRow, error) { return s.ListAudit(ctx, all) })
	})
	t.Run("flag closings", func(t *testing.T) {
		roundTrip(t, nil, func(ctx context.Context, rows []store.ClosingRow) error {
			for _, row := range rows {
				if err := s.AppendClosing(ctx, row); err != nil {
					return err
				}
			}
			return nil
		}, s.ReadClosings)
	})
	t.Run("carried losses", func(t *testing.T) { roundTrip(t, nil, s.AppendCarries, s.ReadCarries) })
	t.Run("neighbour findings", func(t *testing.T) {
		everything := func(store.NeighbourRow) bool { return false }
		cells := []fleet.CellID{fleet.CellID(fill[store.NeighbourRow](1, false).CellID), fleet.CellID(fill[store.NeighbourRow](2, true).CellID)}
		roundTrip(t, func(r *store.NeighbourRow) { r.Present = 1 },
			func(ctx context.Context, rows []store.NeighbourRow) error {
				return s.ReplaceNeighbours(ctx, cells, time.Time{}, time.Time{}, everything, rows)
			},
			func(ctx context.Context) ([]store.NeighbourRow, error) {
				var rows []store.NeighbourRow
				err := s.Conn().Select(ctx, &rows, "SELECT * FROM neighbour_findings FINAL ORDER BY started_at DESC")
				return rows, err
			})
	})
	t.Run("curves", func(t *testing.T) {
		roundTrip(t, nil, s.WriteCurves, func(ctx context.Context) ([]store.CurveRow, error) { return s.ReadCurves(ctx, store.PullFilter{}) })
	})
	t.Run("check results", func(t *testing.T) {
		roundTrip(t, nil, s.WriteCheckResults, func(ctx context.Context) ([]store.CheckResultRow, error) { return s.ReadCheckResults(ctx, all) })
	})
	t.Run("coast-down results", func(t *testing.T) {
		roundTrip(t, nil, s.WriteCoastDowns, func(ctx context.Context) ([]store.CoastDownRow, error) { return s.ReadCoastDowns(ctx, all) })
	})
	t.Run("runs", func(t *testing.T) {
		roundTrip(t, nil, s.WriteRuns, func(ctx context.Context) ([]store.RunRow, error) { return s.ReadRuns(ctx, all) })
	})
	t.Run("estimates", func(t *testing.T) {
		roundTrip(t, func(r *store.EstimateRow) { r.Present = 1 }, s.ReplaceEstimates,
			func(ctx context.Context) ([]store.EstimateRow, error) { return s.ReadEstimates(ctx, all) })
	})
	t.Run("car estimates", func(t *testing.T) {
		roundTrip(t, func(r *store.CarEstimateRow) { r.Present = 1 }, s.ReplaceCarEstimates,
			func(ctx context.Context) ([]store.CarEstimateRow, error) { return s.ReadCarEstimates(ctx, all) })
	})
	t.Run("flags", func(t *testing.T) {
		roundTrip(t, func(r *store.FlagRow) { r.Present = 1 },
			func(ctx context.Context, rows []store.FlagRow) error { return s.ReplaceFlags(ctx, rows, nil) },
			func(ctx context.Context) ([]store.FlagRow, error) { return s.ListFlags(ctx, all, true) })
	})
	t.Run("restated pulls", func(t *testing.T) {
		roundTrip(t, func(r *store.RestatedRow) { r.RestatementID, r.FlagID = "r", "f" },
			func(ctx context.Context, rows []store.RestatedRow) error {
				return s.AppendRestatement(ctx, store.RestatementRow{FlagID: "f", RestatementID: "r", RestatedBy: "a", Reason: "b", Pulls: uint32(len(rows))}, rows)
			},
			func(ctx context.Context) ([]store.RestatedRow, error) {
				rows, err := s.ReadRestated(ctx, []string{"r"})
				return rows["r"], err
			})
	})
	t.Run("restatements", func(t *testing.T) {
		roundTrip(t, func(r *store.RestatementRow) { r.FlagID, r.Pulls, r.TakenBack = "g", 0, true },
			func(ctx context.Context, rows []store.RestatementRow) error {
				for _, row := range rows {
					if err := s.AppendRestatement(ctx, row, nil); err != nil {
						return err
					}
				}
				return nil
			},
			func(ctx context.Context) ([]store.RestatementRow, error) {
				rows, err := s.ReadRestatements(ctx, "g")
				return rows["g"], err
			})
	})
	t.Run("adoptions", func(t *testing.T) {
		roundTrip(t, nil, func(ctx context.Context, rows []store.AdoptionRow) error {
			for _, row := range rows {
				if err := s.AppendAdoption(ctx, row); err != nil {
					return err
				}
			}
			return nil
		}, s.ReadAdoptions)
	})
	t.Run("epochs", func(t *testing.T) {
		roundTrip(t, func(r *store.EpochRow) { r.Present, r.Until = 1, nil }, s.ReplaceEpochs,
			func(ctx context.Context) ([]store.EpochRow, error) { return s.ListEpochs(ctx, all) })
	})
	t.Run("intervals", func(t *testing.T) {
		roundTrip(t, func(r *store.IntervalRow) { r.Present = 1 }, s.ReplaceIntervals,
			func(ctx context.Context) ([]store.IntervalRow, error) { return s.ListIntervals(ctx, all) })
	})
	t.Run("touched pulls", func(t *testing.T) {
		roundTrip(t, func(r *store.TouchedRow) { r.Present, r.FlagID = 1, "f" },
			func(ctx context.Context, rows []store.TouchedRow) error { return s.ReplaceFlags(ctx, nil, rows) },
			func(ctx context.Context) ([]store.TouchedRow, error) {
				touched, err := s.ReadTouched(ctx, []fleet.FlagID{"f"})
				return touched["f"], err
			})
	})
}

// Rows and the nouns they are of hold the same.
func TestConversions(t *testing.T) {
	pull := fleet.Pull{
		ID: "0123", Cell: "bath-1", Kind: fleet.KindPull, StartedAt: start, Car: "ref-a", Label: "n", Session: "w10", CustomerCar: "c",
		RampRate: ptr(0.0), RotatingMass: ptr(50.0), CoastingMass: nil, Correction: fleet.CorrectionISO1585CI,
		SetUp: "road tyres, 2.4 bar", Charging: fleet.ChargingMechanical, Displacement: ptr(0.002),
		Channels: []fleet.Channel{fleet.RollerSpeed, "x_own"}, Header: map[string]string{"a": "b"}, AgentVersion: "1",
	}
	if diff := cmp.Diff(pull, store.FromPull(pull, start).Pull()); diff != "" {
		t.Errorf("pull -, back +\n%s", diff)
	}
	if diff := cmp.Diff(fleet.Pull{ID: "1"}, store.FromPull(fleet.Pull{ID: "1"}, start).Pull()); diff != "" {
		t.Errorf("empty pull -, back +\n%s", diff)
	}
	check := fleet.Check{
		ID: "4567", Cell: "bath-1", Kind: fleet.CheckDeadWeight, State: fleet.AsLeft, PerformedAt: start, PerformedBy: "R. Miles",
		AirPressure: ptr(1e5), AirTemperature: ptr(290.0), Humidity: ptr(0.0), Note: "n", AgentVersion: "1",
		Readings: []fleet.Reading{
			{Cycle: 1, Direction: fleet.Rising, Force: ptr(0.0)},
			{Cycle: 2, Direction: fleet.Falling, Masses: []fleet.MassID{"m20-1", "m20-2"}, Force: ptr(981.0)},
			{Cycle: 2, Simulated: ptr(1000.0)},
			{Cycle: 2, Preload: true, Sense: fleet.Compression, Mounting: 2, Held: ptr(30.0), Speed: ptr(0.0), Reference: ptr(0.0)},
			{SetForce: ptr(-900.0), From: ptr(5.0), To: ptr(25.0), Duration: ptr(21.0)},
		},
		Standard: "tlc-5k", ArmAngle: ptr(0.01), Adjusted: ptr(false), EffectiveAt: start.Add(-time.Hour),
	}
	torque := fleet.Check{ID: "89ab", Kind: fleet.CheckTorque, Readings: []fleet.Reading{{Reference: ptr(35.0)}}}
	if diff := cmp.Diff(torque, store.FromCheck(torque, start).Check()); diff != "" || *store.FromCheck(torque, start).ReadingReferenceTorque[0] != 35 {
		t.Errorf("torque check -, back +\n%s", diff)
	}
	if diff := cmp.Diff(check, store.FromCheck(check, start).Check()); diff != "" {
		t.Errorf("check -, back +\n%s", diff)
	}
	for _, block := range []wire.Block{
		{Pull: "0123", Cell: "bath-1", Channel: "load_cell", Index: 3, Start: 1, Step: 0.01, Samples: wire.Packed{Scale: 0.1, Offset: 5, Counts: []int32{1, -2}}, CRC: 9},
		{Pull: "0123", Cell: "bath-1", Channel: "x_own", Times: wire.Packed{Scale: 1, Counts: []int32{1, 2}}, Samples: wire.Packed{Values: []float64{1, 2}}},
	} {
		if diff := cmp.Diff(block, store.FromBlock(block).Block()); diff != "" {
			t.Errorf("block -, back +\n%s", diff)
		}
		if got := store.FromBlock(block).SampleCount; got != 2 {
			t.Errorf("SampleCount = %d, want 2", got)
		}
	}
	var curve store.CurveRow
	findings := []store.FindingRow{{Kind: "gap", Channel: "boost", Start: 1, End: 2, Size: 3, Unit: "s", Disqualifying: true, Text: "t"}, {Kind: "slip"}}
	curve.SetFindings([]store.FindingRow{{Kind: "stuck"}})
	curve.SetFindings(findings)
	if diff := cmp.Diff(findings, curve.Findings()); diff != "" {
		t.Errorf("findings -, back +\n%s", diff)
	}
	var flag store.FlagRow
	causes := []store.CauseRow{{Fault: "load-cell gain", Probability: 0.8, Size: 0.02, SizeU: 0.004, Unit: "ratio"}, {Fault: "none"}}
	flag.SetCauses(causes)
	if diff := cmp.Diff(causes, flag.Causes()); diff != "" {
		t.Errorf("causes -, back +\n%s", diff)
	}
}

// Times of pulls are by cell, in order, each pull once; coast-downs do not count.
func TestPullTimes(t *testing.T) {
	s := storetest.Open(t)
	var b store.Batch
	for _, p := range []fleet.Pull{
		{ID: "p2", Cell: "bath-1", Kind: fleet.KindPull, StartedAt: start.Add(time.Hour)}, {ID: "p1", Cell: "bath-1", Kind: fleet.KindPull, StartedAt: start},
		{ID: "p1", Cell: "bath-1", Kind: fleet.KindPull, StartedAt: start}, {ID: "d1", Cell: "bath-1", Kind: fleet.KindCoastDown, StartedAt: start},
		{ID: "e1", Cell: "bath-1", Kind: fleet.KindEmptyCoastDown, StartedAt: start}, {ID: "p3", Cell: "bath-2", Kind: fleet.KindPull, StartedAt: start},
		{ID: "p4", Cell: "york-1", Kind: fleet.KindPull, StartedAt: start},
	} {
		b.Pulls = append(b.Pulls, store.FromPull(p, start))
	}
	if err := s.Append(t.Context(), b); err != nil {
		t.Fatal(err)
	}
	got, err := s.PullTimes(t.Context(), []fleet.CellID{"bath-1", "bath-2"})
	want := map[fleet.CellID][]time.Time{"bath-1": {start, start.Add(time.Hour)}, "bath-2": {start}}
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v, (-want +got):\n%s", err, diff)
	}
}

// whole is a batch of one whole pull of two blocks.
func whole(id string, at time.Time) store.Batch {
	return store.Batch{
		Pulls: []store.PullRow{store.FromPull(fleet.Pull{ID: fleet.PullID(id), Cell: "bath-1", Kind: fleet.KindPull, StartedAt: at, Car: "ref-a", Session: "w10"}, at)},
		Blocks: []store.BlockRow{
			{PullID: id, CellID: "bath-1", Channel: "load_cell", BlockIndex: 0, Step: 0.01, Scale: 1, Counts: []int32{1, 2, 3}, SampleCount: 3},
			{PullID: id, CellID: "bath-1", Channel: "load_cell", BlockIndex: 1, Start: 0.03, Step: 0.01, Scale: 1, Counts: []int32{4}, SampleCount: 1},
		},
		Ends: []store.PullEndRow{{PullID: id, CellID: "bath-1", Blocks: 2, Samples: 4, Checksum: 5, ReceivedAt: at}},
	}
}

func TestWhatIsSentTwiceIsThereOnce(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	batch := whole("a1", start)
	batch.Checks = []store.CheckRow{fill[store.CheckRow](1, false)}
	for range 3 {
		if err := s.Append(ctx, batch); err != nil {
			t.Fatal(err)
		}
	}
	raw, err := s.ReadPull(ctx, "a1")
	if err != nil {
		t.Fatal(err)
	}
	if !raw.HasBegin || !raw.HasEnd || len(raw.Blocks) != 2 {
		t.Errorf("ReadPull = begin %v, end %v, %d blocks, want true, true, 2", raw.HasBegin, raw.HasEnd, len(raw.Blocks))
	}
	if diff := cmp.Diff(batch.Blocks, raw.Blocks); diff != "" {
		t.Errorf("blocks sent -, read +\n%s", diff)
	}
	if pulls, err := s.ListPulls(ctx, store.PullFilter{}); err != nil || len(pulls) != 1 {
		t.Errorf("ListPulls: %d, %v", len(pulls), err)
	}
	if pulls, err := s.PullsAwaitingComputation(ctx, "v1", 10); err != nil || len(pulls) != 1 {
		t.Errorf("PullsAwaitingComputation: %d, %v", len(pulls), err)
	}
	if checks, err := s.ChecksAwaitingComputation(ctx, "v1", 10); err != nil || len(checks) != 1 {
		t.Errorf("ChecksAwaitingComputation: %d, %v", len(checks), err)
	}
	// Merging leaves one of each on disk too.
	for _, table := range []string{"pulls", "sample_blocks", "pull_ends", "calibration_checks"} {
		if err := s.Conn().Exec(ctx, "OPTIMIZE TABLE "+table+" FINAL"); err != nil {
			t.Fatal(err)
		}
		var rows uint64
		if err := s.Conn().QueryRow(ctx, "SELECT count() FROM "+table).Scan(&rows); err != nil {
			t.Fatal(err)
		}
		if want := map[string]uint64{"sample_blocks": 2}[table]; rows != max(want, 1) {
			t.Errorf("%s holds %d rows after a merge", table, rows)
		}
	}
}

func TestReadPullTellsWhatIsMissing(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	b := whole("b1", start)
	if err := s.Append(ctx, store.Batch{Blocks: b.Blocks[1:]}); err != nil {
		t.Fatal(err)
	}
	raw, err := s.ReadPulls(ctx, []fleet.PullID{"none", "b1"})
	if err != nil {
		t.Fatal(err)
	}
	if r := raw[0]; r.HasBegin || r.HasEnd || len(r.Blocks) != 0 {
		t.Errorf("a pull that was never sent: %+v", r)
	}
	if r := raw[1]; r.HasBegin || r.HasEnd || len(r.Blocks) != 1 || r.Blocks[0].BlockIndex != 1 {
		t.Errorf("a pull of one block: %+v", r)
	}
	if raw, err := s.ReadPulls(ctx, nil); err != nil || raw != nil {
		t.Errorf("ReadPulls of none: %v, %v", raw, err)
	}
}

func ids[T any](rows []T, id func(T) string) string {
	var all []string
	for _, row := range rows {
		all = append(all, id(row))
	}
	return strings.Join(all, " ")
}

func pullIDs(rows []store.PullRow) string {
	return ids(rows, func(r store.PullRow) string { return r.PullID })
}

func TestAwaiting(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	var b store.Batch
	for i, id := range []string{"d", "c", "b", "a"} {
		w := whole(id, start.Add(time.Duration(i)*time.Hour))
		b.Pulls = append(b.Pulls, w.Pulls...)
		b.Blocks = append(b.Blocks, w.Blocks...)
		if id != "b" { // has not ended
			b.Ends = append(b.Ends, w.Ends...)
		}
	}
	b.Checks = []store.CheckRow{
		{CheckID: "k2", CellID: "bath-1", PerformedAt: start.Add(time.Hour)},
		{CheckID: "k1", CellID: "bath-1", PerformedAt: start},
	}
	if err := s.Append(ctx, b); err != nil {
		t.Fatal(err)
	}
	await := func(version, want string, limit int) {
		t.Helper()
		rows, err := s.PullsAwaitingComputation(ctx, version, limit)
		if got := pullIDs(rows); err != nil || got != want {
			t.Errorf("awaiting %s: %q, %v, want %q", version, got, err, want)
		}
	}
	await("v1", "d c a", 10)
	await("v1", "d c", 2)
	if err := s.WriteCurves(ctx, []store.CurveRow{{PullID: "c", CellID: "bath-1", StartedAt: start.Add(time.Hour), State: store.StateUnusable, CodeVersion: "v1"}}); err != nil {
		t.Fatal(err)
	}
	if err := s.WriteCoastDowns(ctx, []store.CoastDownRow{{PullID: "a", CellID: "bath-1", StartedAt: start.Add(3 * time.Hour), CodeVersion: "v1"}}); err != nil {
		t.Fatal(err)
	}
	await("v1", "d", 10)
	await("v2", "d c a", 10)

	complete, err := s.ListCompletePulls(ctx, time.Time{}, "", 2)
	if got := pullIDs(complete); err != nil || got != "d c" {
		t.Errorf("first page: %q, %v", got, err)
	}
	complete, err = s.ListCompletePulls(ctx, complete[1].StartedAt, fleet.PullID(complete[1].PullID), 2)
	if got := pullIDs(complete); err != nil || got != "a" {
		t.Errorf("second page: %q, %v", got, err)
	}

	checks, err := s.ChecksAwaitingComputation(ctx, "v1", 10)
	if got := ids(checks, func(r store.CheckRow) string { return r.CheckID }); err != nil || got != "k1 k2" {
		t.Errorf("checks awaiting: %q, %v", got, err)
	}
	if err := s.WriteCheckResults(ctx, []store.CheckResultRow{{CheckID: "k1", CellID: "bath-1", PerformedAt: start, CodeVersion: "v1"}}); err != nil {
		t.Fatal(err)
	}
	checks, err = s.ChecksAwaitingComputation(ctx, "v1", 10)
	if got := ids(checks, func(r store.CheckRow) string { return r.CheckID }); err != nil || got != "k2" {
		t.Errorf("checks awaiting: %q, %v", got, err)
	}
}

func TestFilters(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	hour := func(n int) time.Time { return start.Add(time.Duration(n) * time.Hour) }
	curves := []store.CurveRow{
		{PullID: "p1", CellID: "bath-1", CarID: "ref-a", Kind: 1, StartedAt: hour(1), Session: "w1", EngineSpeed: []float64{1, 2}},
		{PullID: "p2", CellID: "bath-2", CarID: "ref-a", Kind: 1, StartedAt: hour(2), Session: "w2", LossCov: []float64{1, 2, 3, 4, 5, 6}},
		{PullID: "p3", CellID: "york-1", CarID: "ref-b", Kind: 1, StartedAt: hour(3), Session: "w1", Label: "l"},
		{PullID: "p4", CellID: "york-1", Kind: 1, StartedAt: hour(4), CustomerCar: "x"},
		{PullID: "p5", CellID: "york-1", Kind: 3, StartedAt: hour(5)},
	}
	curves[0].SetFindings([]store.FindingRow{{Kind: "gap", Size: 2}, {Kind: "slip"}})
	if err := s.WriteCurves(ctx, curves); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		f    store.PullFilter
		want string
	}{
		{"nothing", store.PullFilter{}, "p5 p4 p3 p2 p1"},
		{"a site's cells", store.PullFilter{Filter: store.Filter{Cells: []fleet.CellID{"bath-1", "bath-2"}}}, "p2 p1"},
		{"no cells", store.PullFilter{Filter: store.Filter{Cells: []fleet.CellID{}}}, ""},
		{"car", store.PullFilter{Filter: store.Filter{Car: "ref-b"}}, "p3"},
		{"from is included", store.PullFilter{Filter: store.Filter{From: hour(4)}}, "p5 p4"},
		{"until is not", store.PullFilter{Filter: store.Filter{Until: hour(2)}}, "p1"},
		{"to the nanosecond", store.PullFilter{Filter: store.Filter{Until: hour(2).Add(1)}}, "p2 p1"},
		{"limit", store.PullFilter{Filter: store.Filter{Limit: 2}}, "p5 p4"},
		{"kind", store.PullFilter{Kind: fleet.KindEmptyCoastDown}, "p5"},
		{"session", store.PullFilter{Session: "w1"}, "p3 p1"},
		{"label", store.PullFilter{Label: "l"}, "p3"},
		{"customers", store.PullFilter{Customers: true}, "p4"},
		{"quotes are text", store.PullFilter{Session: "' OR 1=1 --"}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rows, err := s.ListCurves(ctx, tt.f)
			if got := ids(rows, func(r store.CurveRow) string { return r.PullID }); err != nil || got != tt.want {
				t.Errorf("ListCurves: %q, %v, want %q", got, err, tt.want)
			}
		})
	}
	rows, err := s.ListCurves(ctx, store.PullFilter{Filter: store.Filter{Until: hour(3)}})
	if err != nil {
		t.Fatal(err)
	}
	if rows[1].EngineSpeed != nil || len(rows[1].Findings()) != 2 || len(rows[0].LossCov) != 6 {
		t.Errorf("a list has %d points, %d findings, %d covariances, want 0, 2, 6", len(rows[1].EngineSpeed), len(rows[1].Findings()), len(rows[0].LossCov))
	}
	row, found, err := s.ReadCurve(ctx, "p1")
	if err != nil || !found || len(row.EngineSpeed) != 2 {
		t.Errorf("ReadCurve: %v, %v, %d points", found, err, len(row.EngineSpeed))
	}
	if _, found, err := s.ReadCurve(ctx, "none"); found || err != nil {
		t.Errorf("ReadCurve of none: %v, %v", found, err)
	}
	var kinds []struct {
		Ordinal uint32  `ch:"ordinal"`
		Kind    string  `ch:"kind"`
		Size    float64 `ch:"size"`
	}
	if err := s.Conn().Select(ctx, &kinds, "SELECT ordinal, kind, size FROM findings WHERE pull_id = {pull:String} ORDER BY ordinal", clickhouse.Named("pull", "p1")); err != nil || len(kinds) != 2 || kinds[0].Kind != "gap" || kinds[0].Size != 2 || kinds[1].Ordinal != 2 {
		t.Errorf("the view of findings: %+v, %v", kinds, err)
	}
}

func TestFlagsInTime(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	day := func(n int) time.Time { return start.AddDate(0, 0, n) }
	flags := []store.FlagRow{
		{FlagID: "open", CellID: "bath-1", Open: true, FirstEvidenceAt: day(1), OpenedAt: day(2), UpdatedAt: day(9)},
		{FlagID: "closed", CellID: "york-1", CarID: "ref-a", FirstEvidenceAt: day(1), OpenedAt: day(1), UpdatedAt: day(4), ClosedAt: ptr(day(4))},
	}
	if err := s.ReplaceFlags(ctx, flags, nil); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name   string
		f      store.Filter
		closed bool
		want   string
	}{
		{"open ones", store.Filter{}, false, "open"},
		{"all", store.Filter{}, true, "open closed"},
		{"open after the closing", store.Filter{From: day(5)}, true, "open"},
		{"open at the closing", store.Filter{From: day(3)}, true, "open closed"},
		{"before any", store.Filter{Until: day(1)}, true, ""},
		{"before the second", store.Filter{Until: day(2)}, true, "closed"},
		{"cell", store.Filter{Cells: []fleet.CellID{"york-1"}}, true, "closed"},
		{"car", store.Filter{Car: "ref-a"}, true, "closed"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rows, err := s.ListFlags(ctx, tt.f, tt.closed)
			if got := ids(rows, func(r store.FlagRow) string { return r.FlagID }); err != nil || got != tt.want {
				t.Errorf("ListFlags: %q, %v, want %q", got, err, tt.want)
			}
		})
	}
	if err := s.AppendClosing(ctx, store.ClosingRow{FlagID: "open", ClosedAt: start, ClosedBy: "R. Miles"}); err == nil {
		t.Error("a closing without a reason was taken")
	}
}

func TestReplaceHidesWhatIsGone(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	flag := func(id string, size float64) store.FlagRow {
		return store.FlagRow{FlagID: id, Open: true, FirstEvidenceAt: start, OpenedAt: start, UpdatedAt: start, Size: size}
	}
	touched := func(flag, pull string) store.TouchedRow {
		return store.TouchedRow{FlagID: flag, PullID: pull, StartedAt: start}
	}
	for _, step := range []struct {
		flags   []store.FlagRow
		touched []store.TouchedRow
		want    string
	}{
		{[]store.FlagRow{flag("f1", 1), flag("f2", 1)}, []store.TouchedRow{touched("f1", "p1"), touched("f1", "p2")}, "f1=1[p1 p2] f2=1[]"},
		{[]store.FlagRow{flag("f1", 2)}, []store.TouchedRow{touched("f1", "p2"), touched("f1", "p3")}, "f1=2[p2 p3]"},
		{[]store.FlagRow{flag("f2", 3), flag("f1", 2)}, []store.TouchedRow{touched("f1", "p1")}, "f1=2[p1] f2=3[]"},
		{nil, nil, ""},
	} {
		if err := s.ReplaceFlags(ctx, step.flags, step.touched); err != nil {
			t.Fatal(err)
		}
		rows, err := s.ListFlags(ctx, store.Filter{}, true)
		if err != nil {
			t.Fatal(err)
		}
		pulls, err := s.ReadTouched(ctx, []fleet.FlagID{"f1", "f2"})
		if err != nil {
			t.Fatal(err)
		}
		got := ids(rows, func(r store.FlagRow) string {
			return fmt.Sprintf("%s=%g[%s]", r.FlagID, r.Size, ids(pulls[fleet.FlagID(r.FlagID)], func(r store.TouchedRow) string { return r.PullID }))
		})
		if got != step.want {
			t.Errorf("after replacing: %q, want %q", got, step.want)
		}
	}
}

// A pull is doubted while a flag that touches it is open, also among very many
// pulls asked for at once.
func TestDoubts(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	flag := func(id string, open bool) store.FlagRow {
		return store.FlagRow{FlagID: id, Open: open, FirstEvidenceAt: start, OpenedAt: start, UpdatedAt: start}
	}
	touched := func(flag, pull string, effect float64) store.TouchedRow {
		return store.TouchedRow{FlagID: flag, PullID: pull, StartedAt: start, Effect: effect}
	}
	rows := []store.TouchedRow{touched("f1", "p1", 0.01), touched("f2", "p1", 0.02), touched("f1", "p2", 0.03), touched("shut", "p3", 0.04)}
	many := make([]fleet.PullID, 0, 50_001)
	for i := range 50_000 {
		many = append(many, fleet.PullID(fmt.Sprintf("%032x", i)))
	}
	many = append(many, "p1")
	for _, step := range []struct {
		flags []store.FlagRow
		pulls []fleet.PullID
		want  string
	}{
		{[]store.FlagRow{flag("f1", true), flag("f2", true), flag("shut", false)}, []fleet.PullID{"p1", "p2", "p3", "p4"}, "p1:f1=0.01 p1:f2=0.02 p2:f1=0.03"},
		{[]store.FlagRow{flag("f1", true), flag("f2", true), flag("shut", false)}, []fleet.PullID{"p2"}, "p2:f1=0.03"},
		{[]store.FlagRow{flag("f1", true), flag("f2", true), flag("shut", false)}, nil, ""},
		{[]store.FlagRow{flag("f1", true), flag("f2", true), flag("shut", false)}, many, "p1:f1=0.01 p1:f2=0.02"},
		{[]store.FlagRow{flag("f1", false), flag("f2", true), flag("shut", false)}, []fleet.PullID{"p1", "p2", "p3"}, "p1:f2=0.02"},
	} {
		if err := s.ReplaceFlags(ctx, step.flags, rows); err != nil {
			t.Fatal(err)
		}
		doubts, err := s.ReadDoubts(ctx, step.pulls)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for pull, all := range doubts {
			for _, r := range all {
				got = append(got, fmt.Sprintf("%s:%s=%g", pull, r.FlagID, r.Effect))
			}
		}
		slices.Sort(got)
		if s := strings.Join(got, " "); s != step.want {
			t.Errorf("%d pulls: %q, want %q", len(step.pulls), s, step.want)
		}
	}
}

func TestLatestHeartbeats(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	now := time.Now().UTC().Truncate(time.Second)
	beat := func(cell string, received, sent time.Duration, spool uint64) store.HeartbeatRow {
		return store.HeartbeatRow{CellID: cell, ReceivedAt: now.Add(received), SentAt: now.Add(sent), SpoolMessages: spool, SpoolOldestAt: ptr(now)}
	}
	for _, rows := range [][]store.HeartbeatRow{
		{beat("bath-1", -3*time.Minute, 0, 1), beat("york-1", -time.Minute, 0, 2)},
		// An agent whose clock is a century ahead, then right again; and one that comes late.
		{beat("bath-1", -2*time.Minute, 100*365*24*time.Hour, 3), beat("york-1", -2*time.Minute, 0, 4)},
		{beat("bath-1", -time.Minute, 0, 5)},
	} {
		if err := s.Append(ctx, store.Batch{Heartbeats: rows}); err != nil {
			t.Fatal(err)
		}
	}
	latest, err := s.LatestHeartbeats(ctx)
	want := map[fleet.CellID]store.HeartbeatRow{"bath-1": beat("bath-1", -time.Minute, 0, 5), "york-1": beat("york-1", -time.Minute, 0, 2)}
	if err != nil || cmp.Diff(want, latest) != "" {
		t.Errorf("LatestHeartbeats: %v\n%s", err, cmp.Diff(want, latest))
	}
	listed, err := s.ListHeartbeats(ctx, store.Filter{Cells: []fleet.CellID{"bath-1"}, From: now.Add(-2 * time.Minute)})
	if got := ids(listed, func(r store.HeartbeatRow) string { return fmt.Sprint(r.SpoolMessages) }); err != nil || got != "5 3" {
		t.Errorf("ListHeartbeats: %q, %v", got, err)
	}
}

// A time that was never set is stored as 1970.
func TestZeroTime(t *testing.T) {
	s := storetest.Open(t)
	if err := s.WriteCurves(t.Context(), []store.CurveRow{{PullID: "z", StartedAt: start}}); err != nil {
		t.Fatal(err)
	}
	row, _, err := s.ReadCurve(t.Context(), "z")
	if err != nil || !row.RegistryEffectiveAt.Equal(time.Unix(0, 0)) {
		t.Errorf("registry_effective_at = %v, %v, want 1970", row.RegistryEffectiveAt, err)
	}
}

func TestReadSessions(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	curve := func(pull, session string, at time.Time) store.CurveRow {
		return store.CurveRow{PullID: pull, CellID: "bath-1", CarID: "ref-a", Kind: 1, Session: session, StartedAt: at}
	}
	weeks := func(n int) time.Time { return start.AddDate(0, 0, 7*n) }
	customer := curve("c", "", weeks(20))
	customer.CarID = ""
	if err := s.WriteCurves(ctx, []store.CurveRow{
		curve("a1", "w0", weeks(0)), curve("a2", "w0", weeks(0)), // whole
		curve("b1", "w1", weeks(1)), curve("b2", "w1", weeks(1)), // one pull is not in its run
		curve("d1", "w2", weeks(2)),   // no run
		curve("e1", "w20", weeks(20)), // whole, but new
		customer,
	}); err != nil {
		t.Fatal(err)
	}
	if err := s.WriteRuns(ctx, []store.RunRow{
		{RunID: "r0", CellID: "bath-1", CarID: "ref-a", Session: "w0", PullIDs: []string{"a2"}, LeftOutIDs: []string{"a1"}, StartedAt: weeks(0)},
		{RunID: "r1", CellID: "bath-1", CarID: "ref-a", Session: "w1", PullIDs: []string{"b1"}, StartedAt: weeks(1)},
		{RunID: "r20", CellID: "bath-1", CarID: "ref-a", Session: "w20", PullIDs: []string{"e1"}, StartedAt: weeks(20)},
	}); err != nil {
		t.Fatal(err)
	}
	rows, err := s.ReadSessions(ctx)
	if got := ids(rows, func(r store.SessionRow) string { return r.Session }); err != nil || got != "w1 w2 w20" {
		t.Errorf("ReadSessions: %q, %v", got, err)
	}
}

func TestLatestCheckResults(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	var rows []store.CheckResultRow
	for i := range 8 {
		rows = append(rows, store.CheckResultRow{CheckID: fmt.Sprint("k", i), CellID: fmt.Sprint("c", i%2), Kind: uint8(1 + i/2%2), PerformedAt: start.Add(time.Duration(i) * time.Hour)})
	}
	if err := s.WriteCheckResults(ctx, rows); err != nil {
		t.Fatal(err)
	}
	latest, err := s.ListVerdictsLatest(ctx, store.Filter{})
	if got := ids(latest, func(r store.VerdictRow) string { return r.CheckID }); err != nil || got != "k4 k6 k5 k7" {
		t.Errorf("latest: %q, %v", got, err)
	}
	latest, err = s.ListVerdictsLatest(ctx, store.Filter{Cells: []fleet.CellID{"c1"}})
	if got := ids(latest, func(r store.VerdictRow) string { return r.CheckID }); err != nil || got != "k5 k7" {
		t.Errorf("latest of a cell: %q, %v", got, err)
	}
}

func TestLatestEstimates(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	var rows []store.EstimateRow
	var cars []store.CarEstimateRow
	for i := range 4 {
		at := start.AddDate(0, 0, 7*i)
		rows = append(rows, store.EstimateRow{CellID: fmt.Sprint("c", i%2), At: at, RunID: fmt.Sprint("r", i)})
		cars = append(cars, store.CarEstimateRow{CarID: fmt.Sprint("k", i%2), At: at, RunID: fmt.Sprint("r", i)})
	}
	if err := s.ReplaceEstimates(ctx, rows); err != nil {
		t.Fatal(err)
	}
	if err := s.ReplaceCarEstimates(ctx, cars); err != nil {
		t.Fatal(err)
	}
	latest, err := s.ReadEstimatesLatest(ctx, store.Filter{})
	if got := ids(latest, func(r store.EstimateRow) string { return r.CellID + r.RunID }); err != nil || got != "c0r2 c1r3" {
		t.Errorf("latest: %q, %v", got, err)
	}
	latest, err = s.ReadEstimatesLatest(ctx, store.Filter{Until: rows[2].At})
	if got := ids(latest, func(r store.EstimateRow) string { return r.CellID + r.RunID }); err != nil || got != "c0r0 c1r1" {
		t.Errorf("latest then: %q, %v", got, err)
	}
	latestCars, err := s.ReadCarEstimatesLatest(ctx, store.Filter{Car: "k1"})
	if got := ids(latestCars, func(r store.CarEstimateRow) string { return r.CarID + r.RunID }); err != nil || got != "k1r3" {
		t.Errorf("latest of a car: %q, %v", got, err)
	}
	// A filter's times do not make an estimate of its own.
	all, err := s.ReadEstimates(ctx, store.Filter{Limit: 3})
	if got := ids(all, func(r store.EstimateRow) string { return r.RunID }); err != nil || got != "r3 r2 r1" {
		t.Errorf("newest first: %q, %v", got, err)
	}
}

// Computing again gives the same dump, whatever was there in between; anything
// else gives another one.
func TestDumpComputed(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	write := func(reverse bool, change func(*store.CurveRow)) {
		t.Helper()
		curves := []store.CurveRow{fill[store.CurveRow](1, false), fill[store.CurveRow](2, true)}
		if change != nil {
			change(&curves[0])
		}
		if reverse {
			curves[0], curves[1] = curves[1], curves[0]
		}
		for _, err := range []error{
			s.WriteCurves(ctx, curves[:1]), s.WriteCurves(ctx, curves[1:]),
			s.WriteCheckResults(ctx, []store.CheckResultRow{fill[store.CheckResultRow](1, false)}),
			s.WriteCoastDowns(ctx, []store.CoastDownRow{fill[store.CoastDownRow](1, false)}),
			s.WriteRuns(ctx, []store.RunRow{fill[store.RunRow](1, false)}),
			s.ReplaceEstimates(ctx, []store.EstimateRow{fill[store.EstimateRow](1, false)}),
			s.ReplaceCarEstimates(ctx, []store.CarEstimateRow{fill[store.CarEstimateRow](1, false)}),
			s.ReplaceFlags(ctx, []store.FlagRow{fill[store.FlagRow](1, false)}, []store.TouchedRow{fill[store.TouchedRow](1, false)}),
			s.ReplaceEpochs(ctx, []store.EpochRow{fill[store.EpochRow](1, false)}),
			s.ReplaceIntervals(ctx, []store.IntervalRow{fill[store.IntervalRow](1, false)}),
			s.ReplaceNeighbours(ctx, []fleet.CellID{fleet.CellID(fill[store.NeighbourRow](1, false).CellID)}, time.Time{}, time.Time{},
				func(store.NeighbourRow) bool { return false }, []store.NeighbourRow{fill[store.NeighbourRow](1, false)}),
		} {
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	dump := func() []store.Dump {
		t.Helper()
		d, err := s.DumpComputed(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	write(false, nil)
	first := dump()
	if len(first) != 11 || first[0].Rows != 2 {
		t.Errorf("dump: %+v", first)
	}
	for i, d := range first[1:] {
		if d.Rows != 1 || len(d.SHA256) != 64 || d.SHA256 == first[i].SHA256 {
			t.Errorf("dump: %+v", d)
		}
	}
	write(true, nil)
	if diff := cmp.Diff(first, dump()); diff != "" {
		t.Errorf("written again in another order\n%s", diff)
	}
	if err := s.ReplaceFlags(ctx, []store.FlagRow{fill[store.FlagRow](1, false), fill[store.FlagRow](3, false)}, nil); err != nil {
		t.Fatal(err)
	}
	write(false, nil) // leaves a tombstone
	if diff := cmp.Diff(first, dump()); diff != "" {
		t.Errorf("with a tombstone\n%s", diff)
	}
	write(false, func(r *store.CurveRow) { *r.EnginePower[0] += 1e-9 })
	if got := dump(); got[0].SHA256 == first[0].SHA256 {
		t.Error("the dump does not see a change in the last digits of one point")
	}
	if err := s.ClearComputed(ctx); err != nil {
		t.Fatal(err)
	}
	for _, d := range dump() {
		if d.Rows != 0 {
			t.Errorf("%s holds %d rows after ClearComputed", d.Table, d.Rows)
		}
	}
	write(false, nil)
	if diff := cmp.Diff(first, dump()); diff != "" {
		t.Errorf("written after ClearComputed\n%s", diff)
	}
}

// cut is a link that can be cut.
type cut struct {
	dial func(context.Context, string) (net.Conn, error)

	mu    sync.Mutex
	down  bool
	conns []net.Conn
}

func (c *cut) Dial(ctx context.Context, addr string) (net.Conn, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.down {
		return nil, &net.OpError{Op: "dial", Net: "tcp", Err: os.NewSyscallError("connect", syscall.ECONNREFUSED)}
	}
	conn, err := c.dial(ctx, addr)
	if err == nil {
		c.conns = append(c.conns, conn)
	}
	return conn, err
}

func (c *cut) set(down bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.down = down
	for _, conn := range c.conns {
		conn.Close()
	}
	c.conns = nil
}

func TestUnavailableUntilItIsBack(t *testing.T) {
	c := storetest.Config(t)
	link := &cut{dial: c.Dial}
	if link.dial == nil {
		link.dial = func(ctx context.Context, addr string) (net.Conn, error) {
			var d net.Dialer
			return d.DialContext(ctx, "tcp", addr)
		}
	}
	c.Dial = link.Dial
	link.set(true)
	if _, err := store.Open(t.Context(), c); !errors.Is(err, store.ErrUnavailable) {
		t.Fatalf("Open without a link: %v, want ErrUnavailable", err)
	}
	link.set(false)
	s, err := store.Open(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	link.set(true)
	for what, err := range map[string]error{
		"Append": s.Append(t.Context(), whole("u1", start)),
		"Ping":   s.Ping(t.Context()),
		"ReadPull": func() error {
			_, err := s.ReadPull(t.Context(), "u1")
			return err
		}(),
		"ListFlags": func() error {
			_, err := s.ListFlags(t.Context(), store.Filter{}, false)
			return err
		}(),
	} {
		if !errors.Is(err, store.ErrUnavailable) {
			t.Errorf("%s without a link: %v, want ErrUnavailable", what, err)
		}
	}
	link.set(false)
	if err := s.Append(t.Context(), whole("u1", start)); err != nil {
		t.Errorf("Append once the link is back: %v", err)
	}
	raw, err := s.ReadPull(t.Context(), "u1")
	if err != nil || len(raw.Blocks) != 2 {
		t.Errorf("ReadPull: %d blocks, %v", len(raw.Blocks), err)
	}
}

func TestErrorsThatStayAreNotUnavailable(t *testing.T) {
	s := storetest.OpenEmpty(t) // no tables
	if err := s.Append(t.Context(), whole("x", start)); err == nil || errors.Is(err, store.ErrUnavailable) {
		t.Errorf("Append without tables: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Append(ctx, whole("x", start)); !errors.Is(err, context.Canceled) || errors.Is(err, store.ErrUnavailable) {
		t.Errorf("Append with a cancelled context: %v", err)
	}
}

func TestConfig(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(*store.Config)
		want   string // empty: it is right
	}{
		{"address", func(c *store.Config) { c.Addr = "h:9000" }, ""},
		{"DSN", func(c *store.Config) { c.DSN = "clickhouse://u:p@h:9000/d" }, ""},
		{"neither", func(c *store.Config) {}, "no ClickHouse address"},
		{"HTTP", func(c *store.Config) { c.DSN = "http://h:8123/d" }, "begins clickhouse://"},
		{"not a DSN", func(c *store.Config) { c.DSN = "clickhouse://u:secret@h:port/d" }, "has the form"},
		{"database", func(c *store.Config) { c.Addr, c.Database = "h:1", "a b" }, `database "a b"`},
		{"timeout", func(c *store.Config) { c.Addr, c.Timeout = "h:1", 0 }, "timeout is 0s"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := store.DefaultConfig()
			tt.change(&c)
			err := c.Validate()
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("Validate: %v, want %q", err, tt.want)
			}
			if err != nil && strings.Contains(err.Error(), "secret") {
				t.Errorf("the error shows the password: %v", err)
			}
		})
	}
}

// Whatever was acknowledged is there, once, though the engine was killed while
// it was written.
func TestAcknowledgedSurvivesKill(t *testing.T) {
	s := storetest.Open(t)
	sup := storetest.Engine(t)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	starts := sup.Starts()
	const kills, between = 3, 10
	var acked, failures atomic.Int64
	written := make(chan error, 1)
	go func() {
		for acked.Load() < (kills+1)*between {
			n := acked.Load()
			err := s.Append(ctx, whole(fmt.Sprintf("k%06d", n), start.Add(time.Duration(n)*time.Minute)))
			switch {
			case err == nil:
				acked.Add(1)
			case errors.Is(err, store.ErrUnavailable) && ctx.Err() == nil:
				failures.Add(1)
				time.Sleep(time.Millisecond)
			default:
				written <- fmt.Errorf("append: %w, want ErrUnavailable", err)
				return
			}
		}
		written <- nil
	}()
	for n := range kills {
		for acked.Load() < int64((n+1)*between) && ctx.Err() == nil {
			time.Sleep(time.Millisecond)
		}
		storetest.KillEngine(t)
		storetest.AwaitEngine(t, starts+n+1)
	}
	if err := <-written; err != nil {
		t.Fatal(err)
	}
	if failures.Load() == 0 {
		t.Error("no append failed: the engine was not killed while it was written")
	}
	total := int(acked.Load())
	t.Logf("%d acknowledged, %d failures", total, failures.Load())
	pulls, err := s.ListCompletePulls(ctx, time.Time{}, "", 1_000_000)
	if err != nil {
		t.Fatal(err)
	}
	// A pull that was written whole but not acknowledged was appended again under
	// the same id.
	if len(pulls) != total {
		t.Errorf("%d pulls are there, %d were acknowledged", len(pulls), total)
	}
	var want []fleet.PullID
	for n := range total {
		want = append(want, fleet.PullID(fmt.Sprintf("k%06d", n)))
	}
	raw, err := s.ReadPulls(ctx, want)
	if err != nil {
		t.Fatal(err)
	}
	for n, r := range raw {
		if !r.HasBegin || !r.HasEnd || len(r.Blocks) != 2 {
			t.Fatalf("pull %d: begin %v, end %v, %d blocks", n, r.HasBegin, r.HasEnd, len(r.Blocks))
		}
	}
}

// TestAnotherCellsPullIsLeftAlone sends, from another cell, records under the
// id of a pull: the pull stays what its own cell sent.
func TestAnotherCellsPullIsLeftAlone(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	mine := whole("d1", start)
	theirs := whole("d1", start.Add(time.Minute))
	theirs.Pulls[0].CellID, theirs.Ends[0].CellID, theirs.Ends[0].Blocks = "mere-2", "mere-2", 9
	for i := range theirs.Blocks {
		theirs.Blocks[i].CellID, theirs.Blocks[i].Counts = "mere-2", []int32{7}
	}
	for _, b := range []store.Batch{mine, theirs} {
		if err := s.Append(ctx, b); err != nil {
			t.Fatal(err)
		}
	}
	raw, err := s.ReadPull(ctx, "d1")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(mine.Blocks, raw.Blocks); diff != "" {
		t.Errorf("blocks sent -, read +\n%s", diff)
	}
	if diff := cmp.Diff(mine.Ends[0], raw.End); diff != "" {
		t.Errorf("end sent -, read +\n%s", diff)
	}
	if raw.Begin.CellID != "bath-1" {
		t.Errorf("the pull is %s's, want bath-1's", raw.Begin.CellID)
	}
}

// A touched pull that was computed before sizes were kept has none.
func TestTouchedPullFromBefore(t *testing.T) {
	s := storetest.Open(t)
	err := s.Conn().Exec(t.Context(), "INSERT INTO touched_pulls (flag_id, started_at, pull_id, cell_id, customer_car, effect, effect_u, code_version) VALUES ('f', now64(9, 'UTC'), 'p', 'fen-2', 'van', 0.01, 0.004, '4')")
	if err != nil {
		t.Fatal(err)
	}
	touched, err := s.ReadTouched(t.Context(), []fleet.FlagID{"f"})
	if err != nil || len(touched["f"]) != 1 {
		t.Fatal(touched, err)
	}
	if r := touched["f"][0]; r.Effect != 0.01 || r.Fault != "" || r.Size != nil || r.SizeU != nil || r.SizeUnit != "" || r.SizeFrom != "" {
		t.Errorf("%+v", r)
	}
}

// A restatement that is not whole in itself is not kept.
func TestAppendRestatementRefuses(t *testing.T) {
	s := storetest.Open(t)
	whole := store.RestatementRow{FlagID: "f", RestatementID: "r", RestatedBy: "a", Reason: "b", Pulls: 1}
	pull := store.RestatedRow{FlagID: "f", RestatementID: "r", PullID: "p"}
	for name, c := range map[string]struct {
		change func(*store.RestatementRow)
		pull   store.RestatedRow
	}{
		"no reason":       {func(r *store.RestatementRow) { r.Reason = "" }, pull},
		"nobody":          {func(r *store.RestatementRow) { r.RestatedBy = "" }, pull},
		"a pull too few":  {func(r *store.RestatementRow) { r.Pulls = 2 }, pull},
		"of another":      {func(*store.RestatementRow) {}, store.RestatedRow{FlagID: "f", RestatementID: "other"}},
		"nothing to undo": {func(r *store.RestatementRow) { r.TakenBack = true }, pull},
	} {
		row := whole
		c.change(&row)
		if err := s.AppendRestatement(t.Context(), row, []store.RestatedRow{c.pull}); err == nil {
			t.Errorf("%s: kept", name)
		}
	}
	if acts, err := s.ReadRestatements(t.Context()); err != nil || len(acts) != 0 {
		t.Errorf("%v, %v", acts, err)
	}
	if of, err := s.ReadRestatedOf(t.Context(), "p"); err != nil || len(of) != 0 {
		t.Errorf("%v, %v", of, err)
	}
}
