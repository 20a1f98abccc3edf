package main

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"rollcall/agent/source/csvfolder"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/certificate"
	"rollcall/services/wire"
)

// fromFile is what an agent read from a file.
type fromFile []*pb.StreamRequest

func (k *fromFile) Append(_ context.Context, r ...*pb.StreamRequest) error {
	*k = append(*k, r...)
	return nil
}

// The whole way of a check: the list is printed, filled in, read by an agent's
// mapping, sent, judged, signed, shown, corrected.
func TestCertificateWay(t *testing.T) {
	needEngine(t)
	s := start(t, "--data-dir", filepath.Join(t.TempDir(), "data"), "--issuer", "Fenland Dyno Chain, 1 Sluice Road")
	defer s.stop()
	s.apply(demoRegistry)
	need(t, 0, []string{"checklist", "fen-2", "--server", s.grpc}, "CHECK LIST, load cell of Fenwater 2 (fen-2), Fenwater", "rollers locked", "read ____________ N")
	need(t, 3, []string{"checklist", "nowhere-9", "--server", s.grpc}, "not in the registry")
	need(t, 3, []string{"certificate", "list", "--server", s.grpc}, "no certificate here")
	code, file, errs := s.run("checklist", "fen-2", "--csv", "--server", s.grpc)
	if code != 0 {
		t.Fatal(errs)
	}
	conn := s.dial()
	defer conn.Close()
	list, err := pb.NewFleetServiceClient(conn).GetCheckList(t.Context(), &pb.GetCheckListRequest{CellId: "fen-2"})
	if err != nil {
		t.Fatal(err)
	}
	var loads []float64
	for _, step := range list.Steps {
		if step.Reads {
			loads = append(loads, step.LoadN)
		}
	}
	mapping := writeFile(t, "mapping.yaml", need(t, 0, []string{"checklist", "--mapping"}, "calibration check"))
	m, err := csvfolder.LoadMapping(mapping)
	if err != nil {
		t.Fatal(err)
	}
	stream, err := pb.NewIngestServiceClient(conn).Stream(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(&pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: &pb.Hello{ContractVersion: wire.ContractVersion, CellId: "fen-2", AgentVersion: "test", SentAt: timestamppb.Now()}}}); err != nil {
		t.Fatal(err)
	}
	if answer, err := stream.Recv(); err != nil || answer.Code != pb.Code_CODE_OK {
		t.Fatalf("hello: %v, %v", answer, err)
	}
	// send fills the file in for a load cell with this gain error and sends what
	// the agent makes of it. It returns the check's id.
	sequence := uint64(0)
	send := func(state, at string, gain float64, leaveOut int) string {
		t.Helper()
		text := strings.NewReplacer("State: as found", "State: "+state, "Performed by:", "Performed by: A. Ferris", "Air pressure hPa:", "Air pressure hPa: 1012", "Air temperature °C:", "Air temperature °C: 20.5", "Humidity %:", "Humidity %: 48").Replace(file)
		lines := strings.Split(text, "\n")
		n := 0
		for i, line := range lines {
			switch {
			case strings.HasPrefix(line, "Started:"):
				lines[i] = "Started: " + at
			case strings.Count(line, ",") == 6 && strings.HasSuffix(line, ","):
				if n != leaveOut {
					lines[i] = line + strconv.FormatFloat((1+gain)*loads[n]+0.3*math.Sin(float64(5*n)), 'f', 2, 64)
				}
				n++
			}
		}
		var sent fromFile
		if err := m.Take(t.Context(), "check.csv", strings.NewReader(strings.Join(lines, "\n")), "fen-2", "test", &sent); err != nil {
			t.Fatal(err)
		}
		for _, r := range sent {
			sequence++
			r.Sequence = sequence
			if err := stream.Send(r); err != nil {
				t.Fatal(err)
			}
			if answer, err := stream.Recv(); err != nil || answer.Code != pb.Code_CODE_OK {
				t.Fatalf("the check: %v, %v", answer, err)
			}
		}
		return sent[0].GetCalibrationCheck().GetCheckId()
	}
	day := time.Now().UTC().AddDate(0, 0, -1).Format(time.DateOnly)
	before := time.Now().UTC().AddDate(0, 0, -3).Format(time.DateOnly)
	broken := send("as found", before+" 09:00:00.0", 0, 7)
	found := send("as found", day+" 09:00:00.0", 0.011, -1)
	left := send("as left", day+" 10:30:00.0", 0.0002, -1)

	need(t, 1, []string{"certificate", "sign", broken, "--by", "M. Krause", "--server", s.grpc}, "gets no certificate, because it cannot be judged", "has no value")
	out := need(t, 0, []string{"certificate", "sign", found, "--by", "M. Krause", "--customer", "Harow Tuning", "--server", s.grpc}, "is signed by M. Krause")
	number := strings.Fields(out)[1]
	if want := "fen-2-" + strconv.Itoa(time.Now().UTC().Year()) + "-0001"; number != want {
		t.Errorf("number %s, want %s", number, want)
	}
	need(t, 1, []string{"certificate", "sign", left, "--by", "M. Krause", "--server", s.grpc}, "has its certificate already: "+number)
	need(t, 0, []string{"certificate", "list", "--server", s.grpc}, number, "in force")
	need(t, 0, []string{"certificate", "show", number, "--server", s.grpc}, "Fenland Dyno Chain, 1 Sluice Road", "Results as found", "Results as left", "K", "End of certificate "+number+", version 1.")
	need(t, 2, []string{"certificate", "correct", number, "--server", s.grpc}, "give --reason")
	need(t, 0, []string{"certificate", "correct", number, "--by", "M. Krause", "--reason", "the customer's name was misspelt", "--customer", "Harrow Tuning", "--server", s.grpc}, "version 2")
	need(t, 0, []string{"certificate", "show", number, "--version", "1", "--server", s.grpc}, "NOT IN FORCE, replaced by version 2: the customer's name was misspelt", "Harow Tuning")
	need(t, 3, []string{"certificate", "show", number, "--version", "9", "--server", s.grpc}, "no version 9")
	pdf := filepath.Join(t.TempDir(), "c.pdf")
	need(t, 0, []string{"certificate", "pdf", number, "--out", pdf, "--server", s.grpc})
	need(t, 1, []string{"certificate", "pdf", number, "--out", pdf, "--server", s.grpc}, "exists")
	written, err := os.ReadFile(pdf)
	if err != nil {
		t.Fatal(err)
	}
	if page := s.get("/certificates/" + number + ".pdf"); page != string(written) {
		t.Error("the page's PDF is not that of the command")
	}
	text := need(t, 0, []string{"certificate", "json", number, "--server", s.grpc})
	var d certificate.Document
	if err := json.Unmarshal([]byte(text), &d); err != nil {
		t.Fatal(err)
	}
	if d.Version != 2 || d.Customer != "Harrow Tuning" || len(d.Checks) != 2 || d.Checks[0].Verdict != "fail" || d.Checks[1].Verdict != "pass" || len(d.Masses) == 0 || d.Masses[0].Certificate == "" {
		t.Errorf("the JSON says %+v", d)
	}
	if dir := os.Getenv("ROLLCALL_CERTIFICATES"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, "way.pdf"), written, 0o600); err != nil {
			t.Error(err)
		}
	}
	// The gain error that was put in is found, within its U.
	for _, r := range d.Checks[0].Results {
		if r.Name == "gain error" && !(r.U != nil && math.Abs(r.Value-0.011) < *r.U) {
			t.Errorf("gain error %v, 0.011 was put in", r.Value)
		}
	}
	for path, want := range map[string]string{"/certificates": number, "/cells/fen-2": "/certificates/" + number + "/2", "/certificates/" + number + "/1": "Not in force.", "/cells/fen-2/checklist": "Check list", "/cells/fen-2/checklist.csv": "calibration check"} {
		if page := s.get(path); !strings.Contains(page, want) {
			t.Errorf("%s does not have %q", path, want)
		}
	}
}
