package loadcell

import (
	"math"
	"strings"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// classLimits is one class of a table: limits in per cent by quantity.
type classLimits struct {
	class  string
	limits map[string]float64
}

// classTable is a standard's table of classes, best first.
type classTable struct {
	name       string
	quantities []string
	classes    []classLimits
	source     string
	fromMemory bool
}

// The quantities of the tables.
const (
	classIndication      = "indication"
	classReproducibility = "reproducibility"
	classRepeatability   = "repeatability"
	classInterpolation   = "interpolation"
	classZero            = "return to zero"
	classReversibility   = "reversibility"
	classCreep           = "creep"
	classResolution      = "resolution"
	classCalibration     = "calibration force, U"
)

// classTables are held from memory: confirm them on the standards before
// quoting.
var classTables = []classTable{
	{
		name:       "iso_376",
		quantities: []string{classReproducibility, classRepeatability, classInterpolation, classZero, classReversibility, classCreep, classCalibration},
		classes: []classLimits{
			{"00", map[string]float64{classReproducibility: 0.05, classRepeatability: 0.025, classInterpolation: 0.025, classZero: 0.012, classReversibility: 0.07, classCreep: 0.025, classCalibration: 0.01}},
			{"0.5", map[string]float64{classReproducibility: 0.10, classRepeatability: 0.05, classInterpolation: 0.05, classZero: 0.025, classReversibility: 0.15, classCreep: 0.05, classCalibration: 0.02}},
			{"1", map[string]float64{classReproducibility: 0.20, classRepeatability: 0.10, classInterpolation: 0.10, classZero: 0.050, classReversibility: 0.30, classCreep: 0.10, classCalibration: 0.05}},
			{"2", map[string]float64{classReproducibility: 0.40, classRepeatability: 0.20, classInterpolation: 0.20, classZero: 0.10, classReversibility: 0.50, classCreep: 0.20, classCalibration: 0.10}},
		},
		source: "ISO 376:2011, table of classes (from memory)", fromMemory: true,
	},
	{
		name:       "iso_7500_1",
		quantities: []string{classIndication, classRepeatability, classReversibility, classZero, classResolution},
		classes: []classLimits{
			{"0.5", map[string]float64{classIndication: 0.5, classRepeatability: 0.5, classReversibility: 0.75, classZero: 0.05, classResolution: 0.25}},
			{"1", map[string]float64{classIndication: 1, classRepeatability: 1, classReversibility: 1.5, classZero: 0.1, classResolution: 0.5}},
			{"2", map[string]float64{classIndication: 2, classRepeatability: 2, classReversibility: 3, classZero: 0.2, classResolution: 1}},
			{"3", map[string]float64{classIndication: 3, classRepeatability: 3, classReversibility: 4.5, classZero: 0.3, classResolution: 1.5}},
		},
		source: "ISO 7500-1, table of classes (from memory)", fromMemory: true,
	},
}

// ClassTables returns what Cell.Class may be: each table of classes, and each with
// one of its classes, best first: "iso_376", "iso_376 1".
func ClassTables() []string {
	var out []string
	for _, t := range classTables {
		out = append(out, t.name)
		for _, c := range t.classes {
			out = append(out, t.name+" "+c.class)
		}
	}
	return out
}

// defaultTable is the table a check is held against when the registry asks for
// no class: a dyno's brake with its load cell is a machine that indicates force.
const defaultTable = "iso_7500_1"

// class holds the check against a standard's classes. The fleet's own tolerance
// decides the verdict, never the class.
func (j *judge) class() {
	r := &j.result
	if !r.GainValid || r.Verdict == fleet.VerdictUnusable || j.in.Check.Kind == fleet.CheckShunt {
		return
	}
	name, asked, _ := strings.Cut(strings.TrimSpace(j.cell.Class), " ")
	asked = strings.TrimSpace(asked)
	if name == "" {
		name = defaultTable
	}
	var table *classTable
	known := asked == ""
	for i := range classTables {
		if classTables[i].name != name {
			continue
		}
		table = &classTables[i]
		for _, c := range table.classes {
			known = known || c.class == asked
		}
	}
	if table == nil || !known {
		j.find(Finding{Kind: FindingOther, Text: "the registry asks for class \"" + j.cell.Class + "\", which is not known: it may be one of " + strings.Join(ClassTables(), ", ")})
		return
	}
	measured := j.percent()
	out := Class{Table: table.name, Asked: asked, Source: table.source, FromMemory: table.fromMemory, Complete: true}
	for _, q := range table.quantities {
		if _, ok := measured[q]; !ok {
			out.Complete = false
		}
	}
	for _, c := range table.classes {
		kept, any := true, false
		for _, q := range table.quantities {
			l := ClassLimit{Class: c.class, Quantity: q, Limit: c.limits[q]}
			if l.Value, l.Measured = measured[q]; l.Measured {
				l.Within = math.Abs(l.Value) <= l.Limit
				any = true
				kept = kept && l.Within
			}
			out.Limits = append(out.Limits, l)
		}
		if kept && any && out.Reached == "" {
			out.Reached = c.class
		}
		if c.class == asked {
			out.Met = kept && any
		}
	}
	r.Class = &out
}

// percent returns the quantities of the tables that the check measured, in per
// cent: of the load for those of a load, from the lowest judged load up, of the
// largest load for return to zero and creep.
func (j *judge) percent() map[string]float64 {
	r := j.result
	out := map[string]float64{}
	worst := func(q string, v float64) {
		if old, ok := out[q]; !ok || math.Abs(v) > math.Abs(old) {
			out[q] = v
		}
	}
	most := 0.0
	for _, p := range r.Points {
		most = max(most, math.Abs(p.Load))
	}
	if most == 0 {
		return out
	}
	judged := func(load float64) bool {
		return load != 0 && math.Abs(load) >= judgedFrom*j.cell.LoadCellRange*(1-j.within)
	}
	for _, p := range r.Points {
		if !judged(p.Load) {
			continue
		}
		if p.Direction != fleet.Falling {
			worst(classIndication, 100*p.Error/math.Abs(p.Load))
		}
		worst(classCalibration, 100*j.loadU(p)/math.Abs(p.Load))
		for _, q := range r.Points {
			if p.Direction == fleet.Falling && q.Direction == fleet.Rising && math.Abs(q.Load-p.Load) <= j.within*math.Abs(p.Load) {
				worst(classReversibility, 100*math.Abs(p.Error-q.Error)/math.Abs(p.Load))
			}
		}
	}
	for _, g := range j.groups(true) {
		load := j.load[g[0]].force
		if !judged(load) || j.readings[g[0]].Direction == fleet.Falling {
			continue
		}
		low, high := map[int]float64{}, map[int]float64{}
		count, sum := map[int]int{}, map[int]float64{}
		for _, i := range g {
			m := j.readings[i].Mounting
			e := j.s.Force(j.reading[i]) - j.load[i].force
			if count[m] == 0 {
				low[m], high[m] = e, e
			}
			low[m], high[m] = min(low[m], e), max(high[m], e)
			count[m]++
			sum[m] += e
		}
		least, largest := math.Inf(1), math.Inf(-1)
		for m, n := range count {
			if n > 1 {
				worst(classRepeatability, 100*(high[m]-low[m])/math.Abs(load))
			}
			least, largest = min(least, sum[m]/float64(n)), max(largest, sum[m]/float64(n))
		}
		if len(count) > 1 {
			worst(classReproducibility, 100*(largest-least)/math.Abs(load))
		}
		if i := r.Interpolation; i != nil {
			d := 0.0
			for _, k := range g {
				d += i.Residuals[k] / float64(len(g))
			}
			worst(classInterpolation, 100*d/(math.Abs(load)*j.s.Slope(load)))
		}
	}
	if s, ok := r.Get(ZeroReturn); ok {
		out[classZero] = 100 * s.Value / most
	}
	if s, ok := r.Get(Creep); ok {
		out[classCreep] = 100 * math.Abs(s.Value) / most
	}
	return out
}

// loadU returns the expanded uncertainty of a point's load itself.
func (j *judge) loadU(p Point) float64 {
	v := 0.0
	for _, c := range p.Budget[1:] {
		if !strings.HasPrefix(c.Name, "refit") {
			v += c.Contribution() * c.Contribution()
		}
	}
	return gum.K * math.Sqrt(v)
}
