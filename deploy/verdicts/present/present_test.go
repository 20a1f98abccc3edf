package present

import (
	"context"
	"strings"
	"testing"

	"rollcall/deploy/verdicts/score"
	"rollcall/services/compute/drift/drifttest"
)

// The quick form of the bench: a few fleets through drift and flag, with limits
// that are wide enough for so few and that a broken chain misses.
func TestQuick(t *testing.T) {
	c := score.DefaultConfig()
	c.Fleets = 12
	if drifttest.RaceDetector {
		c.Fleets = 2
	}
	table, err := score.Run(context.Background(), System{}, c)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := table.Write(&b); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + b.String())
	if drifttest.RaceDetector {
		return
	}
	if err := table.Floor(); err != nil {
		t.Error(err)
	}
}
