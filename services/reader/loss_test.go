package reader

import (
	"errors"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show/showtest"
)

// The commands send what was asked for, name who signed, and say how the pull
// stands then.
func TestLossCommands(t *testing.T) {
	d := open(t)
	out, _, err := d.run("loss", "carry", "--from", showtest.BaselineID, showtest.PullID, "--reason", "not moved between", "--by", "J. Dahl")
	if err != nil {
		t.Fatal(err)
	}
	want := &rollcallv1.CarryLossRequest{FromPullId: showtest.BaselineID, PullIds: []string{showtest.PullID}, Reason: "not moved between", DecidedBy: "J. Dahl"}
	if !proto.Equal(d.admin.carried, want) {
		t.Errorf("asked for %v, want %v", d.admin.carried, want)
	}
	for _, says := range []string{"loss of pull " + showtest.BaselineID + " of 2026-06-19 09:30 UTC carried to 1 pull, signed by M. Krause", "203.40 kW peak engine power ± 2.60 kW", "loss carried from pull " + showtest.BaselineID + " of 2026-06-19"} {
		if !strings.Contains(out, says) {
			t.Errorf("%q does not say %q", out, says)
		}
	}
	out, _, err = d.run("loss", "undo", showtest.PullID, "--reason", "tyres were changed")
	if err != nil || !strings.Contains(out, "carried loss of 1 pull taken back, signed by M. Krause") {
		t.Errorf("%q, %v", out, err)
	}
	if want := (&rollcallv1.UndoCarriedLossRequest{PullIds: []string{showtest.PullID}, Reason: "tyres were changed"}); !proto.Equal(d.admin.undone, want) {
		t.Errorf("asked for %v, want %v", d.admin.undone, want)
	}
	for _, line := range [][]string{
		{"loss", "carry", showtest.PullID, "--reason", "x"}, {"loss", "carry", showtest.PullID, "--from", showtest.BaselineID},
		{"loss", "carry", "--from", showtest.BaselineID, "--reason", "x"}, {"loss", "undo", showtest.PullID}, {"loss", "undo", "--reason", "x"},
	} {
		var usage *UsageError
		if _, _, err := d.run(line...); !errors.As(err, &usage) {
			t.Errorf("%v: %v, want wrong use", line, err)
		}
	}
	d.admin.err = status.Error(codes.InvalidArgument, "pull_ids: has a coast-down of its own")
	if out, _, err := d.run("loss", "carry", "--from", showtest.BaselineID, showtest.PullID, "--reason", "x"); ExitCode(err) != ExitError || out != "" {
		t.Errorf("refused: %q, %v", out, err)
	}
}

// A set of pulls is written as for a comparison; what cannot be read is wrong use.
func TestRepeatAsksFor(t *testing.T) {
	d := open(t)
	if _, _, err := d.run("repeat", "cell=fen-2,session=s1", "customer=red coupe", "--figure", "wheel power"); err != nil {
		t.Fatal(err)
	}
	want := &rollcallv1.GetRepeatabilityRequest{Pulls: &rollcallv1.PullSet{Filter: &rollcallv1.Filter{CellId: "fen-2"}, Session: "s1", CustomerCar: "red coupe"}, Figure: "wheel power"}
	if !proto.Equal(d.fleet.Repeated, want) {
		t.Errorf("asked for %v, want %v", d.fleet.Repeated, want)
	}
	for _, line := range [][]string{{"repeat"}, {"repeat", "colour=red"}, {"repeat", "--json", "--csv", "session=s1"}} {
		var usage *UsageError
		if _, _, err := d.run(line...); !errors.As(err, &usage) {
			t.Errorf("%v: %v, want wrong use", line, err)
		}
	}
	if _, _, err := d.run("repeat", strings.Repeat("0", 32)); ExitCode(err) != ExitNothing {
		t.Errorf("an unknown pull: %v", err)
	}
}
