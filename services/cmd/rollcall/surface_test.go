package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"rollcall/agent/source/csvfolder"
	"rollcall/agent/source/simulator"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// messages takes what a source yields.
type messages struct {
	mu  sync.Mutex
	all []*pb.StreamRequest
}

func (m *messages) Append(_ context.Context, requests ...*pb.StreamRequest) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, r := range requests {
		m.all = append(m.all, proto.CloneOf(r))
	}
	return nil
}

// simulated returns the messages of a week of one of the demo's cells.
func simulated(t *testing.T, cell fleet.CellID) []*pb.StreamRequest {
	t.Helper()
	demo := filepath.Dir(demoRegistry)
	scenario, err := simulator.Load(filepath.Join(demo, "scenario.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	mapping, err := csvfolder.LoadMapping(filepath.Join(demo, "mapping.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if _, err := scenario.Write(dir, simulator.WriteOptions{Cell: cell, FromWeek: 1, ToWeek: 1}, nil); err != nil {
		t.Fatal(err)
	}
	c := csvfolder.DefaultConfig()
	c.Folder, c.Cell, c.Settle, c.Poll = dir, cell, 0, 100*time.Millisecond
	folder, err := csvfolder.New(c, mapping, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	into := &messages{}
	go func() { done <- folder.Run(ctx, into) }()
	await(t, "the folder", func() bool {
		left, err := filepath.Glob(filepath.Join(dir, "*.csv"))
		return err == nil && len(left) == 0
	})
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	return into.all
}

// customers makes a customer's pull of a record: the samples until a time of its
// own, announced as change says.
func customers(t *testing.T, record []*pb.StreamRequest, n int, until float64, change func(*pb.PullBegin)) (string, []*pb.StreamRequest) {
	t.Helper()
	id := fmt.Sprintf("%032x", n)
	var out []*pb.StreamRequest
	var sums []wire.BlockSum
	cell := ""
	for _, r := range record {
		switch body := r.Body.(type) {
		case *pb.StreamRequest_PullBegin:
			b := proto.CloneOf(body.PullBegin)
			b.PullId, b.CarId, b.Session, b.Label, b.CustomerCar = id, "", "", "", "red coupe"
			cell = b.CellId
			change(b)
			out = append(out, &pb.StreamRequest{Body: &pb.StreamRequest_PullBegin{PullBegin: b}})
		case *pb.StreamRequest_SampleBlock:
			b, err := wire.FromSampleBlock(body.SampleBlock)
			if err != nil {
				t.Fatal(err)
			}
			b.Pull = fleet.PullID(id)
			hi := b.Samples.Len()
			for hi > 0 && b.Start+float64(hi-1)*b.Step >= until {
				hi--
			}
			if hi == 0 {
				continue
			}
			if b.Samples.Counts != nil {
				b.Samples.Counts = b.Samples.Counts[:hi]
			} else {
				b.Samples.Values = b.Samples.Values[:hi]
			}
			b.CRC = wire.BlockCRC(wire.ToSampleBlock(b))
			sums = append(sums, b.Sum())
			out = append(out, &pb.StreamRequest{Body: &pb.StreamRequest_SampleBlock{SampleBlock: wire.ToSampleBlock(b)}})
		}
	}
	end := wire.ToPullEnd(wire.NewEnd(fleet.PullID(id), fleet.CellID(cell), sums))
	return id, append(out, &pb.StreamRequest{Body: &pb.StreamRequest_PullEnd{PullEnd: end}})
}

// send gives messages to the service as an agent does.
func send(t *testing.T, conn *grpc.ClientConn, cell string, all []*pb.StreamRequest) {
	t.Helper()
	stream, err := pb.NewIngestServiceClient(conn).Stream(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	hello := &pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: &pb.Hello{ContractVersion: wire.ContractVersion, CellId: cell, AgentVersion: "test", SentAt: timestamppb.Now()}}}
	for i, r := range append([]*pb.StreamRequest{hello}, all...) {
		r.Sequence = uint64(i)
		if err := stream.Send(r); err != nil {
			t.Fatal(err)
		}
		if answer, err := stream.Recv(); err != nil || answer.Code != pb.Code_CODE_OK {
			t.Fatalf("message %d: %v, %v", i, answer, err)
		}
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
}

// Through the whole service: a customer's car with a baseline pull and a later one
// without coast-down. The loss is carried on request and taken back, command line
// and page say so, and what is asked of the record besides is answered.
func TestCarriedLossThroughTheService(t *testing.T) {
	needEngine(t)
	s := start(t, "--data-dir", filepath.Join(t.TempDir(), "data"), "--fleet-delay", "20ms")
	s.apply(demoRegistry)
	all := simulated(t, "fen-1")
	var record, reference []*pb.StreamRequest
	car := ""
	for _, r := range all {
		if b := r.GetPullBegin(); b != nil && b.CarId != "" && b.Kind == pb.PullKind_PULL_KIND_PULL {
			car = b.CarId
			reference = append(reference, r)
		}
	}
	first := reference[0].GetPullBegin().PullId
	for _, r := range all {
		if r.GetPullBegin().GetPullId() == first || r.GetSampleBlock().GetPullId() == first {
			record = append(record, r)
		}
	}
	conn := s.dial()
	send(t, conn, "fen-1", all)
	pull := func(id string) map[string]any {
		t.Helper()
		var answer struct {
			Pull map[string]any `json:"pull"`
		}
		code, out, errs := s.run("pull", id, "--json")
		if code != 0 {
			t.Fatalf("pull %s: %d %s", id, code, errs)
		}
		if err := json.Unmarshal([]byte(out), &answer); err != nil {
			t.Fatal(err)
		}
		return answer.Pull
	}
	await(t, "the reference pull", func() bool {
		code, _, _ := s.run("pull", first)
		return code == 0 && pull(first)["state"] == "computed"
	})
	var sweeps struct {
		Sweeps []struct {
			Segments []struct {
				Kind  string  `json:"kind"`
				Start float64 `json:"start_s"`
			} `json:"segments"`
		} `json:"sweeps"`
	}
	_, out, _ := s.run("pull", first, "--json")
	if err := json.Unmarshal([]byte(out), &sweeps); err != nil || len(sweeps.Sweeps) != 1 {
		t.Fatalf("%d sweeps, %v", len(sweeps.Sweeps), err)
	}
	coast := 0.0
	for _, g := range sweeps.Sweeps[0].Segments {
		if g.Kind == "coast-down" {
			coast = g.Start
		}
	}
	if coast == 0 {
		t.Fatalf("no coast-down in %+v", sweeps)
	}
	at := reference[0].GetPullBegin().StartedAt.AsTime()
	announce := func(hours int) func(*pb.PullBegin) {
		return func(b *pb.PullBegin) {
			b.StartedAt = timestamppb.New(at.Add(time.Duration(hours) * time.Hour))
			b.RotatingMassKg, b.CoastingMassKg, b.SetUp, b.Charging = proto.Float64(46), proto.Float64(20), "road tyres", "turbo"
		}
	}
	baseline, whole := customers(t, record, 1, 1e9, announce(1))
	later, cut := customers(t, record, 2, coast-0.3, announce(2))
	send(t, conn, "fen-1", append(whole, cut...))
	await(t, "the customer's pulls", func() bool {
		code, _, _ := s.run("pull", later)
		return code == 0 && pull(later)["state"] == "computed" && pull(baseline)["state"] == "computed"
	})
	if got := pull(later); got["loss"] != "none" || got["peak_engine_power_w"] != nil {
		t.Errorf("before: %v", got)
	}
	if code, _, errs := s.run("loss", "carry", "--from", later, baseline, "--reason", "x", "--by", "Q. Moss"); code != 1 || !strings.Contains(errs, "has a coast-down of its own") && !strings.Contains(errs, "later pulls only") {
		t.Errorf("the wrong way round: %d %s", code, errs)
	}
	need(t, 0, []string{"loss", "carry", "--from", baseline, later, "--reason", "not moved between", "--by", "Q. Moss", "--server", s.grpc},
		"carried to 1 pull, signed by Q. Moss", "loss carried from pull "+baseline+" of "+at.Add(time.Hour).Format(time.DateOnly), "kW peak engine power ±")
	got, want := pull(later), pull(baseline)
	if got["loss"] != "carried" || got["loss_from_pull_id"] != baseline || want["loss"] != "measured" {
		t.Errorf("after: %v, %v", got["loss"], want["loss"])
	}
	a, _ := got["peak_engine_power_w"].(float64)
	b, _ := want["peak_engine_power_w"].(float64)
	if !(a > 1e5) || a/b-1 > 0.001 || a/b-1 < -0.001 {
		t.Errorf("engine power %v W carried, %v W measured", a, b)
	}
	for _, id := range []string{"/pulls/" + later} {
		page := s.get(id)
		for _, says := range []string{"carried from pull", `href="/pulls/` + baseline + `"`, "road tyres", "lift-off", "the engine is charged"} {
			if !strings.Contains(page, says) {
				t.Errorf("the page does not say %q", says)
			}
		}
		keepPage(t, s, id)
	}
	need(t, 0, []string{"curve", later, "--grid", "speed", "--server", s.grpc}, "sweep", "that of the figures above")
	need(t, 0, []string{"compare", "--before", baseline, "--after", later, "--server", s.grpc}, "driveline loss carried from pull "+baseline+" of")
	need(t, 0, []string{"repeat", baseline, later, "--server", s.grpc}, "2.8 sd", "mean of 2 pulls on fen-1")
	need(t, 0, []string{"repeat", "cell=fen-1,car=" + car, "--server", s.grpc}, "Peak corrected engine power")
	need(t, 0, []string{"recompute", "--server", s.grpc})
	await(t, "recomputing", func() bool { return pull(later)["peak_engine_power_w"] != nil })
	if again := pull(later); again["peak_engine_power_w"] != got["peak_engine_power_w"] || again["loss_note"] != got["loss_note"] {
		t.Errorf("recomputed: %v, %v; was %v", again["peak_engine_power_w"], again["loss_note"], got["peak_engine_power_w"])
	}
	need(t, 0, []string{"loss", "undo", later, "--reason", "tyres were changed", "--by", "Q. Moss", "--server", s.grpc}, "taken back, signed by Q. Moss", "engine power not stated; loss none")
	if got := pull(later); got["loss"] != "none" || got["peak_engine_power_w"] != nil {
		t.Errorf("taken back: %v", got)
	}
	conn.Close()
	s.stop()
}

// keepPage writes a page to the folder that ROLLCALL_PICTURES names, to be looked
// at.
func keepPage(t *testing.T, s *service, path string) {
	if dir := os.Getenv("ROLLCALL_PICTURES"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, strings.ReplaceAll(strings.Trim(path, "/"), "/", "-")+".html"), []byte(s.get(path)), 0o644); err != nil {
			t.Error(err)
		}
	}
}
