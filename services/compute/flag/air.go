package flag

import (
	"math"
	"time"

	"rollcall/services/compute/air"
	"rollcall/services/compute/correction"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// AirWindow is how close in time the runs or pulls of a site are whose air is
// compared: within a working day the weather moves by a hectopascal or two
// ("common practice, no source").
const AirWindow = 12 * time.Hour

// airWander is the standard uncertainty of ln C that the weather and the rooms
// of one site add to one run's air: 1.4 hPa and 2 K, that is 0.17 % and 0.4 %
// of SAE J1349's factor ("common practice, no source").
const airWander = 0.0043

// CompareAirs returns, for every run that shares its site and day with runs of
// other cells, how far its air reads from theirs,
//
//	Δ = ln C − mean of the others' ln C,    U = 2·u·√(1 + 1/n)
//
// with C the factor of SAE J1349, whichever standard the car is stated with:
// what is compared is the sensors. u is airWander, n how many others there are.
// The order of runs does not matter.
func CompareAirs(runs []refrun.Run) []Air {
	var out []Air
	bySite := map[fleet.SiteID][]int{}
	lnC := make([]float64, len(runs))
	for i := range runs {
		c, ok := lnFactor(runs[i].Air)
		if !ok {
			continue
		}
		lnC[i] = c
		bySite[runs[i].Site] = append(bySite[runs[i].Site], i)
	}
	for i := range runs {
		sum, n := 0.0, 0
		judged := false
		for _, j := range bySite[runs[i].Site] {
			if j == i {
				judged = true
				continue
			}
			if runs[j].Cell != runs[i].Cell && runs[j].At.Sub(runs[i].At).Abs() <= AirWindow {
				sum += lnC[j]
				n++
			}
		}
		if !judged || n == 0 {
			continue
		}
		out = append(out, Air{
			Cell: runs[i].Cell, At: runs[i].At, Delta: lnC[i] - sum/float64(n),
			U: 2 * airWander * math.Sqrt(1+1/float64(n)),
		})
	}
	return out
}

// CompareAir is CompareAirs for one pull: own is what its cell's sensors read,
// others one reading for each other cell of the site at about that time. It also
// names the sensor that accounts for most of the difference: the one whose
// reading, exchanged for the others' mean, changes ln C most. It is false when
// there is nothing to compare, or an air that cannot be.
func CompareAir(own air.Air, others []air.Air) (finding.AirComparison, bool) {
	c, ok := lnFactor(own)
	if !ok {
		return finding.AirComparison{}, false
	}
	sum := 0.0
	var n float64
	var mean air.Air
	for _, o := range others {
		x, ok := lnFactor(o)
		if !ok {
			continue
		}
		sum += x
		n++
		mean.Pressure, mean.Temperature, mean.Humidity = mean.Pressure+o.Pressure, mean.Temperature+o.Temperature, mean.Humidity+o.Humidity
	}
	if n == 0 {
		return finding.AirComparison{}, false
	}
	out := finding.AirComparison{Delta: c - sum/n, U: 2 * airWander * math.Sqrt(1+1/n), Others: int(n)}
	most := 0.0
	for _, x := range []struct {
		channel fleet.Channel
		air     air.Air
	}{
		{fleet.AirPressure, air.Air{Pressure: mean.Pressure / n, Temperature: own.Temperature, Humidity: own.Humidity}},
		{fleet.AirTemperature, air.Air{Pressure: own.Pressure, Temperature: mean.Temperature / n, Humidity: own.Humidity}},
		{fleet.RelativeHumidity, air.Air{Pressure: own.Pressure, Temperature: own.Temperature, Humidity: mean.Humidity / n}},
	} {
		// What the sensor adds to Delta, in Delta's own direction.
		exchanged, ok := lnFactor(x.air)
		if by := (c - exchanged) * math.Copysign(1, out.Delta); ok && by > most {
			most, out.Channel = by, x.channel
		}
	}
	return out, true
}

func lnFactor(a air.Air) (float64, bool) {
	if !(a.Pressure > 0) || !(a.Temperature > 0) {
		return 0, false
	}
	r, err := correction.Factor(fleet.CorrectionSAEJ1349, correction.Conditions{DryPressure: a.DryPressure(), Temperature: a.Temperature})
	if err != nil || !(r.Factor > 0) {
		return 0, false
	}
	return math.Log(r.Factor), true
}
