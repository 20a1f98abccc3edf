// Package registry reads, compares, versions and writes the registry of a
// fleet: its sites, cells, reference cars, check masses and reference
// standards. What goes in is the
// YAML file a person keeps and hands to `rollcall fleet apply`; what comes out
// is a fleet.Registry in SI, or every problem of the file at once with its line
// and the way to mend it. It does no I/O and reads no clock: the caller passes
// bytes and times.
//
// # The file
//
//	effective_from: 2026-01-05          # a date (UTC) or RFC 3339; left out: now
//	sites:
//	  harbour:                          # the id: a to z, 0 to 9, hyphen
//	    name: "Harbour Road"
//	    latitude_deg: 53.54
//	    longitude_deg: 9.93             # optional; for how far apart sites are
//	    height_m: 8
//	    gravity_mps2: 9.8137            # optional; else from latitude and height
//	    time_zone: "Europe/Berlin"      # optional; screens only
//	cells:
//	  harbour-1:
//	    name: "Harbour 1"
//	    site: "harbour"
//	    roller_radius_m: 0.25
//	    …
//	cars:   …
//	masses: …
//	standards: …                        # transfer load cells, torque references
//
// `rollcall fleet show` prints a whole file with every key. A key that is left
// out takes the default stated at its field; a key that is not known is a
// problem. What the file does not name stays as it was: entries are never
// removed. A file must hold the sites its cells stand at.
//
// Every entry is kept in versions. A version holds from its EffectiveAt until
// the next one's, so that a pull is computed with what was true when it was made.
package registry

import (
	"fmt"
	"time"

	"rollcall/services/fleet"
)

// Kind names a kind of registry entry.
type Kind string

// The kinds of entry, in the order they are listed.
const (
	KindSite Kind = "site"
	KindCell Kind = "cell"
	KindCar  Kind = "car"
	KindMass Kind = "mass"
	// KindStandard is a transfer load cell or a torque reference.
	KindStandard Kind = "standard"
)

// Problem is one thing that is wrong with a registry file.
type Problem struct {
	File string
	Line int    // from 1; 0: the file as a whole
	What string // what is wrong
	Mend string // how to mend it
}

// String returns "file:line: what: mend", without the line when it is not known.
func (p Problem) String() string {
	where := p.File
	if p.Line > 0 {
		where = fmt.Sprintf("%s:%d", p.File, p.Line)
	}
	return fmt.Sprintf("%s: %s — %s", where, p.What, p.Mend)
}

// Document is a registry file that was read without a problem.
type Document struct {
	// EffectiveAt is from when the entries hold.
	EffectiveAt time.Time
	// Registry holds the entries the file names, and only those.
	Registry fleet.Registry
}

// Version is one entry as it held from EffectiveAt on.
type Version struct {
	Kind        Kind
	ID          string
	EffectiveAt time.Time
	RecordedAt  time.Time
	By          string
	// Body is the entry as canonical JSON: the keys and units of the file, in
	// the file's order, every default written out.
	Body []byte
}

// How an entry differs from what is in force.
const (
	Added     = "added"
	Changed   = "changed"
	Unchanged = "unchanged"
)

// Change says what applying a document does to one entry.
type Change struct {
	Kind   Kind
	ID     string
	Change string // Added, Changed or Unchanged
	Detail string // which keys from what to what, and from when another version holds
}

func newRegistry() fleet.Registry {
	return fleet.Registry{
		Sites:  map[fleet.SiteID]fleet.Site{},
		Cells:  map[fleet.CellID]fleet.Cell{},
		Cars:   map[fleet.CarID]fleet.Car{},
		Masses: map[fleet.MassID]fleet.Mass{},

		Standards: map[fleet.StandardID]fleet.Standard{},
	}
}
