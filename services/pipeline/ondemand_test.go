package pipeline_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/query"
	"rollcall/services/rpc"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
)

// TestOnDemand computes stored pulls anew and compares sets of them over the
// service: the same curves to the bit, differences of unchanged reference cars
// within U, and a sentence for every request that cannot be answered.
func TestOnDemand(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 4, "fen-1", "fen-2")
	computing := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	recompute(t, computing)
	rows, err := s.ReadCurves(t.Context(), store.PullFilter{Kind: fleet.KindPull})
	if err != nil {
		t.Fatal(err)
	}
	sets := map[[3]string][]string{} // cell, car, session
	var ids []fleet.PullID
	customer, coastDown := "", ""
	for _, r := range slices.Backward(rows) {
		switch {
		case r.State != store.StateComputed:
		case r.CarID != "":
			k := [3]string{r.CellID, r.CarID, r.Session}
			sets[k] = append(sets[k], r.PullID)
			ids = append(ids, fleet.PullID(r.PullID))
		default:
			customer = r.PullID
		}
	}
	empty, err := s.ReadCoastDowns(t.Context(), store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	if len(empty) > 0 {
		coastDown = empty[0].PullID
	}
	if len(sets) < 4 || customer == "" || coastDown == "" {
		t.Fatalf("the demo's first weeks hold %d reference runs, customer's pull %q, coast-down %q", len(sets), customer, coastDown)
	}

	made, err := computing.Reduce(t.Context(), ids)
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range made {
		row := rows[slices.IndexFunc(rows, func(r store.CurveRow) bool { return r.PullID == string(ids[i]) })]
		if m.Curve == nil || string(m.Epoch) != row.Epoch || len(m.Curve.Points) != len(row.WheelPower) {
			t.Fatalf("pull %s: %q, %d points", ids[i], m.Reason, len(row.WheelPower))
		}
		for k, p := range m.Curve.Points {
			if p.WheelPower != row.WheelPower[k] || p.UWheelPower != row.WheelPowerU[k] {
				t.Fatalf("pull %s, point %d: %v, stored %v", ids[i], k, p.WheelPower, row.WheelPower[k])
			}
		}
	}

	server := query.New(s, book, time.Now)
	server.Reduce = computing.Reduce
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	// A budget adds up to the U it states, and is of the figure asked for.
	for _, n := range []*float64{nil, proto.Float64(5000 * math.Pi / 30)} {
		b, err := server.GetBudget(ctx, &pb.GetBudgetRequest{PullId: string(ids[0]), Figure: "engine power", EngineSpeedRadS: n})
		if err != nil {
			t.Fatal(err)
		}
		own := 0.0
		for _, r := range b.Rows {
			if math.Abs(r.Sensitivity*r.StandardUncertainty-r.Contribution) > 1e-9*math.Abs(r.Contribution)+1e-9 {
				t.Errorf("%s: sensitivity %g times u %g is not contribution %g", r.Input, r.Sensitivity, r.StandardUncertainty, r.Contribution)
			}
			if r.SharedBy == "" {
				own += r.Contribution * r.Contribution
			}
		}
		if len(b.Rows) < 8 || !(b.OwnStandardUncertainty < b.StandardUncertainty) || !strings.Contains(b.Text, "ν_eff") || !strings.Contains(b.Of, "engine power") {
			t.Errorf("budget of %q: %d rows, own u %g of %g", b.Of, len(b.Rows), b.OwnStandardUncertainty, b.StandardUncertainty)
		}
		if math.Abs(b.CoverageFactor*b.StandardUncertainty-b.ExpandedUncertainty) > 1e-9*b.ExpandedUncertainty || own == 0 {
			t.Errorf("k %g times u %g is not U %g", b.CoverageFactor, b.StandardUncertainty, b.ExpandedUncertainty)
		}
		t.Log("\n" + b.Text)
	}
	for _, c := range []struct{ id, figure, want string }{
		{"x", "", "32 hexadecimal digits"}, {string(ids[0]), "torque", "choose"}, {strings.Repeat("0", 32), "", "no pull"}, {coastDown, "", "only pulls"},
	} {
		if _, err := server.GetBudget(ctx, &pb.GetBudgetRequest{PullId: c.id, Figure: c.figure}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("budget of %q, %q: %v, want %q", c.id, c.figure, err, c.want)
		}
	}

	byID := func(ids []string) *pb.PullSet { return &pb.PullSet{PullIds: ids} }

	// Runs of one car, on one cell and across cells, none of which has changed
	// in these weeks: at most the stated share is resolved.
	var keys [][3]string
	for k := range sets {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b [3]string) int { return strings.Compare(strings.Join(a[:], " "), strings.Join(b[:], " ")) })
	compared, resolved, across := 0, 0, 0
	for i, a := range keys {
		for _, b := range keys[i+1:] {
			if a[1] != b[1] || len(sets[a]) < 2 || len(sets[b]) < 2 {
				continue
			}
			r, err := server.ComparePulls(ctx, &pb.ComparePullsRequest{Before: byID(sets[a]), After: byID(sets[b]), Gain: proto.Float64(0.02)})
			if err != nil {
				t.Fatal(err)
			}
			compared++
			if r.Band.Resolved {
				resolved++
			}
			if r.Figure != "corrected engine power" || r.FigureUnit != "W" || len(r.Points) < 10 || r.PlanGain != 0.02 {
				t.Errorf("%v against %v: %s, %s, %d points", a, b, r.Figure, r.FigureUnit, len(r.Points))
			}
			if u := r.Band.RatioExpandedUncertainty; u < 0.004 || u > 0.05 {
				t.Errorf("%v against %v: U %v", a, b, u)
			}
			for _, says := range []string{"peak corrected engine power", "kW", "U at 95 %"} {
				if !strings.Contains(r.Statement, says) {
					t.Errorf("%q does not say %q", r.Statement, says)
				}
			}
			if !strings.Contains(r.Before.Sentence, "Peak corrected engine power") || !strings.Contains(r.Before.Sentence, "corrected to SAE J1349 by") || !strings.Contains(r.Before.Sentence, "driveline loss by coast-down") {
				t.Errorf("sentence %q", r.Before.Sentence)
			}
			notes := strings.Join(r.Notes, "\n")
			if a[0] != b[0] {
				across++
				if !strings.Contains(notes, "different cells") {
					t.Errorf("notes %q", notes)
				}
			}
			if !strings.Contains(notes, "the sets are of different sessions") {
				t.Errorf("notes %q", notes)
			}
		}
	}
	// The pulls of one session against each other: one cell, one calibration, so
	// that what the cell errs by cancels.
	within, apart := 0.0, 0.0
	for _, k := range keys {
		if len(sets[k]) < 4 {
			continue
		}
		r, err := server.ComparePulls(ctx, &pb.ComparePullsRequest{Before: byID([]string{sets[k][0], sets[k][2]}), After: byID([]string{sets[k][1], sets[k][3]})})
		if err != nil {
			t.Fatal(err)
		}
		compared++
		if r.Band.Resolved {
			resolved++
		}
		notes := strings.Join(r.Notes, "\n")
		if r.Band.SessionUncertainty != 0 || strings.Contains(notes, "different") || !strings.Contains(notes, "both sets are of "+k[0]) {
			t.Errorf("%v: session %v, notes %q", k, r.Band.SessionUncertainty, notes)
		}
		within = max(within, r.Band.SharedUncertainty/r.Band.Before)
	}
	for _, a := range keys {
		for _, b := range keys {
			if a[0] < b[0] && a[1] == b[1] {
				r, err := server.ComparePulls(ctx, &pb.ComparePullsRequest{Before: byID(sets[a]), After: byID(sets[b])})
				if err != nil {
					t.Fatal(err)
				}
				apart = max(apart, r.Band.SharedUncertainty/r.Band.Before)
			}
		}
	}
	if !(within > 0 && within < 0.3*apart) {
		t.Errorf("shared errors leave %v within a session, %v across cells", within, apart)
	}
	t.Logf("%d comparisons, %d across cells, %d resolved; shared errors leave %.2g on one cell, %.2g across", compared, across, resolved, within, apart)
	if compared < 2 || resolved > 1+compared/5 {
		t.Errorf("%d of %d comparisons of unchanged cars are resolved", resolved, compared)
	}

	// A gain is found: the after pulls are those of a car that makes more. The
	// reference cars differ by far more than U.
	var other [][3]string
	for _, k := range keys {
		if len(other) == 0 || k[1] != other[0][1] {
			other = append(other, k)
		}
	}
	request := &pb.ComparePullsRequest{Before: byID(sets[other[0]]), After: byID(sets[other[1]]), AnyCar: true}
	r, err := server.ComparePulls(ctx, request)
	if err != nil {
		t.Fatal(err)
	}
	if !r.Peak.Resolved || !strings.Contains(r.Statement, "; resolved") {
		t.Errorf("two cars: %s", r.Statement)
	}
	again, err := server.ComparePulls(ctx, request)
	if err != nil || !proto.Equal(r, again) {
		t.Errorf("asked twice, answered otherwise (%v)", err)
	}

	// By filter: the same sets.
	k := other[0]
	r, err = server.ComparePulls(ctx, &pb.ComparePullsRequest{
		Before: &pb.PullSet{Filter: &pb.Filter{CellId: k[0], CarId: k[1]}, Session: k[2]},
		After:  byID(sets[other[1]]), AnyCar: true, Figure: "wheel power",
	})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(r.Before.PullIds, sets[k]) || r.Figure != "wheel power" || r.Correction != "none" || !strings.Contains(strings.Join(r.Notes, "\n"), "wheel power is as measured") {
		t.Errorf("by filter %v, want %v; %s, %s", r.Before.PullIds, sets[k], r.Figure, r.Correction)
	}
	if math.Abs(r.Before.Mean-r.Band.Before) > 0 {
		t.Errorf("mean %v, of the band %v", r.Before.Mean, r.Band.Before)
	}

	one := byID(sets[keys[0]])
	for _, c := range []struct {
		name string
		ask  *pb.ComparePullsRequest
		code codes.Code
		says string
	}{
		{"nothing", &pb.ComparePullsRequest{}, codes.InvalidArgument, "before: chooses no pulls; name their ids"},
		{"nothing after", &pb.ComparePullsRequest{Before: one}, codes.InvalidArgument, "after: chooses no pulls"},
		{"no id", &pb.ComparePullsRequest{Before: byID([]string{"b1"}), After: one}, codes.InvalidArgument, `before: "b1" is not a pull's id; it has 32 hexadecimal digits`},
		{"unknown id", &pb.ComparePullsRequest{Before: one, After: byID([]string{strings.Repeat("0", 32)})}, codes.NotFound, "after: there is no pull 00000000000000000000000000000000"},
		{"coast-down", &pb.ComparePullsRequest{Before: one, After: byID([]string{coastDown})}, codes.InvalidArgument, "is of kind empty-roller coast-down; only pulls are compared"},
		{"both ways", &pb.ComparePullsRequest{Before: &pb.PullSet{PullIds: one.PullIds, Session: "x"}, After: one}, codes.InvalidArgument, "do one of the two"},
		{"no pull left", &pb.ComparePullsRequest{Before: &pb.PullSet{CustomerCar: "no such car"}, After: one}, codes.NotFound, "before: no computed pull is left"},
		{"unknown cell", &pb.ComparePullsRequest{Before: &pb.PullSet{Filter: &pb.Filter{CellId: "nowhere"}}, After: one}, codes.NotFound, `cell "nowhere" is not in the registry`},
		{"twice", &pb.ComparePullsRequest{Before: one, After: one}, codes.InvalidArgument, "a pull counts once"},
		{"different cars", &pb.ComparePullsRequest{Before: byID(sets[other[0]]), After: byID(sets[other[1]])}, codes.InvalidArgument, "the pulls are of different cars"},
		{"a customer's", &pb.ComparePullsRequest{Before: one, After: byID([]string{customer})}, codes.InvalidArgument, "the pulls are of different cars"},
		{"figure", &pb.ComparePullsRequest{Before: one, After: one, Figure: "noise"}, codes.InvalidArgument, `"noise" cannot be compared; choose corrected engine power, engine power, wheel power`},
		{"gain", &pb.ComparePullsRequest{Before: one, After: one, Gain: proto.Float64(2)}, codes.InvalidArgument, "write a ratio between 0 and 1"},
		{"power", &pb.ComparePullsRequest{Before: one, After: one, Power: proto.Float64(1)}, codes.InvalidArgument, "no probability"},
		{"too many", &pb.ComparePullsRequest{Before: byID(make([]string, 101)), After: one}, codes.InvalidArgument, "at most 100"},
	} {
		_, err := server.ComparePulls(ctx, c.ask)
		got := status.Convert(rpc.Status(zaptest.NewLogger(t), c.name, err))
		if got.Code() != c.code || !strings.Contains(got.Message(), c.says) {
			t.Errorf("%s: %s %q, want %s %q", c.name, got.Code(), got.Message(), c.code, c.says)
		}
	}
	if _, err := server.ComparePulls(t.Context(), &pb.ComparePullsRequest{Before: one, After: one}); err == nil {
		t.Error("nobody may compare")
	}
}
