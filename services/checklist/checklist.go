// Package checklist says what to do in a cell to check its load cell with dead
// weights: what to keep in mind, which masses to hang in which order, and where
// to write down what the indicator reads.
//
// In: the registry's cell, site and masses, the time. Out: the list, as data, as
// text for a sheet of paper, and as a file to fill in, which the agent reads with
// the mapping beside it (Mapping). It computes nothing that judges the check.
package checklist

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollcall/services/caution"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// Mapping is the mapping with which an agent reads the file that CSV gives.
//
//go:embed mapping.yaml
var Mapping string

const (
	// mostLoads is how many loads beside none a list asks for, fewest what a
	// calibration takes. Source: 40 CFR 1065.310, at least six combinations of
	// masses, about equally spaced.
	mostLoads, fewestLoads = 6, 6
	// preloads is how often the largest load goes on and off first, cycles how
	// often the loads go up and down before the arm is refitted. Sources: ISO 376
	// (three preloads, from memory); two cycles show what repeats.
	preloads, cycles = 3, 2
	// hold is how long a load is on before it is read. Common practice, no source
	// (ISO 376 asks for at least 30 s, from memory).
	hold = 30 * time.Second
	// heavy is the mass from which two people lift. Common practice, no source;
	// local codes come first.
	heavy = 20.0 // kg
	// assumedAir is the density of air for the loads named here, kg/m³; it moves
	// them by some 0.01 %.
	assumedAir = 1.2
	// conventionalDensity is that of a mass without one, kg/m³ (OIML D 28).
	conventionalDensity = 8000.0
)

// List is what to do.
type List struct {
	Cell fleet.Cell
	Site fleet.Site
	Made time.Time

	Cautions    []string
	Particulars []string // what to write down first
	Remarks     []string // what the masses reach, what is wrong
	Masses      []Mass
	Steps       []Step
}

// Mass is a check mass of the chain.
type Mass struct {
	fleet.Mass
	Overdue bool // the certificate has ended
	Used    bool
}

// Step is one thing to do.
type Step struct {
	Part      string // such as cycle 1, rising
	Text      string
	Cycle     int // 0: none
	Direction fleet.Direction
	Preload   bool
	Mounting  int
	Masses    []fleet.MassID // on the arm
	Load      float64        // N at the lever arm
	Reads     bool           // a reading is written down
}

// Make returns the list for a cell. Masses are the chain's; those whose
// certificate has ended are used only when no other is there. A cell that cannot
// be checked with masses has a list without steps, and a remark that says why.
func Make(cell fleet.Cell, site fleet.Site, masses map[fleet.MassID]fleet.Mass, now time.Time) List {
	l := List{Cell: cell, Site: site, Made: now.UTC(), Cautions: []string{caution.Masses, caution.First}}
	l.Particulars = []string{"Date and time (UTC)", "As found or as left", "Performed by", "Air pressure, hPa", "Air temperature, °C", "Relative humidity, %", "Arm levelled (or its angle, °)", "Adjusted after this check (yes, no)"}
	for _, id := range ids(masses) {
		m := masses[id]
		m.ID = id
		l.Masses = append(l.Masses, Mass{Mass: m, Overdue: !m.Due.IsZero() && m.Due.Before(now)})
	}
	if !(cell.CalibrationArm > 0 && cell.LeverArm > 0) {
		l.remark("The registry gives cell %s no calibration arm or no lever arm, so no load can be named: enter calibration_arm_m and lever_arm_m first.", cell.ID)
		return l
	}
	loads := l.choose()
	if len(loads) == 0 {
		return l
	}
	l.sequence(loads)
	return l
}

func (l *List) remark(format string, args ...any) {
	l.Remarks = append(l.Remarks, fmt.Sprintf(format, args...))
}

func ids(masses map[fleet.MassID]fleet.Mass) []fleet.MassID {
	var out []fleet.MassID
	for id := range masses {
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

// force returns the force at the lever arm that a mass stands for, N.
func (l *List) force(m fleet.Mass) float64 {
	density := m.Density
	if density <= 0 {
		density = conventionalDensity
	}
	return loadcell.Weight(loadcell.TrueMass(m.Mass, density), density, gum.SiteGravity(l.Site), assumedAir) * l.Cell.CalibrationArm / l.Cell.LeverArm
}

// load is what hangs on the arm at one step, and the force it stands for.
type load struct {
	masses []fleet.MassID
	added  []fleet.MassID
	force  float64
}

// choose picks masses, heaviest first, that together stay within the load
// cell's range, and splits them into loads about equally spaced. Nothing is taken
// off while the load rises, so every load holds the one before.
func (l *List) choose() []load {
	usable := make([]int, 0, len(l.Masses))
	var ended []string
	for i, m := range l.Masses {
		switch {
		case !(m.Mass.Mass > 0):
		case m.Overdue:
			ended = append(ended, string(m.ID))
		default:
			usable = append(usable, i)
		}
	}
	switch {
	case len(ended) > 0 && len(usable) > 0:
		l.remark("Not used, because the certificate has ended: %s.", strings.Join(ended, ", "))
	case len(ended) > 0:
		l.remark("The certificate of every mass has ended (%s): have them calibrated. The check can be made and is kept, and the certificate of the cell will say so.", strings.Join(ended, ", "))
		for i, m := range l.Masses {
			if m.Mass.Mass > 0 {
				usable = append(usable, i)
			}
		}
	}
	slices.SortStableFunc(usable, func(a, b int) int {
		x, y := l.Masses[a].Mass.Mass, l.Masses[b].Mass.Mass
		switch {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return strings.Compare(string(l.Masses[a].ID), string(l.Masses[b].ID))
	})
	top, most := 0.0, l.Cell.LoadCellRange
	var chosen []int
	for _, i := range usable {
		f := l.force(l.Masses[i].Mass)
		if most > 0 && top+f > most {
			continue
		}
		top += f
		chosen = append(chosen, i)
		l.Masses[i].Used = true
	}
	if len(chosen) == 0 {
		if len(l.Masses) == 0 {
			l.remark("The registry has no check masses: enter them with their certificates.")
		} else {
			l.remark("No mass fits into the load cell's range of %.0f N at the lever arm: lighter ones are needed.", most)
		}
		return nil
	}
	// As many loads as there are masses, at most mostLoads; a load is closed
	// once it reaches its share of the top.
	n := min(len(chosen), mostLoads)
	var out []load
	var on, added []fleet.MassID
	sum := 0.0
	for k, i := range chosen {
		f := l.force(l.Masses[i].Mass)
		on, added = append(on, l.Masses[i].ID), append(added, l.Masses[i].ID)
		sum += f
		share := top * float64(len(out)+1) / float64(n)
		if sum >= share-f/2*(1+1e-9) || k == len(chosen)-1 || len(chosen)-1-k <= n-len(out)-1 {
			out = append(out, load{masses: slices.Clone(on), added: added, force: sum})
			added = nil
		}
	}
	if len(out) < fewestLoads {
		l.remark("The masses give %d loads; a calibration takes at least %d, about equally spaced (40 CFR 1065.310). More and lighter masses would do.", len(out), fewestLoads)
	}
	if most > 0 {
		l.remark("The largest load is %.0f N at the lever arm, %.0f %% of the load cell's range of %.0f N.", top, 100*top/most, most)
	}
	return out
}

// sequence writes the steps: preloads, cycles of no load, rising and falling
// loads, and one more after the arm was taken off and put on again.
func (l *List) sequence(loads []load) {
	top := loads[len(loads)-1]
	do := func(part, text string) { l.Steps = append(l.Steps, Step{Part: part, Text: text}) }
	do("before", "Let indicator and load cell warm up as their maker says. Lock the rollers and isolate the brake's power.")
	do("before", "Put the calibration arm on and level it. Zero the indicator only if it is zeroed before every pull too.")
	if slices.ContainsFunc(l.Masses, func(m Mass) bool { return m.Used && m.Mass.Mass >= heavy }) {
		do("before", fmt.Sprintf("Masses of %.0f kg and more are lifted by two people. Nobody stands under the arm or puts a hand between masses.", heavy))
	}
	for k := range preloads {
		l.Steps = append(l.Steps, Step{Part: "preload", Text: fmt.Sprintf("Preload %d of %d: hang all masses, wait %.0f s, write down what is read, take them off.", k+1, preloads, hold.Seconds()),
			Cycle: 1, Direction: fleet.Rising, Preload: true, Masses: top.masses, Load: top.force, Reads: true})
	}
	cycle := 0
	round := func(mounting int) {
		cycle++
		part := func(way string) string { return fmt.Sprintf("cycle %d, %s", cycle, way) }
		read := func(way fleet.Direction, word, text string, x load) {
			l.Steps = append(l.Steps, Step{Part: part(word), Text: text, Cycle: cycle, Direction: way, Mounting: mounting, Masses: x.masses, Load: x.force, Reads: true})
		}
		read(fleet.Rising, "rising", "Nothing on the arm.", load{})
		for _, x := range loads {
			read(fleet.Rising, "rising", "Add "+join(x.added)+".", x)
		}
		for k := len(loads) - 2; k >= 0; k-- {
			read(fleet.Falling, "falling", "Take off "+join(loads[k+1].added)+".", loads[k])
		}
		read(fleet.Falling, "falling", "Take off "+join(loads[0].added)+": nothing on the arm.", load{})
	}
	for range cycles {
		round(0)
	}
	do("refit", "Take the arm off, put it on again and level it.")
	round(1)
	do("after", "Take the arm off. Unlock the rollers and give the brake its power back only when nobody is near them.")
}

func join(masses []fleet.MassID) string {
	words := make([]string, len(masses))
	for i, m := range masses {
		words[i] = string(m)
	}
	return strings.Join(words, " + ")
}

// Readings returns the steps at which a reading is written down.
func (l List) Readings() []Step {
	return slices.DeleteFunc(slices.Clone(l.Steps), func(s Step) bool { return !s.Reads })
}

// CSV returns the file to fill in: what stands before the readings, and a line
// for each with its reading left blank.
func (l List) CSV() string {
	var b strings.Builder
	for _, p := range [][2]string{
		{"Record", "calibration check"}, {"Cell", string(l.Cell.ID)}, {"Started", l.Made.UTC().Format("2006-01-02 15:04:05.0")}, {"Check", "dead weight"}, {"State", "as found"},
		{"Performed by", ""}, {"Label", "check list"}, {"Air pressure hPa", ""}, {"Air temperature °C", ""}, {"Humidity %", ""}, {"Arm angle °", ""}, {"Adjusted", ""},
	} {
		b.WriteString(strings.TrimSpace(p[0]+": "+p[1]) + "\n")
	}
	b.WriteByte('\n')
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"Cycle", "Direction", "Masses", "Preload", "Mounting", "Held", "Reading"})
	_ = w.Write([]string{"", "", "", "", "", "s", "N"})
	for _, s := range l.Readings() {
		preload := ""
		if s.Preload {
			preload = "yes"
		}
		way := "rising"
		if s.Direction == fleet.Falling {
			way = "falling"
		}
		masses := make([]string, len(s.Masses))
		for i, m := range s.Masses {
			masses[i] = string(m)
		}
		_ = w.Write([]string{strconv.Itoa(s.Cycle), way, strings.Join(masses, "+"), preload, strconv.Itoa(s.Mounting), "", ""})
	}
	w.Flush()
	return b.String()
}
