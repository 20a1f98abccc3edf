package pipeline

import (
	"fmt"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/coastdown"
	"rollcall/services/compute/powercurve"
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
