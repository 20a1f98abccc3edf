package registry

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"rollcall/services/fleet"
)

// Diff says what applying doc does to the registry in force: first the sites,
// then cells, cars, masses and standards, each by id. Entries that the document does not
// name are not listed; they stay as they are.
func Diff(current fleet.Registry, doc Document) []Change {
	all := diff(KindSite, siteFields, current.Sites, doc.Registry.Sites)
	all = append(all, diff(KindCell, cellFields, current.Cells, doc.Registry.Cells)...)
	all = append(all, diff(KindCar, carFields, current.Cars, doc.Registry.Cars)...)
	all = append(all, diff(KindMass, massFields, current.Masses, doc.Registry.Masses)...)
	return append(all, diff(KindStandard, standardFields, fileStandards(current.Standards), fileStandards(doc.Registry.Standards))...)
}

func diff[K ~string, T any](kind Kind, fields []field[T], current, next map[K]T) []Change {
	var all []Change
	for _, id := range ids(next) {
		c := Change{Kind: kind, ID: string(id), Change: Added}
		if old, there := current[id]; there {
			c.Change = Unchanged
			if details := differences("", written(fields, old), written(fields, next[id])); len(details) > 0 {
				c.Change, c.Detail = Changed, strings.Join(details, "; ")
			}
		}
		all = append(all, c)
	}
	return all
}

// differences lists the keys whose values differ, "key: old → new".
func differences(prefix string, old, next []written1) []string {
	before := map[string]written1{}
	for _, w := range old {
		before[w.key] = w
	}
	var all []string
	for _, w := range next {
		o, there := before[w.key]
		delete(before, w.key)
		switch {
		case w.sub != nil:
			all = append(all, differences(prefix+w.key+".", o.sub, w.sub)...)
		case !there:
			all = append(all, fmt.Sprintf("%s%s: not set → %s", prefix, w.key, w.value))
		case o.value != w.value:
			all = append(all, fmt.Sprintf("%s%s: %s → %s", prefix, w.key, o.value, w.value))
		}
	}
	for _, w := range old {
		if _, gone := before[w.key]; gone {
			all = append(all, fmt.Sprintf("%s%s: %s → not set", prefix, w.key, w.value))
		}
	}
	return all
}

// Plan says what applying doc changes and which versions to record for it.
// versions are all those recorded so far, in any order; what is in force at
// doc.EffectiveAt is compared with. An entry with a version that takes effect
// later keeps that one from then on, and its change says so, also an unchanged one. The error is that
// of a version that cannot be read.
func Plan(versions []Version, doc Document, recordedAt time.Time, by string) ([]Change, []Version, error) {
	current, err := At(versions, doc.EffectiveAt)
	if err != nil {
		return nil, nil, err
	}
	type key struct {
		kind Kind
		id   string
	}
	later := map[key]time.Time{}
	for _, v := range versions {
		k := key{v.Kind, v.ID}
		if v.EffectiveAt.After(doc.EffectiveAt) && (later[k].IsZero() || v.EffectiveAt.Before(later[k])) {
			later[k] = v.EffectiveAt
		}
	}
	changes := Diff(current, doc)
	var add []Version
	for i := range changes {
		c := &changes[i]
		if t := later[key{c.Kind, c.ID}]; !t.IsZero() {
			if c.Detail != "" {
				c.Detail += "; "
			}
			c.Detail += "until " + when(t) + ", from when another version holds"
		}
		if c.Change == Unchanged {
			continue
		}
		add = append(add, Version{Kind: c.Kind, ID: c.ID, EffectiveAt: doc.EffectiveAt, RecordedAt: recordedAt, By: by, Body: bodyOf(doc.Registry, c.Kind, c.ID)})
	}
	return changes, add, nil
}

func bodyOf(r fleet.Registry, kind Kind, id string) []byte {
	switch kind {
	case KindSite:
		return body(siteFields, r.Sites[fleet.SiteID(id)])
	case KindCell:
		return body(cellFields, r.Cells[fleet.CellID(id)])
	case KindCar:
		return body(carFields, r.Cars[fleet.CarID(id)])
	case KindMass:
		return body(massFields, r.Masses[fleet.MassID(id)])
	default:
		return body(standardFields, fileStandard(r.Standards[fleet.StandardID(id)]))
	}
}

// At returns the registry in force at t: of each entry the version with the
// latest EffectiveAt not after t; of several, the one recorded last. The order
// of versions does not matter, except that of two alike in both times the later
// in the slice counts. Keys of a body that are not known are passed over and
// missing ones take their defaults, so that bodies written by other releases
// can be read.
func At(versions []Version, t time.Time) (fleet.Registry, error) {
	type key struct {
		kind Kind
		id   string
	}
	best := map[key]Version{}
	for _, v := range versions {
		if v.EffectiveAt.After(t) {
			continue
		}
		k := key{v.Kind, v.ID}
		b, there := best[k]
		if !there || v.EffectiveAt.After(b.EffectiveAt) || v.EffectiveAt.Equal(b.EffectiveAt) && !v.RecordedAt.Before(b.RecordedAt) {
			best[k] = v
		}
	}
	r := newRegistry()
	for k, v := range best {
		var err error
		switch k.kind {
		case KindSite:
			var e fleet.Site
			e, err = unbody(siteFields, v.Body)
			e.ID = fleet.SiteID(k.id)
			r.Sites[e.ID] = e
		case KindCell:
			var e fleet.Cell
			e, err = unbody(cellFields, v.Body)
			e.ID = fleet.CellID(k.id)
			r.Cells[e.ID] = e
		case KindCar:
			var e fleet.Car
			e, err = unbody(carFields, v.Body)
			e.ID = fleet.CarID(k.id)
			r.Cars[e.ID] = e
		case KindMass:
			var e fleet.Mass
			e, err = unbody(massFields, v.Body)
			e.ID = fleet.MassID(k.id)
			r.Masses[e.ID] = e
		case KindStandard:
			var f standard
			f, err = unbody(standardFields, v.Body)
			e := f.noun()
			e.ID = fleet.StandardID(k.id)
			r.Standards[e.ID] = e
		default:
			err = fmt.Errorf("unknown kind")
		}
		if err != nil {
			return fleet.Registry{}, fmt.Errorf("read %s %q of the registry, effective %s: %w", k.kind, k.id, when(v.EffectiveAt), err)
		}
	}
	return r, nil
}

// unbody reads what body wrote.
func unbody[T any](fields []field[T], data []byte) (T, error) {
	var entry T
	var values map[string]json.RawMessage
	if err := json.Unmarshal(data, &values); err != nil {
		return entry, err
	}
	given := map[string]bool{}
	if err := unbodyKeys(fields, values, &entry, given, ""); err != nil {
		return entry, err
	}
	setDefaults(fields, &entry, given, "")
	return entry, nil
}

func unbodyKeys[T any](fields []field[T], values map[string]json.RawMessage, entry *T, given map[string]bool, prefix string) error {
	for _, f := range fields {
		raw, there := values[f.key]
		if !there {
			continue
		}
		var err error
		switch f.kind {
		case group:
			var inner map[string]json.RawMessage
			if err = json.Unmarshal(raw, &inner); err == nil {
				err = unbodyKeys(f.sub, inner, entry, given, f.key+".")
			}
		case number:
			var y float64
			err = json.Unmarshal(raw, &y)
			f.put(entry, f.unit.toSI(y))
		case numbers:
			var ys []float64
			err = json.Unmarshal(raw, &ys)
			for _, y := range ys {
				*f.nums(entry) = append(*f.nums(entry), f.unit.toSI(y))
			}
		case span:
			var y float64
			err = json.Unmarshal(raw, &y)
			*f.span(entry) = daysOf(y)
		case count:
			err = json.Unmarshal(raw, f.count(entry))
		case limit:
			var ys [2]float64
			err = json.Unmarshal(raw, &ys)
			*f.lim(entry) = fleet.Limit{Note: f.unit.toSI(ys[0]), Disqualify: f.unit.toSI(ys[1])}
		case text:
			var s string
			err = json.Unmarshal(raw, &s)
			f.set(entry, s)
		case date:
			var s string
			if err = json.Unmarshal(raw, &s); err == nil {
				var t time.Time
				if t, err = time.Parse(time.DateOnly, s); err != nil {
					t, err = time.Parse(time.RFC3339Nano, s)
				}
				*f.date(entry) = t.UTC()
			}
		}
		if err != nil {
			return fmt.Errorf("key %s: %w", prefix+f.key, err)
		}
		given[prefix+f.key] = true
	}
	return nil
}
