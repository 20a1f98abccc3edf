package reader

import (
	"context"
	"errors"
	"strings"
	"testing"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show/showtest"
)

func (a *admin) RestateFlag(_ context.Context, r *rollcallv1.RestateFlagRequest) (*rollcallv1.RestateFlagResponse, error) {
	a.restated = r
	return a.restatedAnswer, a.err
}

func (a *admin) UndoRestatement(_ context.Context, r *rollcallv1.UndoRestatementRequest) (*rollcallv1.UndoRestatementResponse, error) {
	a.restatementUndone = r
	return &rollcallv1.UndoRestatementResponse{RestatedBy: "M. Krause"}, a.err
}

// What the commands print of restatements, each golden.
func TestRestateGolden(t *testing.T) {
	d := open(t)
	d.fleet.Restate()
	d.admin.restatedAnswer = &rollcallv1.RestateFlagResponse{RestatedBy: "M. Krause", Restatement: d.fleet.Restated[1]}
	for file, line := range map[string]string{
		"restate.txt": "restate " + showtest.GainFlag + " --by M.Krause --reason checked", "restate-list.txt": "restate list", "restate-list.csv": "restate list " + showtest.GainFlag + " --csv",
		"flags-restated.txt": "flags --touched --cell fen-2", "pull-restated.txt": "pull " + showtest.PullID,
	} {
		out, _, err := d.run(strings.Fields(line)...)
		if err != nil {
			t.Fatal(line, err)
		}
		golden(t, file, out)
	}
	if r := d.admin.restated; r.GetFlagId() != showtest.GainFlag || r.GetRestatedBy() != "M.Krause" || r.GetReason() != "checked" {
		t.Errorf("asked for %v", r)
	}
}

func TestRestate(t *testing.T) {
	d := open(t)
	for _, line := range []string{"restate f --by x", "restate f --reason y", "restate f --undo --by x --reason ", "restate --by x --reason y"} {
		var usage *UsageError
		if _, _, err := d.run(strings.Split(line, " ")...); !errors.As(err, &usage) {
			t.Errorf("%s: %v", line, err)
		}
	}
	out, _, err := d.run("restate", "f", "--undo", "--by", "J. Dahl", "--reason", "masses mixed up")
	if err != nil || out != "restatement of flag f taken back, signed by M. Krause; it stays on record\n" || d.admin.restatementUndone.GetReason() != "masses mixed up" || d.admin.restated != nil {
		t.Errorf("%q, %v", out, err)
	}
	d.admin.restatedAnswer = &rollcallv1.RestateFlagResponse{RestatedBy: "M. Krause", Pending: true}
	if out, _, err := d.run("restate", "f", "--by", "a", "--reason", "b"); err != nil || !strings.Contains(out, "are being restated") {
		t.Errorf("%q, %v", out, err)
	}
	if _, _, err := d.run("restate", "list"); !errors.Is(err, ErrNothing) {
		t.Errorf("nothing restated: %v", err)
	}
	if _, _, err := d.run("restate", "list", "nowhere"); ExitCode(err) != ExitNothing {
		t.Errorf("unknown flag: %v", err)
	}
}
