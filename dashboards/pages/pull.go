package pages

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

// pullPage is the data of a pull's page.
type pullPage struct {
	*rollcallv1.Pull
	Car      string
	Figures  []figure
	Chart    template.HTML
	Points   [][]string
	Channels []*rollcallv1.ChannelSummary
	Header   map[string]string
}

// figure is a quantity with its words.
type figure struct{ Name, Value string }

// pointHeads are the heads of a curve's table, in the order of pointRow.
var pointHeads = []string{"rpm", "km/h", "force N", "± U", "wheel kW", "± U", "loss N", "engine kW", "± U", "N·m", "corrected kW", "corrected N·m"}

func (h *handler) showPull(ctx context.Context, r *http.Request) (answer, error) {
	id := r.PathValue("id")
	one, err := h.fleet.GetPull(ctx, &rollcallv1.GetPullRequest{PullId: id})
	if err != nil {
		return answer{}, err
	}
	p := pullPage{Pull: one.GetPull(), Channels: one.GetChannels(), Header: one.GetHeader()}
	p.Car = p.GetCarId()
	if p.Car == "" {
		p.Car = p.GetCustomerCar()
	}
	title := fmt.Sprintf("%s on %s", p.GetKind(), p.GetCellId())
	if p.Car != "" {
		title = fmt.Sprintf("%s on %s", p.Car, p.GetCellId())
	}
	p.Figures = figuresOf(p.Pull)
	// What has no curve has no points; that is no trouble.
	if curve, err := h.fleet.GetCurve(ctx, &rollcallv1.GetCurveRequest{PullId: id}); err == nil {
		p.Chart = drawCurve(curve.GetPoints())
		for _, c := range curve.GetPoints() {
			p.Points = append(p.Points, pointRow(c))
		}
	} else if p.GetState() == "computed" && p.GetKind() == "pull" {
		return answer{}, err
	}
	return answer{page: "pull", title: title, data: p}, nil
}

func (pullPage) PointHeads() []string { return pointHeads }

func figuresOf(p *rollcallv1.Pull) []figure {
	var all []figure
	add := func(name, value string) {
		if value != "" && value != show.Absent {
			all = append(all, figure{name, value})
		}
	}
	if p.PeakEnginePowerW != nil {
		s := show.Scaled(p.PeakEnginePowerW, 1000, 1)
		if p.PeakEnginePowerExpandedUncertaintyW != nil {
			s += " ± " + show.Scaled(p.PeakEnginePowerExpandedUncertaintyW, 1000, 1)
		}
		s += " kW"
		if p.PeakEngineSpeedRadS != nil {
			s += " at " + show.Scaled(p.PeakEngineSpeedRadS, show.RPM, 0) + " rpm"
		}
		add("Peak engine power, as measured", s)
	}
	if p.PeakCorrectedPowerW != nil {
		s := show.Scaled(p.PeakCorrectedPowerW, 1000, 1)
		if p.PeakCorrectedPowerExpandedUncertaintyW != nil {
			s += " ± " + show.Scaled(p.PeakCorrectedPowerExpandedUncertaintyW, 1000, 1)
		}
		add("Peak engine power, corrected", s+" kW")
	}
	if p.PeakWheelPowerW != nil {
		add("Peak wheel power, as measured", show.Scaled(p.PeakWheelPowerW, 1000, 1)+" kW")
	}
	if p.PeakEngineTorqueNm != nil {
		add("Peak engine torque, as measured", show.Scaled(p.PeakEngineTorqueNm, 1, 1)+" N·m")
	}
	if p.CorrectionFactor != nil {
		s := fmt.Sprintf("%.4f (%s)", p.GetCorrectionFactor(), p.GetCorrection())
		if !p.GetCorrectionInRange() {
			s += ", outside the standard's range"
		}
		add("Correction factor", s)
		if note := p.GetCorrectionNote(); note != "" {
			add("Correction", note)
		}
	}
	add("Session", p.GetSession())
	add("Label", p.GetLabel())
	add("Calibration", p.GetEpoch())
	if p.GetCodeVersion() != "" {
		add("Computed", "by code version "+p.GetCodeVersion())
	}
	return all
}

func pointRow(p *rollcallv1.CurvePoint) []string {
	fixed := func(x, by float64, decimals int) string { return show.Scaled(&x, by, decimals) }
	return []string{fixed(p.GetEngineSpeedRadS(), show.RPM, 0), fixed(p.GetSpeedMps(), 1/3.6, 1), fixed(p.GetTractiveForceN(), 1, 0), fixed(2*p.GetTractiveForceUncertaintyN(), 1, 0),
		fixed(p.GetWheelPowerW(), 1000, 1), fixed(2*p.GetWheelPowerUncertaintyW(), 1000, 1), show.Scaled(p.DrivelineLossN, 1, 0), show.Scaled(p.EnginePowerW, 1000, 1),
		show.Scaled(p.EnginePowerUncertaintyW, 500, 1), show.Scaled(p.EngineTorqueNm, 1, 0), show.Scaled(p.CorrectedPowerW, 1000, 1), show.Scaled(p.CorrectedTorqueNm, 1, 0)}
}

// drawCurve draws wheel and engine power with U over engine speed.
func drawCurve(points []*rollcallv1.CurvePoint) template.HTML {
	if len(points) < 2 {
		return ""
	}
	x := axis{math.Inf(1), math.Inf(-1)}
	y := axis{0, 0}
	for _, p := range points {
		rpm := p.GetEngineSpeedRadS() / show.RPM
		x.low, x.high = min(x.low, rpm), max(x.high, rpm)
		y.high = max(y.high, (p.GetWheelPowerW()+2*p.GetWheelPowerUncertaintyW())/1000, (p.GetEnginePowerW()+2*p.GetEnginePowerUncertaintyW())/1000)
	}
	if !(x.high > x.low) || !(y.high > 0) {
		return ""
	}
	room := (x.high - x.low) * 0.05
	x.low, x.high, y.high = x.low-room, x.high+room, y.high*1.1
	d := newDrawing("chart", "wheel power and engine power in kW, with U, over engine speed in rpm", 320)
	for _, t := range y.ticks(5) {
		d.line("grid", 0, y.up(t)*chartHeight, 1, y.up(t)*chartHeight)
		d.text("tick", "start", 0, y.up(t)*chartHeight, 2, -3, tick(t, roundStep(y.high/5))+" kW")
	}
	for _, t := range x.ticks(6) {
		d.line("grid", x.at(t), 0, x.at(t), chartHeight)
		d.text("tick", "middle", x.at(t), 1, 0, -3, tick(t, 1))
	}
	draw := func(class, name string, below bool, get func(*rollcallv1.CurvePoint) (value, u float64, there bool)) {
		var upper, middle, lower []point
		for _, p := range points {
			v, u, there := get(p)
			if !there {
				continue
			}
			at := x.at(p.GetEngineSpeedRadS() / show.RPM)
			middle = append(middle, point{at, inside(y.up(v/1000)) * chartHeight})
			upper = append(upper, point{at, inside(y.up((v+2*u)/1000)) * chartHeight})
			lower = append(lower, point{at, inside(y.up((v-2*u)/1000)) * chartHeight})
		}
		if len(middle) == 0 {
			return
		}
		d.band("doubt", upper, lower)
		d.curve(class, middle)
		m := middle[len(middle)/2]
		dy := -12
		if below {
			dy = 24
		}
		d.text("name", "middle", m.x, m.y, 0, dy, name)
	}
	draw("trace dashed", "wheel power", true, func(p *rollcallv1.CurvePoint) (float64, float64, bool) {
		return p.GetWheelPowerW(), p.GetWheelPowerUncertaintyW(), true
	})
	draw("trace", "engine power", false, func(p *rollcallv1.CurvePoint) (float64, float64, bool) {
		return p.GetEnginePowerW(), p.GetEnginePowerUncertaintyW(), p.EnginePowerW != nil
	})
	return d.end()
}
