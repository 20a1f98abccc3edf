package fleetstate

import (
	"math"
	"testing"

	"rollcall/services/compute/drift/drifttest"
)

// The variances of a part of a large fleet agree with those of all of it within
// what either knows of them, and the part is joined by its cars.
func TestPartStandsForAll(t *testing.T) {
	if drifttest.RaceDetector {
		t.Skip("nothing in it runs otherwise than in the other tests")
	}
	h := chain(16, 8, 60, 5)
	s := DefaultSettings()
	all, err := Estimate(h, s)
	if err != nil {
		t.Fatal(err)
	}
	s.MostSessions = 500
	part, err := Estimate(h, s)
	if err != nil {
		t.Fatal(err)
	}
	if part.Estimation.Sessions < 500 || part.Estimation.Sessions > 560 || all.Estimation.Sessions != 16*60 {
		t.Errorf("sessions: part %+v, all %+v", part.Estimation, all.Estimation)
	}
	a, b := all.Variances.vector(), part.Variances.vector()
	worst := 0.0
	for i, name := range s.names() {
		free := part.Estimation.Freedom[name]
		if math.IsInf(a[i], 1) {
			continue
		}
		// ln of a variance of ν degrees of freedom has variance 2/ν; the stated
		// one's 12 count in both.
		const prior = 12
		far := math.Abs(math.Log(b[i]/a[i])) / math.Sqrt(2/(free+prior))
		worst = math.Max(worst, far)
		if far > 3 {
			t.Errorf("%s: part %.4g, all %.4g, %.1f standard deviations apart", name, b[i], a[i], far)
		}
	}
	near(t, "session", b[vSession], a[vSession], 0.2, 0)
	near(t, "pull", b[vPull], a[vPull], 0.1, 0)
	near(t, "point", b[vPoint], a[vPoint], 0.05, 0)
	t.Logf("%d of %d sessions: at most %.1f standard deviations apart", part.Estimation.Sessions, all.Estimation.Sessions, worst)
	// The cells of the part come from one region or are joined by lent cars.
	net, err := begin(h, s)
	if err != nil {
		t.Fatal(err)
	}
	few, origin := net.representatives(h)
	sub, err := lay(few, s, origin)
	if err != nil {
		t.Fatal(err)
	}
	f := &Fit{Settings: s, net: sub, At: sub.at}
	sentences, _ := f.separability()
	for c, said := range sentences {
		if said != "" {
			t.Errorf("%s: %s", sub.cells[c].id, said)
		}
	}
}
