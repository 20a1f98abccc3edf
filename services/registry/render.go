package registry

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollcall/services/fleet"
)

// Render writes a registry in the form Parse reads, every default written out.
// Parse reads it back to the same registry when it came from Parse; other
// numbers may differ in the last binary digit where they are written in
// degrees, percent or rpm. The text is the same for the same registry.
func Render(r fleet.Registry) []byte { return render(r, "") }

// RenderFrom is Render with the moment from which the registry holds.
func RenderFrom(r fleet.Registry, effectiveAt time.Time) []byte {
	return render(r, "effective_from: "+when(effectiveAt)+"\n")
}

func render(r fleet.Registry, head string) []byte {
	var b bytes.Buffer
	b.WriteString(head)
	section(&b, "sites", r.Sites, siteFields)
	section(&b, "cells", r.Cells, cellFields)
	section(&b, "cars", r.Cars, carFields)
	section(&b, "masses", r.Masses, massFields)
	section(&b, "standards", fileStandards(r.Standards), standardFields)
	return b.Bytes()
}

func section[K ~string, T any](b *bytes.Buffer, name string, entries map[K]T, fields []field[T]) {
	if len(entries) == 0 {
		return
	}
	fmt.Fprintf(b, "%s:\n", name)
	for _, id := range ids(entries) {
		fmt.Fprintf(b, "  %s:\n", yamlKey(string(id)))
		for _, w := range written(fields, entries[id]) {
			if w.sub == nil {
				fmt.Fprintf(b, "    %s: %s\n", w.key, w.value)
				continue
			}
			fmt.Fprintf(b, "    %s:\n", w.key)
			for _, s := range w.sub {
				fmt.Fprintf(b, "      %s: %s\n", s.key, s.value)
			}
		}
	}
}

func ids[K ~string, T any](entries map[K]T) []K {
	all := make([]K, 0, len(entries))
	for id := range entries {
		all = append(all, id)
	}
	slices.Sort(all)
	return all
}

var plainKey = regexp.MustCompile(`^[a-z][a-z0-9-]*$`)

func yamlKey(id string) string {
	if plainKey.MatchString(id) && !slices.Contains([]string{"null", "true", "false", "yes", "no", "on", "off", "y", "n"}, id) {
		return id
	}
	return quoted(id)
}

// quoted writes a text as JSON does, which YAML reads too.
func quoted(s string) string {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(s); err != nil {
		panic("registry: text cannot be written: " + err.Error())
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func when(t time.Time) string {
	t = t.UTC()
	if t.Equal(t.Truncate(24 * time.Hour)) {
		return t.Format(time.DateOnly)
	}
	return t.Format(time.RFC3339Nano)
}

// written1 is a key with its value as it is written, which is JSON as well as YAML
// (dates apart, which JSON has in quotes).
type written1 struct {
	key, value string
	date       bool
	sub        []written1
}

// written returns the keys and values of an entry in the order of its table.
func written[T any](fields []field[T], entry T) []written1 {
	var all []written1
	for _, f := range fields {
		switch f.kind {
		case group:
			// An optional group that nobody filled is not written: what was stored
			// before the group was known stays the same to the byte.
			if sub := written(f.sub, entry); len(sub) > 0 || f.need {
				all = append(all, written1{key: f.key, sub: sub})
			}
		case number:
			if x, ok := f.number(&entry); ok {
				all = append(all, written1{key: f.key, value: f.unit.decimal(x)})
			}
		case numbers:
			var list []string
			for _, x := range *f.nums(&entry) {
				list = append(list, f.unit.decimal(x))
			}
			all = append(all, written1{key: f.key, value: "[" + strings.Join(list, ", ") + "]"})
		case limit:
			if x := *f.lim(&entry); x != (fleet.Limit{}) {
				all = append(all, written1{key: f.key, value: "[" + f.unit.decimal(x.Note) + ", " + f.unit.decimal(x.Disqualify) + "]"})
			}
		case text:
			if s := f.get(entry); s != "" || f.need {
				all = append(all, written1{key: f.key, value: quoted(s)})
			}
		case span:
			if d := *f.span(&entry); d != 0 {
				all = append(all, written1{key: f.key, value: days(d)})
			}
		case count:
			if n := *f.count(&entry); n != 0 {
				all = append(all, written1{key: f.key, value: strconv.Itoa(n)})
			}
		case date:
			if t := *f.date(&entry); !t.IsZero() {
				all = append(all, written1{key: f.key, value: when(t), date: true})
			}
		}
	}
	return all
}

// body writes an entry as canonical JSON.
func body[T any](fields []field[T], entry T) []byte {
	var b bytes.Buffer
	object(&b, written(fields, entry))
	return b.Bytes()
}

func object(b *bytes.Buffer, all []written1) {
	b.WriteByte('{')
	for i, w := range all {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(quoted(w.key) + ":")
		switch {
		case w.sub != nil:
			object(b, w.sub)
		case w.date:
			b.WriteString(quoted(w.value))
		default:
			b.WriteString(w.value)
		}
	}
	b.WriteByte('}')
}
