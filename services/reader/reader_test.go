package reader

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"net"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show/showtest"
)

var update = flag.Bool("update", false, "write the golden files")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// admin answers with what it is told and remembers what it was asked.
type admin struct {
	rollcallv1.UnimplementedAdminServiceServer
	applied   *rollcallv1.ApplyRegistryRequest
	answer    *rollcallv1.ApplyRegistryResponse
	closed    *rollcallv1.CloseFlagRequest
	adopted   *rollcallv1.AdoptParasiticRequest
	carried   *rollcallv1.CarryLossRequest
	undone    *rollcallv1.UndoCarriedLossRequest
	signed    *rollcallv1.SignCertificateRequest
	corrected *rollcallv1.CorrectCertificateRequest
	restated  *rollcallv1.RestateFlagRequest

	restatedAnswer    *rollcallv1.RestateFlagResponse
	restatementUndone *rollcallv1.UndoRestatementRequest

	progress []*rollcallv1.RecomputeResponse
	err      error
}

func (a *admin) ApplyRegistry(_ context.Context, r *rollcallv1.ApplyRegistryRequest) (*rollcallv1.ApplyRegistryResponse, error) {
	a.applied = r
	return a.answer, a.err
}

func (a *admin) CloseFlag(_ context.Context, r *rollcallv1.CloseFlagRequest) (*rollcallv1.CloseFlagResponse, error) {
	a.closed = r
	return &rollcallv1.CloseFlagResponse{}, a.err
}

func (a *admin) AdoptParasitic(_ context.Context, r *rollcallv1.AdoptParasiticRequest) (*rollcallv1.AdoptParasiticResponse, error) {
	a.adopted = r
	return &rollcallv1.AdoptParasiticResponse{CellId: "fen-2", EffectiveAt: showtest.Day(40), F0N: 41.2, F1NSM: -0.1, F2NS2M2: 0.021}, a.err
}

func (a *admin) CarryLoss(_ context.Context, r *rollcallv1.CarryLossRequest) (*rollcallv1.CarryLossResponse, error) {
	a.carried = r
	return &rollcallv1.CarryLossResponse{DecidedBy: "M. Krause", FromStartedAt: showtest.Day(10)}, a.err
}

func (a *admin) UndoCarriedLoss(_ context.Context, r *rollcallv1.UndoCarriedLossRequest) (*rollcallv1.UndoCarriedLossResponse, error) {
	a.undone = r
	return &rollcallv1.UndoCarriedLossResponse{DecidedBy: "M. Krause"}, a.err
}

func (a *admin) Recompute(_ *rollcallv1.RecomputeRequest, stream grpc.ServerStreamingServer[rollcallv1.RecomputeResponse]) error {
	for _, p := range a.progress {
		if err := stream.Send(p); err != nil {
			return err
		}
	}
	return a.err
}

// desk is a real server on loopback and the commands that speak to it.
type desk struct {
	fleet *showtest.Fleet
	admin *admin
	dial  Dial
	// address is the server's.
	address string
}

func open(t *testing.T) *desk {
	t.Helper()
	d := &desk{fleet: showtest.Chain(), admin: &admin{}}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := grpc.NewServer()
	rollcallv1.RegisterFleetServiceServer(server, d.fleet)
	rollcallv1.RegisterAdminServiceServer(server, d.admin)
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	t.Cleanup(func() {
		server.Stop()
		if err := <-done; err != nil && !errors.Is(err, grpc.ErrServerStopped) {
			t.Error(err)
		}
	})
	d.address = listener.Addr().String()
	d.dial = func(context.Context) (grpc.ClientConnInterface, error) {
		return grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	}
	return d
}

// run runs one command line as main does.
func (d *desk) run(arguments ...string) (stdout, stderr string, err error) {
	a := &app{dial: d.dial, now: func() time.Time { return showtest.Now }}
	root := &cobra.Command{Use: "rollcall", SilenceErrors: true, SilenceUsage: true}
	root.AddCommand(a.commands()...)
	var out, problems bytes.Buffer
	root.SetOut(&out)
	root.SetErr(&problems)
	root.SetArgs(arguments)
	err = root.Execute()
	return out.String(), problems.String(), err
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", path, diff)
	}
}

func TestGolden(t *testing.T) {
	d := open(t)
	for name, line := range map[string]string{
		"cells.txt": "cells", "cells.csv": "cells --csv", "flags.txt": "flags", "flags-all.txt": "flags --closed --touched", "flags.csv": "flags --csv",
		"checks.txt": "checks", "checks.csv": "checks --csv", "pulls.txt": "pulls", "pulls.csv": "pulls --csv", "pull.txt": "pull " + showtest.PullID, "pull-unusable.txt": "pull " + showtest.BadPullID, "pull.csv": "pull --csv " + showtest.PullID, "pull-empty.txt": "pull " + showtest.EmptyID, "curve-empty.txt": "curve " + showtest.EmptyID,
		"curve.txt": "curve " + showtest.PullID, "curve-unusable.txt": "curve " + showtest.BadPullID, "curve.csv": "curve --csv " + showtest.PullID,
		"curve-speed.txt": "curve --grid speed --sweep 1 " + showtest.PullID,
		"repeat.txt":      "repeat " + showtest.PullID + " " + showtest.BadPullID, "repeat-across.txt": "repeat --across car=hazel,from=2026-06-01", "repeat.csv": "repeat --csv session=s1", "repeat.json": "repeat --json --across session=s1",
		"budget.txt": "budget " + showtest.PullID, "budget.csv": "budget --csv --rpm 6200 " + showtest.PullID,
		"compare.txt": "compare --before " + showtest.PullID + " --after cell=fen-2,label=after --points", "compare.csv": "compare --csv --before label=before --after label=after", "compare.json": "compare --json --before label=before --after label=after", "runs.txt": "runs", "report.txt": "report --site fen --week 2026-W26", "runs.csv": "runs --csv", "show.txt": "fleet show", "checks.json": "checks --json",
		"check.txt": "check " + showtest.DeadWeightID, "check.csv": "check --csv " + showtest.DeadWeightID, "check-inertia.txt": "check " + showtest.BaseInertiaID, "check-old.txt": "check " + strings.Repeat("b", 32), "check.json": "check --json " + showtest.DeadWeightID,
		"epochs.txt": "epochs fen-2", "epochs.csv": "epochs --csv fen-2", "parasitic.txt": "parasitic list", "parasitic.csv": "parasitic list --csv", "due.txt": "due", "due.csv": "due --csv",
		"equivalence.txt": "equivalence --site fen --pairs", "equivalence-all.txt": "equivalence", "equivalence.csv": "equivalence --csv", "equivalence-pairs.csv": "equivalence --csv --pairs --cell fen-2", "equivalence.json": "equivalence --json --site fen",
		"rotation.txt": "rotation --weeks 2", "rotation.csv": "rotation --csv",
	} {
		t.Run(name, func(t *testing.T) {
			out, problems, err := d.run(strings.Fields(line)...)
			if err != nil || problems != "" {
				t.Fatalf("error %v, %s", err, problems)
			}
			golden(t, name, out)
			if strings.HasSuffix(name, ".csv") {
				rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
				if err != nil || len(rows) < 2 {
					t.Errorf("%d rows of CSV, error %v", len(rows), err)
				}
			}
		})
	}
}

// JSON is one document with the names of the wire that holds the very message
// the service sent.
func TestJSONIsTheMessage(t *testing.T) {
	d := open(t)
	ctx := context.Background()
	must := func(m proto.Message, err error) proto.Message {
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	for line, want := range map[string]proto.Message{
		"cells --json":                           must(d.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{})),
		"flags --json":                           must(d.fleet.ListFlags(ctx, &rollcallv1.ListFlagsRequest{})),
		"checks --json":                          must(d.fleet.ListChecks(ctx, &rollcallv1.ListChecksRequest{})),
		"runs --json":                            must(d.fleet.ListRuns(ctx, &rollcallv1.ListRunsRequest{})),
		"epochs --json fen-2":                    must(d.fleet.ListEpochs(ctx, &rollcallv1.ListEpochsRequest{Filter: &rollcallv1.Filter{CellId: "fen-2"}})),
		"parasitic list --json":                  must(d.fleet.ListParasitics(ctx, &rollcallv1.ListParasiticsRequest{})),
		"due --json":                             must(d.fleet.ListDue(ctx, &rollcallv1.ListDueRequest{})),
		"check --json " + showtest.BaseInertiaID: must(d.fleet.GetCheck(ctx, &rollcallv1.GetCheckRequest{CheckId: showtest.BaseInertiaID})),
		"pulls --json":                           must(d.fleet.ListPulls(ctx, &rollcallv1.ListPullsRequest{})),
		"pull --json " + showtest.PullID:         must(d.fleet.GetPull(ctx, &rollcallv1.GetPullRequest{PullId: showtest.PullID, WithSweeps: true})),
		"curve --json " + showtest.PullID:        must(d.fleet.GetCurve(ctx, &rollcallv1.GetCurveRequest{PullId: showtest.PullID})),
	} {
		out, _, err := d.run(strings.Fields(line)...)
		if err != nil {
			t.Errorf("%s: %v", line, err)
			continue
		}
		if !json.Valid([]byte(out)) || !strings.Contains(out, `_id": "`) {
			t.Errorf("%s: not JSON with names of the wire: %.200s", line, out)
		}
		got := want.ProtoReflect().New().Interface()
		if err := protojson.Unmarshal([]byte(out), got); err != nil {
			t.Errorf("%s: %v", line, err)
		}
		if !proto.Equal(want, got) {
			t.Errorf("%s: the document is not the message:\n%s", line, out)
		}
	}
}

// Adopting a loss is asked for with reason, name and moment, and only with all.
func TestAdoptParasitic(t *testing.T) {
	d := open(t)
	for line, want := range map[string]string{
		"parasitic adopt " + showtest.EmptyID:                                    "both --reason and --by",
		"parasitic adopt " + showtest.EmptyID + " --by x":                        "both --reason and --by",
		"parasitic adopt " + showtest.EmptyID + " --by x --reason y --from soon": "not a time",
		"parasitic adopt --by x --reason y":                                      "see `rollcall parasitic adopt --help`",
		"parasitic":                                                              "list or adopt",
	} {
		if _, _, err := d.run(strings.Fields(line)...); ExitCode(err) != ExitUsage || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", line, err, want)
		}
	}
	if d.admin.adopted != nil {
		t.Fatal("something was adopted")
	}
	out, _, err := d.run("parasitic", "adopt", showtest.EmptyID, "--by", "M. Krause", "--reason", "new bearings", "--from", "2026-05-01")
	if err != nil || !strings.Contains(out, "fen-2 is 41.2 N + −0.1 N·s/m · v + 0.021 N·s²/m² · v² from 2026-05-20 09:30 UTC on") {
		t.Errorf("%q, %v", out, err)
	}
	want := &rollcallv1.AdoptParasiticRequest{PullId: showtest.EmptyID, Reason: "new bearings", AdoptedBy: "M. Krause", EffectiveAt: timestamppb.New(time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC))}
	if !proto.Equal(want, d.admin.adopted) {
		t.Errorf("asked %v, want %v", d.admin.adopted, want)
	}
	d.admin.err = status.Error(codes.NotFound, "no coast-down")
	if _, _, err := d.run("parasitic", "adopt", showtest.EmptyID, "--by", "x", "--reason", "y"); ExitCode(err) != ExitNothing {
		t.Errorf("exit %d, %v", ExitCode(err), err)
	}
}

func TestFilters(t *testing.T) {
	d := open(t)
	day := func(y int, m time.Month, dd int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(y, m, dd, 0, 0, 0, 0, time.UTC))
	}
	for _, c := range []struct {
		line string
		want *rollcallv1.Filter
	}{
		{"cells", &rollcallv1.Filter{}},
		{"cells --site fen", &rollcallv1.Filter{SiteId: "fen"}},
		{"checks --cell fen-2 --limit 1", &rollcallv1.Filter{CellId: "fen-2", Limit: 1}},
		{"runs --car hazel --from 2026-03-01 --until 2026-04-01", &rollcallv1.Filter{CarId: "hazel", From: day(2026, 3, 1), Until: day(2026, 4, 1)}},
		{"pulls --from 7d", &rollcallv1.Filter{From: timestamppb.New(showtest.Now.AddDate(0, 0, -7))}},
		{"pulls --from 2w --until 12h", &rollcallv1.Filter{From: timestamppb.New(showtest.Now.AddDate(0, 0, -14)), Until: timestamppb.New(showtest.Now.Add(-12 * time.Hour))}},
		{"pulls --from 2026-03-01T08:00:00+02:00", &rollcallv1.Filter{From: timestamppb.New(time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC))}},
	} {
		if _, _, err := d.run(strings.Fields(c.line)...); err != nil {
			t.Errorf("%s: %v", c.line, err)
		}
		if !proto.Equal(d.fleet.LastFilter(), c.want) {
			t.Errorf("%s: filter %v, want %v", c.line, d.fleet.LastFilter(), c.want)
		}
	}
	if _, _, err := d.run("fleet", "show", "--at", "2026-03-01"); err != nil || !proto.Equal(d.fleet.RegistryAt, day(2026, 3, 1)) {
		t.Errorf("registry at %v, error %v", d.fleet.RegistryAt, err)
	}
}

func TestExitCodes(t *testing.T) {
	file := filepath.Join(t.TempDir(), "fleet.yaml")
	if err := os.WriteFile(file, []byte("sites:\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	away := func(context.Context) (grpc.ClientConnInterface, error) {
		// Port 1 of loopback refuses.
		return grpc.NewClient("127.0.0.1:1", grpc.WithTransportCredentials(insecure.NewCredentials()))
	}
	hang := func(ctx context.Context) (grpc.ClientConnInterface, error) {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	for _, c := range []struct {
		name, line string
		prepare    func(*desk)
		code       int
		says       string
	}{
		{"done", "cells", nil, ExitOK, ""},
		{"unknown flag", "cells --sight x", nil, ExitUsage, "unknown flag"},
		{"argument too many", "cells fen", nil, ExitUsage, "unknown command"},
		{"no id", "pull", nil, ExitUsage, "accepts 1 arg"},
		{"bad time", "cells --from yesterday", nil, ExitUsage, `--from: "yesterday" is not a time; write 2026-03-01`},
		{"times crossed", "cells --from 2026-04-01 --until 2026-03-01", nil, ExitUsage, "is not before"},
		{"both formats", "cells --json --csv", nil, ExitUsage, "json"},
		{"bad limit", "cells --limit -1", nil, ExitUsage, "limit"},
		{"fleet alone", "fleet", nil, ExitUsage, "`rollcall fleet show`"},
		{"unsigned", "flags close 00 --reason x", nil, ExitUsage, "both --reason and --by"},
		{"no file", "fleet apply /nowhere/fleet.yaml", nil, ExitError, "/nowhere/fleet.yaml"},
		{"nothing", "cells --cell none", nil, ExitNothing, "no cell here"},
		{"nothing, for programs", "cells --json --cell none", nil, ExitNothing, "no cell here"},
		{"unknown pull", "pull 00", nil, ExitNothing, "there is no pull 00"},
		{"before the registry", "fleet show --at 2026-01-01", func(d *desk) { d.fleet.YAML = "" }, ExitNothing, "nothing had taken effect in the registry by 2026-01-01 00:00 UTC"},
		{"empty registry", "fleet show", func(d *desk) { d.fleet.YAML = "" }, ExitNothing, "fleet apply FILE"},
		{"refused", "cells", func(d *desk) { d.fleet.Err = status.Error(codes.PermissionDenied, "viewers only") }, ExitError, "you may not do this: viewers only"},
		{"broken", "cells", func(d *desk) { d.fleet.Err = status.Error(codes.Internal, "internal error 4711") }, ExitError, "internal error 4711"},
		{"store away", "cells", func(d *desk) { d.fleet.Err = status.Error(codes.Unavailable, "store away") }, ExitUnreachable, "not reachable: store away"},
		{"service away", "cells", func(d *desk) { d.dial = away }, ExitUnreachable, "is `rollcall serve` running"},
		{"report of no week", "report --week 2026-W60", nil, ExitUsage, "weeks 1 to 52"},
		{"report of a week to come", "report --week 2027-W01", nil, ExitNothing, "has not begun"},
		{"report of no site", "report --site bath --week 2026-W26", nil, ExitNothing, "no such site"},
		{"acknowledged without a name", "flags acknowledge 00 --reason x", nil, ExitUsage, "give both --reason and --by"},
		{"comparison without sets", "compare", nil, ExitUsage, "--before: a set of pulls is needed"},
		{"comparison with one set", "compare --before label=x", nil, ExitUsage, "--after: a set of pulls is needed"},
		{"comparison by an unknown key", "compare --before cellar=x --after label=x", nil, ExitUsage, `"cellar" is no key; the keys are cell, site, car, customer`},
		{"comparison by two labels", "compare --before label=x,label=y --after label=x", nil, ExitUsage, "label is there twice"},
		{"comparison by no value", "compare --before label= --after label=x", nil, ExitUsage, "label= has no value"},
		{"comparison with a gap", "compare --before a,,b --after label=x", nil, ExitUsage, "nothing between two commas"},
		{"comparison both ways", "compare --before 00,label=x --after label=x", nil, ExitUsage, "mixes ids and keys"},
		{"comparison at a bad time", "compare --before from=then --after label=x", nil, ExitUsage, `--before: --from: "then" is not a time`},
		{"comparison of a bad gain", "compare --before label=x --after label=y --gain -1", nil, ExitUsage, "no gain in percent"},
		{"comparison of a bad power", "compare --before label=x --after label=y --power 100", nil, ExitUsage, "no probability in percent"},
		{"comparison of an unknown pull", "compare --before 00 --after label=x", nil, ExitNothing, "there is no pull 00"},
		{"comparison refused", "compare --before label=x --after label=y", func(d *desk) {
			d.fleet.Err = status.Error(codes.InvalidArgument, "the pulls are of different cars")
		}, ExitError, "the pulls are of different cars"},
		{"no answer", "cells --timeout 10ms", func(d *desk) { d.dial = hang }, ExitUnreachable, "deadline"},
		{"problems", "fleet apply " + file, func(d *desk) {
			d.admin.answer = &rollcallv1.ApplyRegistryResponse{Problems: []*rollcallv1.RegistryProblem{{What: "w", Mend: "m"}}}
		}, ExitError, "nothing was applied"},
		{"flag unknown", "flags close 00 --reason x --by y", func(d *desk) { d.admin.err = status.Error(codes.NotFound, "there is no flag 00") }, ExitNothing, "no flag 00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := open(t)
			if c.prepare != nil {
				c.prepare(d)
			}
			_, _, err := d.run(strings.Fields(c.line)...)
			if got := ExitCode(err); got != c.code {
				t.Errorf("exit %d (%v), want %d", got, err, c.code)
			}
			if c.says != "" && (err == nil || !strings.Contains(Explain(err), c.says)) {
				t.Errorf("says %v, want %q", err, c.says)
			}
		})
	}
	if got := ExitCode(fmt.Errorf("outer: %w", &UsageError{errors.New("inner")})); got != ExitUsage {
		t.Errorf("a wrapped usage error exits %d", got)
	}
}

// A program gets a whole document and the exit code also when nothing is there.
func TestNothingIsStillADocument(t *testing.T) {
	d := open(t)
	out, _, _ := d.run("cells", "--json", "--cell", "none")
	if want := "{\n  \"cells\": []\n}\n"; out != want {
		t.Errorf("JSON %q, want %q", out, want)
	}
	out, _, _ = d.run("cells", "--csv", "--cell", "none")
	if !strings.HasPrefix(out, "cell_id,") || strings.Count(out, "\n") != 1 {
		t.Errorf("CSV %q", out)
	}
}

func TestApply(t *testing.T) {
	d := open(t)
	file := filepath.Join(t.TempDir(), "fleet.yaml")
	if err := os.WriteFile(file, []byte("sites: {}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	d.admin.answer = &rollcallv1.ApplyRegistryResponse{Changes: []*rollcallv1.RegistryChange{
		{Kind: "cell", Id: "fen-2", Change: "changed", Detail: "lever_arm_m: 0.35 → 0.36"}, {Kind: "car", Id: "hazel", Change: "added"}, {Kind: "site", Id: "fen", Change: "unchanged"}, {Kind: "cell", Id: "fen-1", Change: "unchanged", Detail: "until 2026-09-01, from when another version holds"}}}
	out, problems, err := d.run("fleet", "apply", file, "--by", "A. Meister", "--dry-run")
	if err != nil || problems != "" {
		t.Fatal(err, problems)
	}
	want := "KIND  ID     CHANGE     DETAIL\ncell  fen-2  changed    lever_arm_m: 0.35 → 0.36\ncar   hazel  added      –\ncell  fen-1  unchanged  until 2026-09-01, from when another version holds\n2 entries would change; nothing was applied (--dry-run), 2 unchanged\n"
	if out != want {
		t.Errorf("got\n%swant\n%s", out, want)
	}
	if r := d.admin.applied; !r.GetDryRun() || r.GetAppliedBy() != "A. Meister" || r.GetFileName() != file || string(r.GetYaml()) != "sites: {}\n" {
		t.Errorf("asked for %v", r)
	}

	d.admin.answer = &rollcallv1.ApplyRegistryResponse{Problems: []*rollcallv1.RegistryProblem{
		{FileName: "fleet.yaml", Line: 7, What: `cell "fen-2": lever_arm_m is 0`, Mend: "write the distance"}, {FileName: "fleet.yaml", What: "the file is empty\x1b[31m", Mend: "start"}}}
	out, problems, err = d.run("fleet", "apply", file)
	if want := "fleet.yaml:7: cell \"fen-2\": lever_arm_m is 0 — write the distance\nfleet.yaml: the file is empty�[31m — start\n"; problems != want || out != "" || !errors.Is(err, ErrProblems) {
		t.Errorf("out %q, error %v, problems\n%swant\n%s", out, err, problems, want)
	}
	if d.admin.applied.GetAppliedBy() == "" {
		t.Error("nobody applied it")
	}
}

func TestCloseFlag(t *testing.T) {
	d := open(t)
	out, _, err := d.run("flags", "close", showtest.GainFlag, "--by", "M. Krause", "--reason", "load cell replaced")
	// The fleet still shows the flag open.
	if err != nil || out != "flag "+showtest.GainFlag+" has a signed closing; it shows closed as soon as the fleet has been compared anew\n" {
		t.Errorf("%q %v", out, err)
	}
	if want := (&rollcallv1.CloseFlagRequest{FlagId: showtest.GainFlag, Reason: "load cell replaced", ClosedBy: "M. Krause"}); !proto.Equal(d.admin.closed, want) {
		t.Errorf("asked for %v, want %v", d.admin.closed, want)
	}
	for by, want := range map[string]string{"M. Krause": "is closed, signed by M. Krause\n", "somebody": "is closed, signed by M. Krause: the name of the certificate, not that of --by\n"} {
		out, _, err = d.run("flags", "close", showtest.ClosedFlag, "--by", by, "--reason", "x")
		if err != nil || out != "flag "+showtest.ClosedFlag+" "+want {
			t.Errorf("by %s: %q %v", by, out, err)
		}
	}
}

// A list that was cut off says so beside the rows, not among them.
func TestMoreExist(t *testing.T) {
	d := open(t)
	for _, line := range []string{"pulls", "pulls --csv", "pulls --json"} {
		for _, more := range []bool{false, true} {
			d.fleet.More = more
			out, beside, err := d.run(strings.Fields(line)...)
			want := ""
			if more {
				want = "the newest 3 are shown, more exist: raise --limit, or narrow with --from and --until\n"
			}
			if err != nil || beside != want || strings.Contains(out, "more exist") {
				t.Errorf("%s, more %v: beside %q, error %v", line, more, beside, err)
			}
		}
	}
}

// TLS on one side only is named, whichever side it is. The messages are those
// of grpc-go 1.85 and crypto/tls.
func TestExplainTLS(t *testing.T) {
	d := open(t)
	_, _, err := d.run("cells")
	if err != nil {
		t.Fatal(err)
	}
	address := d.address
	d.dial = func(context.Context) (grpc.ClientConnInterface, error) {
		return grpc.NewClient(address, grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{MinVersion: tls.VersionTLS13})))
	}
	if _, _, err = d.run("cells"); ExitCode(err) != ExitUnreachable || !strings.Contains(Explain(err), "leave --cert-file, --key-file and --ca-file away") {
		t.Errorf("with TLS to a service without: %v", Explain(err))
	}
	certificate := httptest.NewUnstartedServer(nil)
	certificate.StartTLS()
	defer certificate.Close()
	d.dial = func(context.Context) (grpc.ClientConnInterface, error) {
		return grpc.NewClient(certificate.Listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	}
	if _, _, err = d.run("cells"); ExitCode(err) != ExitUnreachable || !strings.Contains(Explain(err), "it may want TLS") {
		t.Errorf("without TLS to a service with it: %v", Explain(err))
	}
}

func TestRecompute(t *testing.T) {
	d := open(t)
	d.admin.progress = []*rollcallv1.RecomputeResponse{{Stage: "pulls", Done: 1, Total: 9}, {Stage: "pulls", Done: 9, Total: 9}, {Stage: "runs", Done: 4, Total: 4}}
	out, progress, err := d.run("recompute")
	if err != nil || out != "everything is recomputed\n" || progress != "pulls: 9 of 9\nruns: 4 of 4\n" {
		t.Errorf("out %q, progress %q, error %v", out, progress, err)
	}
	d.admin.err = status.Error(codes.Unavailable, "engine gone")
	if out, _, err = d.run("recompute"); ExitCode(err) != ExitUnreachable || out != "" {
		t.Errorf("out %q, error %v", out, err)
	}
}

func TestHelpNamesExitCodes(t *testing.T) {
	d := open(t)
	for _, c := range []string{"cells", "flags", "flags acknowledge", "flags close", "report", "checks", "pulls", "pull", "curve", "compare", "runs", "fleet", "fleet show", "fleet apply", "recompute"} {
		out, _, err := d.run(append(strings.Fields(c), "--help")...)
		if err != nil || !strings.Contains(out, "3 nothing found") {
			t.Errorf("%s: %v\n%s", c, err, out)
		}
	}
}

// What is asked for on the command line arrives in SI.
func TestCompareRequest(t *testing.T) {
	d := open(t)
	if _, _, err := d.run("compare", "--before", "cell=fen-2, customer=red coupe 3.2,session=week 3,from=2026-03-01,until=7d", "--after", showtest.PullID+", "+showtest.BadPullID, "--figure", "engine torque", "--gain", "1.5", "--power", "80", "--any-car"); err != nil {
		t.Fatal(err)
	}
	gain, power := 0.015, 0.8
	want := &rollcallv1.ComparePullsRequest{
		Before: &rollcallv1.PullSet{Filter: &rollcallv1.Filter{CellId: "fen-2", From: timestamppb.New(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)), Until: timestamppb.New(showtest.Now.AddDate(0, 0, -7))}, CustomerCar: "red coupe 3.2", Session: "week 3"},
		After:  &rollcallv1.PullSet{PullIds: []string{showtest.PullID, showtest.BadPullID}},
		Figure: "engine torque", Gain: &gain, Power: &power, AnyCar: true,
	}
	if !proto.Equal(d.fleet.Compared, want) {
		t.Errorf("asked for %v, want %v", d.fleet.Compared, want)
	}
}
