package repeat

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

var start = time.Date(2026, 6, 20, 8, 0, 0, 0, time.UTC)

func session(values ...float64) []Pull {
	var out []Pull
	for i, v := range values {
		out = append(out, Pull{ID: fleet.PullID(fmt.Sprint("p", i+1)), At: start.Add(time.Duration(i) * 4 * time.Minute), Value: v})
	}
	return out
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance {
		t.Errorf("%s: %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

// TestLimits holds the limits against values computed with R from the t and F
// distributions, and against ISO 5725-2:1994 tables 4 and 6 as printed (0.01).
func TestLimits(t *testing.T) {
	grubbs := []float64{1.154305, 1.481250, 1.715037, 1.887145, 2.019969, 2.126645, 2.215004, 2.289954}
	cochran := []float64{0.870901, 0.767921, 0.683772, 0.616148, 0.561154, 0.515687, 0.477494, 0.444953}
	h1 := []float64{1.154558, 1.485000, 1.715037, 1.872226, 1.983239, 2.064890, 2.127150, 2.176068}
	h5 := []float64{1.151141, 1.425000, 1.571221, 1.656266, 1.711027, 1.749078, 1.777023, 1.798410}
	k5 := []float64{1.645448, 1.756679, 1.814349, 1.848121, 1.869843, 1.884817, 1.895691, 1.903909}
	for i := range grubbs {
		n := i + 3
		near(t, fmt.Sprint("Grubbs ", n), GrubbsLimit(n, 0.05), grubbs[i], 6e-7)
		near(t, fmt.Sprint("Cochran ", n), CochranLimit(n, 3, 0.05), cochran[i], 6e-7)
		near(t, fmt.Sprint("h 1 % ", n), MandelH(n, 0.01), h1[i], 6e-7)
		near(t, fmt.Sprint("h 5 % ", n), MandelH(n, 0.05), h5[i], 6e-7)
		near(t, fmt.Sprint("k 5 % ", n), MandelK(n, 2, 0.05), k5[i], 6e-7)
	}
	for _, c := range []struct {
		p int
		h float64
		k [4]float64
	}{
		{3, 1.15, [4]float64{1.71, 1.64, 1.58, 1.53}}, {4, 1.49, [4]float64{1.91, 1.77, 1.67, 1.60}},
		{5, 1.72, [4]float64{2.05, 1.85, 1.73, 1.65}}, {6, 1.87, [4]float64{2.14, 1.90, 1.77, 1.68}},
		{8, 2.06, [4]float64{2.25, 1.97, 1.81, 1.71}}, {10, 2.18, [4]float64{2.32, 2.00, 1.84, 1.74}},
		{12, 2.25, [4]float64{2.36, 2.02, 1.85, 1.75}},
	} {
		near(t, fmt.Sprint("printed h ", c.p), MandelH(c.p, 0.01), c.h, 0.0101)
		for i, k := range c.k {
			near(t, fmt.Sprint("printed k ", c.p, i+2), MandelK(c.p, i+2, 0.01), k, 0.0101)
		}
	}
	// ASTM E691, 8 laboratories, 3 results, 0.5 %: 2.15 and 2.06.
	near(t, "E691 h", MandelH(8, 0.005), 2.15249, 6e-6)
	near(t, "E691 k", MandelK(8, 3, 0.005), 2.06084, 6e-6)
}

// glucose reads the example of ASTM E691.
func glucose(t *testing.T) map[string][][]float64 {
	t.Helper()
	f, err := os.Open("../../../testdata/e691_glucose.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][][]float64{}
	for _, row := range rows[1:] {
		lab, err1 := strconv.Atoi(row[0])
		value, err2 := strconv.ParseFloat(row[3], 64)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		places := out[row[1]]
		for len(places) < lab {
			places = append(places, nil)
		}
		places[lab-1] = append(places[lab-1], value)
		out[row[1]] = places
	}
	return out
}

// TestE691 is the glucose-in-serum example of ASTM E691 with its printed
// results (data and results from memory; they agree to the last digit printed).
func TestE691(t *testing.T) {
	data := glucose(t)
	for _, c := range []struct {
		material             string
		mean, sx, sr, sR     float64
		limitR, limitBetween float64
		h, k                 [8]float64
	}{
		{"A", 41.5183, 0.6061, 1.0632, 1.0632, 2.9770, 2.9770,
			[8]float64{-0.39, -0.13, -0.11, -0.10, -0.09, 0.83, -1.75, 1.75}, [8]float64{0.21, 0.46, 1.00, 1.70, 0.34, 1.32, 1.17, 0.77}},
		{"B", 79.6796, 1.0028, 1.4949, 1.5796, 4.1856, 4.4230,
			[8]float64{-1.36, -0.45, 0.22, 1.85, -0.99, 0.21, -0.16, 0.67}, [8]float64{0.11, 0.89, 0.56, 1.85, 0.52, 1.09, 1.38, 0.34}},
		{"C", 134.7262, 1.7397, 1.5434, 2.1482, 4.3216, 6.0150,
			[8]float64{-0.88, 0.39, -0.08, 1.59, -0.84, 1.09, -1.28, 0.01}, [8]float64{0.38, 1.40, 1.12, 1.02, 0.78, 0.83, 1.38, 0.63}},
		{"D", 194.7171, 2.5950, 2.6251, 3.3657, 7.3502, 9.4240,
			[8]float64{-0.41, 0.15, -1.01, 0.96, -0.64, 0.97, -1.33, 1.31}, [8]float64{0.02, 1.78, 0.61, 0.74, 0.72, 0.63, 1.45, 0.94}},
		{"E", 294.4921, 2.6931, 3.9350, 4.1923, 11.0179, 11.7385,
			[8]float64{-0.46, 1.64, -0.68, 0.49, -0.34, 0.17, -1.62, 0.79}, [8]float64{0.18, 2.33, 0.69, 0.22, 0.24, 1.03, 0.84, 0.42}},
	} {
		p, err := Between(data[c.material])
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.material+" mean", p.Mean, c.mean, 6e-5)
		near(t, c.material+" s of means", p.SX, c.sx, 6e-5)
		near(t, c.material+" sr", p.Sr, c.sr, 6e-5)
		near(t, c.material+" sR", p.SR, c.sR, 6e-5)
		near(t, c.material+" r", p.Limitr, c.limitR, 2e-4)
		near(t, c.material+" R", p.LimitR, c.limitBetween, 2e-4)
		for i := range c.h {
			near(t, fmt.Sprint(c.material, " h ", i+1), p.H[i], c.h[i], 6e-3)
			near(t, fmt.Sprint(c.material, " k ", i+1), p.K[i], c.k[i], 6e-3)
			// Of all only laboratory 2 with material E exceeds a limit.
			if beyond := p.K[i] > MandelK(8, 3, 0.005) || math.Abs(p.H[i]) > MandelH(8, 0.005); beyond != (c.material == "E" && i == 1) {
				t.Errorf("%s, laboratory %d: beyond %v", c.material, i+1, beyond)
			}
		}
	}
	if _, err := Between([][]float64{{1, 2}, {1, 2, 3}}); !errors.Is(err, ErrUnbalanced) {
		t.Error(err)
	}
	if _, err := Between([][]float64{{1, 2}}); !errors.Is(err, ErrUnbalanced) {
		t.Error(err)
	}
	if p, err := Between([][]float64{{1, 1}, {1, 1}}); err != nil || p.H[0] != 0 || p.K[0] != 0 {
		t.Errorf("%v %+v", err, p)
	}
}

// TestAssess: mean, sd, range and r = 2.8·sd by hand; the U of the mean.
func TestAssess(t *testing.T) {
	r, err := Assess(session(200, 202, 201, 201))
	if err != nil {
		t.Fatal(err)
	}
	sd := math.Sqrt(2. / 3)
	near(t, "mean", r.Mean, 201, 1e-12)
	near(t, "sd", r.SD, sd, 1e-12)
	near(t, "range", r.Range, 2, 0)
	near(t, "r", r.Limit, 2.8*sd, 1e-12)
	near(t, "U", r.U, gum.TFactor(gum.Coverage2, 3)*sd/2, 1e-12)
	if len(r.Outlying) != 0 || r.Without != nil || len(r.Notes) != 0 {
		t.Errorf("%+v", r)
	}
	// What is common does not average out.
	pulls := session(200, 202, 201, 201)
	for i := range pulls {
		pulls[i].Common = 1.5
	}
	c, err := Assess(pulls)
	if err != nil || c.U < 2*1.5 {
		t.Errorf("U %v (%v)", c.U, err)
	}
	// Order does not matter and nothing is changed.
	pulls[0], pulls[3] = pulls[3], pulls[0]
	again, err := Assess(pulls)
	if err != nil || !reflect.DeepEqual(c, again) || pulls[0].ID != "p4" {
		t.Errorf("%v\n%+v\n%+v", err, c, again)
	}
	if _, err := Assess(session(200)); !errors.Is(err, ErrFew) || !strings.Contains(err.Error(), "make the pull again") {
		t.Error(err)
	}
	if _, err := Assess(session(200, math.NaN())); err == nil || !strings.Contains(err.Error(), "p2") {
		t.Error(err)
	}
}

// TestOutlying: a pull that lost its boost is named and stays in the mean; a
// straggler is named as such; the level holds over seeded sessions.
func TestOutlying(t *testing.T) {
	r, err := Assess(session(201.1, 200.8, 201.0, 195.0, 200.9, 201.2))
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Outlying) != 1 || r.Outlying[0].Pull != "p4" || r.Outlying[0].Straggler || r.Without == nil || r.Without.Pulls != 5 || r.Pulls != 6 {
		t.Fatalf("%+v", r)
	}
	near(t, "limit", r.Outlying[0].Limit, 1.973, 5e-4) // ISO 5725-2:1994, table 5, p = 6, 1 % (from memory)
	near(t, "without", r.Without.Mean, 201, 1e-9)
	if !strings.Contains(strings.Join(r.Notes, "\n"), "pull p4 is outlying") {
		t.Error(r.Notes)
	}
	// Between 1.887 and 1.973 of six: a straggler, kept. G by hand 1.93.
	r, err = Assess(session(0.2, -0.2, 0.3, -0.3, 0, 1.36))
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Outlying) != 1 || !r.Outlying[0].Straggler || r.Without != nil {
		t.Errorf("%+v", r.Outlying)
	}
	const sessions = 4000
	outliers, named, trends := 0, 0, 0
	for seed := range uint64(sessions) {
		random := rand.New(rand.NewPCG(seed, 5))
		x := make([]float64, 6)
		for i := range x {
			x[i] = 200 + 0.5*random.NormFloat64()
		}
		r, err := Assess(session(x...))
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Outlying) > 0 {
			named++
			if !r.Outlying[0].Straggler {
				outliers++
			}
		}
		if r.ByOrder.Significant {
			trends++
		}
	}
	// 5 % and 1 % of good sessions, 5 % for the trend; four standard deviations
	// of 4000 are 1.4 and 0.6 %.
	near(t, "named", float64(named)/sessions, 0.05, 0.014)
	near(t, "outliers", float64(outliers)/sessions, 0.01, 0.006)
	near(t, "trends", float64(trends)/sessions, 0.05, 0.014)
}

// TestHeatSoak: a figure that falls by 0.4 % a pull as the intake air climbs by
// 4 K a pull is told, with its U, and pulls that do not climb are not.
func TestHeatSoak(t *testing.T) {
	within := 0
	const sessions = 1000
	for seed := range uint64(sessions) {
		random := rand.New(rand.NewPCG(seed, 8))
		var pulls []Pull
		for i, p := range session(make([]float64, 6)...) {
			p.Value = 200*(1-0.004*float64(i)) + 0.3*random.NormFloat64()
			intake := 295 + 4*float64(i)
			p.Intake = &intake
			pulls = append(pulls, p)
		}
		r, err := Assess(pulls)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.ByOrder.Slope+0.8) <= r.ByOrder.U && math.Abs(r.ByIntake.Slope+0.2) <= r.ByIntake.U {
			within++
		}
		if seed == 0 {
			notes := strings.Join(r.Notes, "\n")
			for _, says := range []string{"the figure falls by 0.", "% a pull ±", "heat soak", "per kelvin of intake air", "over 20.0 K"} {
				if !strings.Contains(notes, says) {
					t.Errorf("%q does not say %q", notes, says)
				}
			}
		}
	}
	near(t, "slope within U", float64(within)/sessions, gum.Coverage2, 0.025)
	r, err := Assess(session(200, 200.1, 200, 200.1, 200.05))
	if err != nil || r.ByOrder.Significant || r.ByIntake != nil {
		t.Errorf("%v %+v", err, r)
	}
}

// TestCoverage: the true mean lies within U in 95.45 ± 1.5 % of 2000 sessions.
func TestCoverage(t *testing.T) {
	const sessions = 2000
	within := 0
	for seed := range uint64(sessions) {
		random := rand.New(rand.NewPCG(seed, 6))
		gain := 0.8 * random.NormFloat64()
		pulls := session(0, 0, 0, 0)
		for i := range pulls {
			pulls[i].Value, pulls[i].Common = 200+gain+0.5*random.NormFloat64(), 0.8
		}
		r, err := Assess(pulls)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.Mean-200) <= r.U {
			within++
		}
	}
	near(t, "mean within U", float64(within)/sessions, gum.Coverage2, 0.015)
}

func TestSentence(t *testing.T) {
	s := Sentence{
		Figure: "peak engine power", Unit: "W", Value: 208612, U: 2712, EngineSpeed: 6200 * math.Pi / 30, Pulls: 4, Limit: 1410,
		Correction: "SAE J1349", Factor: 1.01822, Cell: "fen-2", At: start, DryPressure: 98410, Temperature: 294.45, Intake: 297.15,
		Loss: "driveline loss by coast-down",
	}
	for _, c := range []struct {
		change func(*Sentence)
		want   string
	}{
		{func(*Sentence) {}, "Peak engine power 208.6 kW ± 2.7 kW (95 %) at 6200 rpm, mean of 4 pulls on fen-2 on 20 Jun 2026, which repeat within 1.4 kW; corrected to SAE J1349 by 1.0182; air 21.3 °C, 98.41 kPa dry, intake 24.0 °C; driveline loss by coast-down."},
		{func(s *Sentence) { s.Until = s.At.AddDate(0, 0, 9) }, "Peak engine power 208.6 kW ± 2.7 kW (95 %) at 6200 rpm, mean of 4 pulls on fen-2 from 20 Jun 2026 to 29 Jun 2026, which repeat within 1.4 kW; corrected to SAE J1349 by 1.0182; air 21.3 °C, 98.41 kPa dry, intake 24.0 °C; driveline loss by coast-down."},
		{func(s *Sentence) { s.Pulls, s.Limit, s.Intake, s.Loss = 1, 0, 0, "" }, "Peak engine power 208.6 kW ± 2.7 kW (95 %) at 6200 rpm, one pull on fen-2 on 20 Jun 2026, whose repeatability is not known; corrected to SAE J1349 by 1.0182; air 21.3 °C, 98.41 kPa dry."},
		{func(s *Sentence) {
			s.Caution, s.Uncorrected, s.Outside = "the engine is charged", 204879, "factor 1.097 is outside 0.93 to 1.07"
		}, "Peak engine power 208.6 kW ± 2.7 kW (95 %) at 6200 rpm, mean of 4 pulls on fen-2 on 20 Jun 2026, which repeat within 1.4 kW; corrected to SAE J1349 by 1.0182, outside the standard's range (factor 1.097 is outside 0.93 to 1.07); uncorrected 204.9 kW, for the engine is charged; air 21.3 °C, 98.41 kPa dry, intake 24.0 °C; driveline loss by coast-down."},
		{func(s *Sentence) {
			s.Figure, s.Correction, s.DryPressure, s.U, s.Loss = "mean wheel power", "", 0, 320, ""
		}, "Mean wheel power 208.61 kW ± 0.32 kW (95 %) at 6200 rpm, mean of 4 pulls on fen-2 on 20 Jun 2026, which repeat within 1.41 kW; as measured, not corrected for the air; air not logged."},
	} {
		x := s
		c.change(&x)
		if got := x.String(); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}
