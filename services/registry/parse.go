package registry

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // Zone names are checked the same on every machine.
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"rollcall/services/fleet"
)

// Limits of a file.
const (
	maxBytes    = 8 << 20
	maxText     = 200
	maxProblems = 200
	maxRates    = 20
)

var exponent = regexp.MustCompile(`^[-+]?[0-9]+[eE][-+]?[0-9]+$`)

var idPattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)

// Parse reads a registry file. file is its name, for the problems; now is from
// when the entries hold when the file does not say. When there is any problem
// the document is empty and must not be applied. Problems are in the order of
// their lines.
func Parse(file string, data []byte, now time.Time) (Document, []Problem) {
	r := &reader{file: file}
	doc := r.document(data, now)
	if len(r.problems) == 0 {
		return doc, nil
	}
	slices.SortStableFunc(r.problems, func(a, b Problem) int { return a.Line - b.Line })
	if n := len(r.problems); n > maxProblems {
		r.problems = append(r.problems[:maxProblems], Problem{File: file,
			What: fmt.Sprintf("there are %d more problems", n-maxProblems), Mend: "mend these first and try again"})
	}
	return Document{}, r.problems
}

type reader struct {
	file     string
	problems []Problem
}

func (r *reader) problem(line int, what, mend string) {
	r.problems = append(r.problems, Problem{File: r.file, Line: line, What: what, Mend: mend})
}

// pair is one key with its value.
type pair struct {
	key   string
	line  int
	value ast.Node
}

func lineOf(n ast.Node) int {
	if n == nil || n.GetToken() == nil || n.GetToken().Position == nil {
		return 0
	}
	return n.GetToken().Position.Line
}

func (r *reader) document(data []byte, now time.Time) Document {
	doc := Document{EffectiveAt: now.UTC(), Registry: newRegistry()}
	const start = "start from the file that `rollcall fleet show` prints, or from deploy/demo/registry.yaml"
	switch {
	case len(data) > maxBytes:
		r.problem(0, fmt.Sprintf("the file has %d bytes", len(data)), fmt.Sprintf("a registry file has at most %d; is it the right file?", maxBytes))
		return doc
	case !utf8.Valid(data):
		line := 1
		for rest := data; len(rest) > 0; {
			c, size := utf8.DecodeRune(rest)
			if c == utf8.RuneError && size == 1 {
				break
			}
			if c == '\n' {
				line++
			}
			rest = rest[size:]
		}
		r.problem(line, "the text is not UTF-8", "save the file as UTF-8")
		return doc
	}
	tree, err := parseYAML(data)
	if err != nil {
		r.syntax(err)
		return doc
	}
	var bodies []ast.Node
	for _, d := range tree.Docs {
		if d.Body != nil {
			if _, comment := d.Body.(*ast.CommentGroupNode); !comment {
				bodies = append(bodies, d.Body)
			}
		}
	}
	switch {
	case len(bodies) == 0:
		r.problem(0, "the file is empty", start)
		return doc
	case len(bodies) > 1:
		r.problem(lineOf(bodies[1]), "a second document begins here", "keep one document in the file; remove the line ---")
		return doc
	}
	pairs, ok := r.pairs("the file", bodies[0])
	if !ok {
		return doc
	}
	top := []string{"effective_from", "sites", "cells", "cars", "masses", "standards"}
	sections := map[string]ast.Node{}
	for _, p := range pairs {
		if !slices.Contains(top, p.key) {
			r.unknown("the file", p, top)
			continue
		}
		if p.key == "effective_from" {
			if t, ok := r.date("the file", field[Document]{key: p.key, what: "from when this holds, such as 2026-01-05 or 2026-01-05T06:00:00Z"}, p); ok {
				doc.EffectiveAt = t
			}
			continue
		}
		sections[p.key] = p.value
	}
	sites := map[string]bool{} // those named, whether or not they are right
	siteLine := map[string]int{}
	entries(r, KindSite, sections["sites"], siteFields, func(id string, at place, s fleet.Site) {
		sites[id] = true
		siteLine[id] = at.line
		s.ID = fleet.SiteID(id)
		if s.Zone != "" {
			if _, err := time.LoadLocation(s.Zone); err != nil || s.Zone == "Local" {
				r.problem(at.of("time_zone"), fmt.Sprintf("site %q: time_zone %q is not known", id, s.Zone), "write the IANA name, such as Europe/Berlin or America/Chicago")
			}
		}
		doc.Registry.Sites[s.ID] = s
	})
	entries(r, KindCell, sections["cells"], cellFields, func(id string, at place, c fleet.Cell) {
		c.ID = fleet.CellID(id)
		if at.has("site") && !sites[string(c.Site)] {
			mend := "a file must hold the sites its cells stand at: add the site under sites (`rollcall fleet show` prints those known), or write the id of one that is there"
			if near := nearest(string(c.Site), sortedKeys(sites)); near != "" {
				mend = fmt.Sprintf("did you mean %q? Else add the site under sites: a file must hold the sites its cells stand at", near)
			}
			r.problem(at.of("site"), fmt.Sprintf("cell %q: there is no site %q in this file", id, c.Site), mend)
		}
		if at.has("parasitic.f0_n", "parasitic.f1_n_s_per_m", "parasitic.f2_n_s2_per_m2") {
			for v := 0.0; v <= maxSpeed; v++ {
				if f := c.Parasitic.At(v); f < 0 {
					r.problem(at.of("parasitic"), fmt.Sprintf("cell %q: the parasitic loss is %.3g N at %g m/s: the rollers would drive the car", id, f, v),
						"check the signs and units of f0_n, f1_n_s_per_m and f2_n_s2_per_m2; loss is positive")
					break
				}
			}
		}
		if at.has("zero_tolerance_n", "load_cell_range_n") && c.ZeroTolerance >= c.LoadCellRange {
			r.problem(at.of("zero_tolerance_n"), fmt.Sprintf("cell %q: zero_tolerance_n %s is not less than load_cell_range_n %s", id, plain(c.ZeroTolerance), plain(c.LoadCellRange)),
				"write both in N at the lever arm; the zero tolerance is a small part of the range")
		}
		doc.Registry.Cells[c.ID] = c
	})
	entries(r, KindCar, sections["cars"], carFields, func(id string, at place, c fleet.Car) {
		c.ID = fleet.CarID(id)
		if at.has("band_low_rpm", "band_high_rpm") && c.BandLow >= c.BandHigh {
			r.problem(at.of("band_low_rpm"), fmt.Sprintf("car %q: band_low_rpm %s is not below band_high_rpm %s", id, rpm.decimal(c.BandLow), rpm.decimal(c.BandHigh)),
				"write the lower engine speed as band_low_rpm and the higher as band_high_rpm")
		}
		if at.has("rotating_mass_kg", "coasting_mass_kg") && c.CoastingMass > c.RotatingMass {
			r.problem(at.of("coasting_mass_kg"), fmt.Sprintf("car %q: coasting_mass_kg %s is more than rotating_mass_kg %s", id, plain(c.CoastingMass), plain(c.RotatingMass)),
				"what turns in neutral is a part of what turns in gear; are the two exchanged?")
		}
		doc.Registry.Cars[c.ID] = c
	})
	entries(r, KindMass, sections["masses"], massFields, func(id string, at place, m fleet.Mass) {
		m.ID = fleet.MassID(id)
		if at.has("mass_kg", "expanded_uncertainty_kg") && m.U >= m.Mass {
			r.problem(at.of("expanded_uncertainty_kg"), fmt.Sprintf("mass %q: expanded_uncertainty_kg %s is not less than mass_kg %s", id, plain(m.U), plain(m.Mass)),
				"write both in kg; certificates often give the uncertainty in mg or g")
		}
		doc.Registry.Masses[m.ID] = m
	})
	entries(r, KindStandard, sections["standards"], standardFields, func(id string, at place, s standard) {
		s.ID = fleet.StandardID(id)
		// The keys of its kind, and none of the other's.
		mine, others, name := []string{"range_n", "least_expanded_uncertainty_n"}, []string{"range_nm", "least_expanded_uncertainty_nm"}, "force"
		ranged, least := s.rangeForce, s.leastForce
		if s.Kind == fleet.StandardTorque {
			mine, others, name = others, mine, "torque"
			ranged, least = s.rangeTorque, s.leastTorque
		}
		if at.has("kind") {
			for i, key := range others {
				if _, there := at.all[key]; there {
					r.problem(at.of(key), fmt.Sprintf("standard %q: it measures %s, yet %s is given", id, name, key), "write "+mine[i]+" instead, or correct its kind")
				}
			}
			if _, there := at.all[mine[0]]; !there {
				r.problem(at.line, fmt.Sprintf("standard %q: %s is missing", id, mine[0]), "add it: the standard's range")
			}
		}
		if at.has("kind", mine[0], mine[1]) && least >= ranged {
			r.problem(at.of(mine[1]), fmt.Sprintf("standard %q: %s %s is not less than %s %s", id, mine[1], plain(least), mine[0], plain(ranged)), "write both in the same unit; the uncertainty is a small part of the range")
		}
		doc.Registry.Standards[s.ID] = s.noun()
	})
	if len(r.problems) == 0 && len(doc.Registry.Sites)+len(doc.Registry.Cells)+len(doc.Registry.Cars)+len(doc.Registry.Masses)+len(doc.Registry.Standards) == 0 {
		r.problem(0, "the file names no site, cell, car, mass or standard", start)
	}
	return doc
}

// maxSpeed is up to which roller speed a parasitic loss must not be negative,
// m/s (about 250 km/h).
const maxSpeed = 70

// parseYAML turns a panic of the YAML library into an error.
func parseYAML(data []byte) (tree *ast.File, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the text cannot be read as YAML (%v)", p)
		}
	}()
	return parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
}

func (r *reader) syntax(err error) {
	line, what := 0, strings.SplitN(err.Error(), "\n", 2)[0]
	var ye yaml.Error
	if errors.As(err, &ye) {
		what = ye.GetMessage()
		if t := ye.GetToken(); t != nil && t.Position != nil {
			line = t.Position.Line
		}
	}
	mend := "look at this line and the one before: indentation, a colon after every key, closed quotes and brackets"
	if strings.Contains(what, "'\t'") {
		what, mend = "the line begins with a tab", "indent with spaces only"
	}
	r.problem(line, "not YAML: "+strings.TrimPrefix(what, "not YAML: "), mend)
}

// pairs returns the keys and values of a mapping, in the file's order, each key once.
func (r *reader) pairs(where string, n ast.Node) ([]pair, bool) {
	var values []*ast.MappingValueNode
	switch m := n.(type) {
	case *ast.MappingNode:
		values = m.Values
	case *ast.MappingValueNode:
		values = []*ast.MappingValueNode{m}
	default:
		if r.plainNode(where, n) {
			r.problem(lineOf(n), where+" must hold keys with values", "write one `key: value` a line")
		}
		return nil, false
	}
	var all []pair
	first := map[string]int{}
	for _, v := range values {
		key, line := "", lineOf(v.Key)
		switch k := v.Key.(type) {
		case *ast.MergeKeyNode:
			r.problem(line, where+": merge keys (<<) are not read here", "write the keys out")
			continue
		case ast.ScalarNode:
			key = k.GetToken().Value
		default:
			r.problem(line, where+": this key is not a plain word", "write one `key: value` a line")
			continue
		}
		if before, twice := first[key]; twice {
			r.problem(line, fmt.Sprintf("%s: %s is there twice, first in line %d", where, key, before), "keep one of the two")
			continue
		}
		first[key] = line
		all = append(all, pair{key, line, v.Value})
	}
	return all, true
}

// plainNode reports whether a node is not one of the YAML devices that
// registry files do without; else it says so.
func (r *reader) plainNode(where string, n ast.Node) bool {
	switch n.(type) {
	case *ast.AnchorNode, *ast.AliasNode:
		r.problem(lineOf(n), where+": anchors and aliases (& and *) are not read here", "write the value out")
		return false
	case *ast.TagNode:
		r.problem(lineOf(n), where+": tags (!) are not read here", "write the value alone; quote it when it must be a text")
		return false
	}
	return true
}

func (r *reader) unknown(where string, p pair, known []string) {
	mend := "remove it; known here are " + strings.Join(known, ", ")
	if near := nearest(p.key, known); near != "" {
		mend = fmt.Sprintf("did you mean %s?", near)
	}
	r.problem(p.line, fmt.Sprintf("%s: the key %s is not known", where, p.key), mend)
}

// place knows in which lines the keys of an entry stand.
type place struct {
	line int
	keys map[string]int // right ones only
	all  map[string]int
}

func (p place) of(key string) int {
	if l, ok := p.all[key]; ok {
		return l
	}
	return p.line
}

func (p place) has(keys ...string) bool {
	for _, k := range keys {
		if _, ok := p.keys[k]; !ok {
			return false
		}
	}
	return true
}

// entries reads one section and hands each entry on, also one with problems.
func entries[T any](r *reader, kind Kind, section ast.Node, fields []field[T], each func(id string, at place, entry T)) {
	if section == nil {
		return
	}
	if _, null := section.(*ast.NullNode); null {
		return
	}
	if seq, ok := section.(*ast.SequenceNode); ok {
		r.problem(lineOf(seq), fmt.Sprintf("the %ss are a list", kind), "give each its id as key, `id:`, with its own keys indented below")
		return
	}
	pairs, ok := r.pairs(string(kind)+"s", section)
	if !ok {
		return
	}
	for _, p := range pairs {
		where := fmt.Sprintf("%s %q", kind, p.key)
		if !idPattern.MatchString(p.key) {
			r.problem(p.line, fmt.Sprintf("%s: this is not an id", where), "use 1 to 40 of a to z, 0 to 9 and hyphen, no hyphen first or last")
		}
		var entry T
		at := place{line: p.line, keys: map[string]int{}, all: map[string]int{}}
		given := map[string]bool{}
		if _, null := p.value.(*ast.NullNode); null {
			r.problem(p.line, where+" has no keys", "it needs "+strings.Join(needed(fields), ", "))
		} else if inner, ok := r.pairs(where, p.value); ok {
			readKeys(r, where, "", inner, p.line, fields, &entry, at, given)
		}
		setDefaults(fields, &entry, given, "")
		each(p.key, at, entry)
	}
}

func needed[T any](fields []field[T]) []string {
	var all []string
	for _, f := range fields {
		if f.need {
			all = append(all, f.key)
		}
	}
	return all
}

func readKeys[T any](r *reader, where, prefix string, pairs []pair, line int, fields []field[T], entry *T, at place, given map[string]bool) {
	seen := map[string]bool{}
	for _, p := range pairs {
		i := slices.IndexFunc(fields, func(f field[T]) bool { return f.key == p.key })
		if i < 0 {
			r.unknown(where, p, keys(fields))
			// A key that was meant by this one is not missing as well.
			if near := nearest(p.key, keys(fields)); near != "" {
				seen[near] = true
			}
			continue
		}
		f := fields[i]
		seen[f.key] = true
		at.all[prefix+f.key] = p.line
		if f.kind == group {
			if _, null := p.value.(*ast.NullNode); null {
				p.value = ast.Mapping(p.value.GetToken(), false)
			}
			if inner, ok := r.pairs(where+": "+f.key, p.value); ok {
				readKeys(r, where+": "+f.key, f.key+".", inner, p.line, f.sub, entry, at, given)
			}
			continue
		}
		if readValue(r, where, f, p, entry) {
			at.keys[prefix+f.key] = p.line
			given[prefix+f.key] = true
		}
	}
	for _, f := range fields {
		if f.need && !seen[f.key] {
			r.problem(line, fmt.Sprintf("%s: %s is missing", where, f.key), "add it: "+f.what)
		}
	}
}

// readValue puts the value of p where f says; it reports whether it was right.
func readValue[T any](r *reader, where string, f field[T], p pair, entry *T) bool {
	if !r.plainNode(where+": "+f.key, p.value) {
		return false
	}
	switch f.kind {
	case number:
		y, ok := number1(r, where, f, p.line, p.value)
		if ok {
			f.put(entry, f.unit.toSI(y))
		}
		return ok
	case numbers:
		list, ok := p.value.(*ast.SequenceNode)
		if !ok || len(list.Values) == 0 {
			r.problem(p.line, fmt.Sprintf("%s: %s is not a list of numbers", where, f.key), "write it in brackets, such as [200, 400]: "+f.what)
			return false
		}
		if len(list.Values) > maxRates {
			r.problem(p.line, fmt.Sprintf("%s: %s has %d numbers", where, f.key, len(list.Values)), fmt.Sprintf("write at most %d", maxRates))
			return false
		}
		var xs []float64
		for _, n := range list.Values {
			y, ok := number1(r, where, f, lineOf(n), n)
			if !ok {
				return false
			}
			if x := f.unit.toSI(y); slices.Contains(xs, x) {
				r.problem(lineOf(n), fmt.Sprintf("%s: %s holds %s twice", where, f.key, plain(y)), "write each once")
				return false
			} else {
				xs = append(xs, x)
			}
		}
		*f.nums(entry) = xs
		return true
	case limit:
		list, ok := p.value.(*ast.SequenceNode)
		if !ok || len(list.Values) != 2 {
			r.problem(p.line, fmt.Sprintf("%s: %s is not a pair of numbers", where, f.key), "write where a note begins and where a reference pull is disqualified, such as [3, 5]: "+f.what)
			return false
		}
		note, ok1 := number1(r, where, f, lineOf(list.Values[0]), list.Values[0])
		bad, ok2 := number1(r, where, f, lineOf(list.Values[1]), list.Values[1])
		if !ok1 || !ok2 {
			return false
		}
		x := fleet.Limit{Note: f.unit.toSI(note), Disqualify: f.unit.toSI(bad)}
		switch {
		case f.less && bad > note, !f.less && bad < note:
			r.problem(p.line, fmt.Sprintf("%s: %s disqualifies at %s before it notes at %s", where, f.key, plain(bad), plain(note)), "write the milder one first: "+f.what)
			return false
		case x == fleet.Limit{}:
			r.problem(p.line, fmt.Sprintf("%s: %s is [0, 0]", where, f.key), "any value at all would disqualify; leave the key out for the usual limit, or write a larger second number")
			return false
		}
		*f.lim(entry) = x
		return true
	case span:
		y, ok := number1(r, where, f, p.line, p.value)
		if ok {
			*f.span(entry) = daysOf(y)
		}
		return ok
	case count:
		y, ok := number1(r, where, f, p.line, p.value)
		if ok && y != math.Trunc(y) {
			r.problem(p.line, fmt.Sprintf("%s: %s is %s, which is not a whole number", where, f.key, plain(y)), "write "+f.what)
			ok = false
		}
		if ok {
			*f.count(entry) = int(y)
		}
		return ok
	case text:
		s, ok := text1(r, where, f, p)
		if ok {
			f.set(entry, s)
		}
		return ok
	default:
		t, ok := r.date(where, field[Document]{key: f.key, what: f.what}, p)
		if ok {
			*f.date(entry) = t
		}
		return ok
	}
}

func number1[T any](r *reader, where string, f field[T], line int, n ast.Node) (float64, bool) {
	bad := func(what, mend string) (float64, bool) {
		r.problem(line, where+": "+f.key+" "+what, mend)
		return 0, false
	}
	raw := ""
	switch v := n.(type) {
	case *ast.NullNode:
		return bad("has no value", "write "+f.what)
	case *ast.InfinityNode, *ast.NanNode:
		return bad("is not a finite number", "write "+f.what)
	case *ast.IntegerNode, *ast.FloatNode:
		raw = v.GetToken().Value
	case *ast.StringNode:
		raw = v.Value
		// The YAML library takes 1e-7 for a text.
		if v.GetToken().Type == token.StringType && exponent.MatchString(raw) {
			break
		}
		if comma := strings.Replace(raw, ",", ".", 1); comma != raw {
			if _, err := strconv.ParseFloat(comma, 64); err == nil {
				return bad(fmt.Sprintf("is %q", raw), fmt.Sprintf("write the decimal mark as a point: %s", comma))
			}
		}
		return bad(fmt.Sprintf("is %q, which is not a number", raw), "write the number alone, without unit or quotes: "+f.what)
	default:
		return bad("is not a number", "write "+f.what)
	}
	y, err := strconv.ParseFloat(raw, 64)
	if err != nil || strings.ContainsAny(raw, "_xXpP") {
		return bad(fmt.Sprintf("is %s, which is not a decimal number", raw), "write "+f.what)
	}
	if math.IsInf(y, 0) || math.IsNaN(y) || !f.within(y) {
		return bad(fmt.Sprintf("is %s", raw), fmt.Sprintf("write %s: %s", f.what, f.limits()))
	}
	if y == 0 {
		y = 0 // No negative zero.
	}
	return y, true
}

func text1[T any](r *reader, where string, f field[T], p pair) (string, bool) {
	bad := func(what, mend string) (string, bool) {
		r.problem(p.line, where+": "+f.key+" "+what, mend)
		return "", false
	}
	s := ""
	switch v := p.value.(type) {
	case *ast.NullNode:
		return bad("has no value", "write "+f.what)
	case *ast.StringNode:
		s = v.Value
	case *ast.LiteralNode:
		s = v.Value.Value
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		s = v.GetToken().Value
	default:
		return bad("is not a text", "write "+f.what)
	}
	s = strings.TrimSpace(s)
	switch {
	case s == "":
		return bad("is empty", "write "+f.what)
	case utf8.RuneCountInString(s) > maxText:
		return bad(fmt.Sprintf("has %d letters", utf8.RuneCountInString(s)), fmt.Sprintf("write at most %d", maxText))
	case strings.ContainsFunc(s, func(c rune) bool {
		return c < ' ' || c >= 0x7f && c < 0xa0 || c == utf8.RuneError || c == 0x2028 || c == 0x2029 || c == 0xfeff
	}):
		return bad("has a line break or a control character", "write it in one line")
	case f.one != nil && !slices.Contains(f.one, s):
		mend := "write one of " + strings.Join(f.one, ", ")
		if near := nearest(s, f.one); near != "" {
			mend = fmt.Sprintf("did you mean %s? Known are %s", near, strings.Join(f.one, ", "))
		}
		return bad(fmt.Sprintf("is %q, which is not known", s), mend)
	}
	return s, true
}

func (r *reader) date(where string, f field[Document], p pair) (time.Time, bool) {
	s := ""
	if v, ok := p.value.(*ast.StringNode); ok {
		s = strings.TrimSpace(v.Value)
	}
	for _, layout := range []string{time.DateOnly, time.RFC3339Nano} {
		if t, err := time.Parse(layout, s); err == nil {
			if t.Year() < 1970 || t.Year() > 2200 {
				r.problem(p.line, fmt.Sprintf("%s: %s is %s", where, f.key, s), "write a date between 1970 and 2200")
				return time.Time{}, false
			}
			return t.UTC(), true
		}
	}
	what := fmt.Sprintf("is %q, which is not a date", s)
	if s == "" {
		what = "is not a date"
	}
	r.problem(p.line, fmt.Sprintf("%s: %s %s", where, f.key, what), "write "+f.what)
	return time.Time{}, false
}

func sortedKeys[V any](m map[string]V) []string {
	all := make([]string, 0, len(m))
	for k := range m {
		all = append(all, k)
	}
	slices.Sort(all)
	return all
}
