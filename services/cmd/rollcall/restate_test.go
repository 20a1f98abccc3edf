package main

import (
	"encoding/json"
	"io"
	"math"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// weighed is a check of fen-1 beside a transfer load cell whose indicator reads
// (1 + gain)·force, as a message.
func weighed(id string, state fleet.CheckState, at time.Time, gain float64) *pb.StreamRequest {
	c := fleet.Check{ID: fleet.CheckID(strings.Repeat(id, 32)), Cell: "fen-1", Kind: fleet.CheckTransfer, State: state, PerformedAt: at, PerformedBy: "A. Ferris", Standard: "tlc-5k"}
	for cycle := 1; cycle <= 2; cycle++ {
		for i, load := range []float64{0, 500, 1000, 1500, 2000, 2500, 2000, 1500, 1000, 500, 0} {
			direction := fleet.Rising
			if i > 5 {
				direction = fleet.Falling
			}
			load, reading := load, (1+gain)*load+0.05*float64((i*7+cycle*3)%5-2)
			c.Readings = append(c.Readings, fleet.Reading{Cycle: cycle, Direction: direction, Reference: &load, Force: &reading})
		}
	}
	return &pb.StreamRequest{Body: &pb.StreamRequest_CalibrationCheck{CalibrationCheck: wire.ToCalibrationCheck(c)}}
}

// Through the whole service: a load cell is found 2 % high, the customers' pulls
// since it was good are restated, again, taken back by the page's form, and restated
// once more. Pull, flag, list and page say what was stated and what is restated, and
// by whom; computing everything anew changes none of it.
func TestRestatementThroughTheService(t *testing.T) {
	needEngine(t)
	s := start(t, "--data-dir", filepath.Join(t.TempDir(), "data"), "--fleet-delay", "20ms")
	text, err := os.ReadFile(demoRegistry)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "fleet.yaml")
	text = append(text, "standards:\n  tlc-5k: {kind: force, range_n: 5000, expanded_uncertainty_percent: 0.02, least_expanded_uncertainty_n: 0.1, certificate: F-7, due: 2027-01-31}\n"...)
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	s.apply(file)
	all := simulated(t, "fen-1")
	var record []*pb.StreamRequest
	first := ""
	for _, r := range all {
		if b := r.GetPullBegin(); first == "" && b != nil && b.CarId != "" && b.Kind == pb.PullKind_PULL_KIND_PULL {
			first = b.PullId
		}
	}
	for _, r := range all {
		if first != "" && (r.GetPullBegin().GetPullId() == first || r.GetSampleBlock().GetPullId() == first) {
			record = append(record, r)
		}
	}
	day := func(d int) time.Time { return time.Date(2026, 5, 25, 7, 0, 0, 0, time.UTC).AddDate(0, 0, d) }
	var pulls []string
	sent := append([]*pb.StreamRequest{}, all...)
	for i, d := range []int{13, 26} {
		id, messages := customers(t, record, i+1, 1e9, func(b *pb.PullBegin) {
			b.StartedAt = timestamppb.New(day(d))
			b.RotatingMassKg, b.CoastingMassKg = proto.Float64(46), proto.Float64(20)
		})
		pulls, sent = append(pulls, id), append(sent, messages...)
	}
	sent = append(sent, weighed("1", fleet.AsLeft, day(2), 0), weighed("2", fleet.AsFound, day(11), 0), weighed("3", fleet.AsFound, day(20), 0.02))
	conn := s.dial()
	send(t, conn, "fen-1", sent)

	var flag *pb.Flag
	flags := func() *pb.Flag {
		t.Helper()
		code, out, errs := s.run("flags", "--json")
		if code != 0 && code != 3 {
			t.Fatalf("flags: %d %s", code, errs)
		}
		list := &pb.ListFlagsResponse{}
		if code == 0 {
			if err := protojson.Unmarshal([]byte(out), list); err != nil {
				t.Fatal(err)
			}
		}
		for _, f := range list.Flags {
			if f.Kind == "recalibrate" && f.CellId == "fen-1" && len(f.TouchedPulls) >= 2 {
				return f
			}
		}
		return nil
	}
	await(t, "the flag with its pulls", func() bool { flag = flags(); return flag != nil })
	id := flag.FlagId
	pull := func(id string) *pb.Pull {
		t.Helper()
		code, out, errs := s.run("pull", id, "--json")
		answer := &pb.GetPullResponse{}
		if code != 0 {
			t.Fatalf("pull %s: %d %s", id, code, errs)
		}
		if err := protojson.Unmarshal([]byte(out), answer); err != nil {
			t.Fatal(err)
		}
		return answer.Pull
	}
	stated := pull(pulls[1])
	if len(stated.Restatements) != 0 {
		t.Fatalf("restated already: %v", stated.Restatements)
	}

	need(t, 2, []string{"restate", id, "--by", "Q. Moss", "--server", s.grpc})
	need(t, 3, []string{"restate", strings.Repeat("0", 32), "--by", "Q. Moss", "--reason", "x", "--server", s.grpc})
	need(t, 3, []string{"restate", "list", "--server", s.grpc})
	need(t, 1, []string{"restate", id, "--undo", "--by", "Q. Moss", "--reason", "x", "--server", s.grpc})
	need(t, 0, []string{"restate", id, "--by", "Q. Moss", "--reason", "gain found 2 % high", "--server", s.grpc}, "version 1, ", "by Q. Moss", "by cause", pulls[1])
	got := pull(pulls[1])
	if len(got.Restatements) != 1 || !got.Restatements[0].Restated || got.Restatements[0].SizeFrom != "checks" || math.Abs(got.Restatements[0].GetSize()-0.02) > 1e-4 || got.Restatements[0].StatedOtherwiseNow {
		t.Fatalf("restated: %v", got.Restatements)
	}
	if got.GetPeakWheelPowerW() != stated.GetPeakWheelPowerW() || got.GetPeakEnginePowerW() != stated.GetPeakEnginePowerW() {
		t.Error("restating changed what the pull states")
	}
	for _, f := range got.Restatements[0].Figures {
		if f.Figure == "wheel power" && f.Of == "peak" {
			// 2 % of the brake's share of the force.
			if share := -f.GetDifference() / f.Stated; f.Stated != stated.GetPeakWheelPowerW() || share < 0.01 || share > 0.02 || !(f.GetDifferenceExpandedUncertainty() > 0) || f.GetRestatedExpandedUncertainty() < f.GetDifferenceExpandedUncertainty() {
				t.Errorf("wheel power: %v", f)
			}
		}
	}
	// Again: a new version that names the old one.
	need(t, 0, []string{"restate", id, "--by", "Q. Moss", "--reason", "masses looked at again", "--server", s.grpc}, "version 2, ", "in place of version 1, "+got.Restatements[0].RestatementId)
	need(t, 0, []string{"flags", "--touched", "--server", s.grpc}, "restated", "version 2", "RESTATED", "by cause")
	need(t, 0, []string{"pull", pulls[0], "--server", s.grpc}, "restated     by flag "+id+", version 2, by Q. Moss", "masses looked at again", "put right by")
	page := s.get("/flags/" + id)
	for _, says := range []string{"<h2>Restated</h2>", "gain found 2", "It does not count any more.", "masses looked at again", "/undo-restatement", "flag restated by Q. Moss"} {
		if !strings.Contains(page, says) {
			t.Errorf("the flag's page does not say %q", says)
		}
	}
	keepPage(t, s, "/flags/"+id)
	if page := s.get("/pulls/" + pulls[1]); !strings.Contains(page, "Stated and restated") || !strings.Contains(page, "masses looked at again") {
		t.Error("the pull's page does not say by what it is restated")
	}
	if csv := s.get("/flags/" + id + "?chart=restated&format=csv"); !strings.Contains(csv, pulls[1]) || !strings.Contains(csv, "peak_wheel_power_restated_w") {
		t.Errorf("CSV: %s", csv)
	}

	// Everything computed anew: the same figures, the same restatements.
	need(t, 0, []string{"recompute", "--server", s.grpc})
	await(t, "recomputing", func() bool { f := flags(); return f != nil && pull(pulls[1]).PeakWheelPowerW != nil })
	if again := pull(pulls[1]); again.GetPeakWheelPowerW() != stated.GetPeakWheelPowerW() || len(again.Restatements) != 1 || again.Restatements[0].Version != 2 || again.Restatements[0].StatedOtherwiseNow {
		t.Errorf("after recomputing: %v", again.Restatements)
	}

	// Taken back by the page's form.
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := &http.Client{Jar: jar, Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}
	address := strings.TrimSuffix(s.pages, "/") + "/flags/" + id
	read := func(r *http.Response, err error) string {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		body, err := io.ReadAll(r.Body)
		if err != nil || r.StatusCode != http.StatusOK {
			t.Fatal(r.Status, err, string(body))
		}
		return string(body)
	}
	token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(read(browser.Get(address)))
	if token == nil {
		t.Fatal("no form")
	}
	after := read(browser.PostForm(address+"/undo-restatement", url.Values{"token": {token[1]}, "by": {"Q. Moss"}, "reason": {"the certificate was another cell's"}}))
	if !strings.Contains(after, "taken back by Q. Moss") || strings.Contains(after, "/undo-restatement") {
		t.Error("the page does not show that it is taken back")
	}
	if n := len(pull(pulls[1]).Restatements); n != 0 {
		t.Errorf("%d restatements count", n)
	}
	read(browser.PostForm(address+"/restate", url.Values{"token": {token[1]}, "by": {"Q. Moss"}, "reason": {"it was ours after all"}}))
	var versions []*pb.Restatement
	await(t, "the last restatement", func() bool {
		_, out, _ := s.run("restate", "list", id, "--json")
		list := &pb.ListRestatementsResponse{}
		if err := protojson.Unmarshal([]byte(out), list); err != nil {
			t.Fatal(err)
		}
		versions = list.Restatements
		return len(versions) == 4
	})
	for i, v := range versions {
		if v.Version != uint32(i+1) || v.InForce != (i == 3) || v.TakenBack != (i == 2) || i > 0 && v.Replaces != versions[i-1].RestatementId || v.RestatedBy != "Q. Moss" {
			t.Errorf("version %d: %v", i+1, v)
		}
	}
	// The same samples and sizes give the same figures, to the bit.
	figures := func(v *pb.Restatement) string {
		var out []any
		for _, p := range v.RestatedPulls {
			out = append(out, p.PullId, p.GetSize(), p.Figures)
		}
		b, err := json.Marshal(out)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if figures(versions[0]) != figures(versions[3]) || len(versions[0].RestatedPulls) < 2 {
		t.Errorf("restated the first time\n%s\nand the last\n%s", figures(versions[0]), figures(versions[3]))
	}
	conn.Close()
	s.stop()
}
