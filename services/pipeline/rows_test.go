package pipeline

import (
	"fmt"
	"reflect"
	"testing"
	"time"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/coastdown"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// The expected reasons are written by hand.
func TestPlain(t *testing.T) {
	for _, c := range []struct{ reason, want string }{
		{fmt.Errorf("%w: %s is not logged", powercurve.ErrChannel, fleet.RollerSpeed).Error(), "a channel that is needed is missing: roller_speed is not logged"},
		{fmt.Errorf("fit coast-down of empty rollers: %w", fmt.Errorf("coastdown: 3 samples: %w", fmt.Errorf("channel: few"))).Error(), "fit coast-down of empty rollers: 3 samples: few"},
		{"the coast-down of 0.4 s cannot be used (coastdown: too short): let the car roll out longer", "the coast-down of 0.4 s cannot be used (too short): let the car roll out longer"},
		{"powercurve: channel: x", "x"},
		{"read channel load_cell: gap; drift: 2", "read channel load_cell: gap; 2"},
		{"parasitic loss: 3 N", "parasitic loss: 3 N"},
		{"", ""},
	} {
		if got := plain(c.reason); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// A run is read back from its row as it was, its speed ratios too; one of a row of
// before has none.
func TestRunOfItsRow(t *testing.T) {
	at := time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)
	run := refrun.Run{
		ID: "r", Site: "fen", Cell: "fen-1", Car: "hazel", Session: "w1", At: at, LeftOut: []refrun.LeftOut{{ID: "b", Reason: "The tyres slip."}},
		Ratios: []refrun.Ratio{
			{Pull: "a", Judges: true, Level: 3.1, ULevel: 2e-4, Slope: 1e-6, USlope: 1e-7, Force: 4100},
			{Pull: "b", Level: 3.12, ULevel: 3e-4, Slope: 9e-6, USlope: 2e-7, Force: 4000},
		},
	}
	row := runRow(run, "e", at)
	if got := runOf(row); !reflect.DeepEqual(got, run) {
		t.Errorf("%+v, was %+v", got, run)
	}
	row.RatioPullIDs, row.RatioJudges, row.LnRatio, row.LnRatioU, row.LnRatioSlope, row.LnRatioSlopeU, row.RatioForce = nil, nil, nil, nil, nil, nil, nil
	if got := runOf(row); got.Ratios != nil || len(got.LeftOut) != 1 {
		t.Errorf("of a row of before: %+v", got)
	}
}

// A record that cannot be computed says why without a package's name.
func TestReasonsOfRows(t *testing.T) {
	_, err := powercurve.Reduce(powercurve.Input{Channels: map[fleet.Channel]channel.Series{}})
	if err == nil {
		t.Fatal("nothing was reduced to something")
	}
	if row := curveRow(reduced{err: err}, announcedRow(fleet.Pull{}).RegistryEffectiveAt); row.State != store.StateUnusable || row.Reason != plain(err.Error()) || row.Reason == err.Error() {
		t.Errorf("the curve is %s: %q of %q", row.State, row.Reason, err)
	}
	_, err = reduceEmpty(record{}, situation{})
	if err == nil {
		t.Fatal("nothing was reduced to a parasitic loss")
	}
	if row := coastDownRow(fleet.Pull{}, situation{}, announcedRow(fleet.Pull{}).RegistryEffectiveAt, parasitic{fit: coastdown.Fit{}}, err); row.Reason != plain(err.Error()) || row.Reason == err.Error() {
		t.Errorf("the coast-down says %q of %q", row.Reason, err)
	}
}
