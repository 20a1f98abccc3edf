package flag

import (
	"math"
	"testing"

	"rollcall/services/compute/air"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// One pull against one reading of each other cell is what CompareAirs gives of
// runs with these airs; and the sensor that is off is named, whichever it is.
func TestCompareAir(t *testing.T) {
	good := air.Air{Pressure: 101300, Temperature: 295.15, Humidity: 0.5}
	near := air.Air{Pressure: 101280, Temperature: 295.65, Humidity: 0.52}
	for _, c := range []struct {
		name string
		own  air.Air
		want fleet.Channel
	}{
		{"barometer", air.Air{Pressure: 98300, Temperature: 295.15, Humidity: 0.5}, fleet.AirPressure},
		{"thermometer", air.Air{Pressure: 101300, Temperature: 307.15, Humidity: 0.25}, fleet.AirTemperature},
		{"hygrometer", air.Air{Pressure: 101300, Temperature: 295.15, Humidity: 0.95}, fleet.RelativeHumidity},
	} {
		got, ok := CompareAir(c.own, []air.Air{good, near})
		if !ok || got.Channel != c.want || got.Others != 2 {
			t.Errorf("%s: %+v, %v", c.name, got, ok)
		}
		airs := CompareAirs([]refrun.Run{
			{ID: "a", Site: "s", Cell: "1", Air: c.own}, {ID: "b", Site: "s", Cell: "2", Air: good}, {ID: "c", Site: "s", Cell: "3", Air: near},
		})
		if math.Abs(airs[0].Delta-got.Delta) > 1e-15 || airs[0].U != got.U {
			t.Errorf("%s: Δ %v ± %v, of runs %v ± %v", c.name, got.Delta, got.U, airs[0].Delta, airs[0].U)
		}
	}
	if _, ok := CompareAir(good, nil); ok {
		t.Error("nothing to compare with, and compared")
	}
	if _, ok := CompareAir(air.Air{}, []air.Air{good}); ok {
		t.Error("an air that cannot be, and compared")
	}
}
