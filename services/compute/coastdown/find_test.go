package coastdown

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"rollcall/services/compute/channel"
)

// A record that rises to 10 s, coasts to 40 s and is then braked; noise as of an
// encoder.
func TestFind(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 2))
	record := func(brakeAt float64) channel.Series {
		s := channel.Series{}
		for i := range 6000 {
			at := float64(i) / 100
			var v float64
			switch {
			case at < 10:
				v = 45 - 2*(10-at)
			case at < brakeAt:
				v = speedAt(truth, 1300, 45, at-10)
			default:
				v = math.Max(0, speedAt(truth, 1300, 45, brakeAt-10)-3*(at-brakeAt))
			}
			s.T, s.X = append(s.T, at), append(s.X, v+0.01*random.NormFloat64())
		}
		return s
	}
	for _, c := range []struct {
		name       string
		speed      channel.Series
		free       func(float64) bool
		start, end float64
	}{
		{"braked at 40 s", record(40), nil, 10.3, 39.5},
		{"free from 12 s", record(40), func(t float64) bool { return t >= 12 }, 12, 39.5},
		{"in gear from 30 s", record(40), func(t float64) bool { return t < 30 }, 10.3, 29.6},
		{"to the end", record(99), nil, 10.3, 60},
	} {
		t.Run(c.name, func(t *testing.T) {
			span, err := Find(c.speed, 10.3, c.free)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(span.Start-c.start) > 0.2 || math.Abs(span.End-c.end) > 0.4 || span.End > c.end+0.1 {
				t.Errorf("%+v, want %g to %g s", span, c.start, c.end)
			}
			fit, err := Regress(Input{Speed: c.speed.Between(span), Mass: 1300})
			if err != nil {
				t.Fatal(err)
			}
			if d := fit.At(38) - truth.At(38); math.Abs(d) > 4*fit.U(38) {
				t.Errorf("at 38 m/s off by %.2f N, u %.2f N", d, fit.U(38))
			}
		})
	}
	if _, err := Find(record(40), 10.3, func(float64) bool { return false }); !errors.Is(err, ErrShort) {
		t.Errorf("never free: %v", err)
	}
	if _, err := Find(channel.Series{}, 0, nil); !errors.Is(err, channel.ErrEmpty) {
		t.Errorf("no samples: %v", err)
	}
}
