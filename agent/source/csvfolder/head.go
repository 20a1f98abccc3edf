package csvfolder

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"rollcall/services/compute/unit"
)

// maxPreamble is how many lines are searched for the header row.
const maxPreamble = 1000

// head is what the lines before the data say, and which rule fits.
type head struct {
	file   string
	rule   *Rule
	groups map[string]string // of the rule's file_name
	header map[string]string // as written
	lower  map[string]string // the same by lower-case key
	names  []string          // of the columns; nil without a header row
	units  []string          // nil without a unit row
	lines  int               // before the data
	row    int               // line of the header row
}

// sniff looks at the first bytes of a file for what no CSV holds.
func sniff(first []byte) *Rejection {
	switch {
	case bytes.HasPrefix(first, []byte{0xff, 0xfe}), bytes.HasPrefix(first, []byte{0xfe, 0xff}):
		return &Rejection{What: "the file is UTF-16 (it begins with that byte order mark)", Line: 1, Mend: "export it as UTF-8, or as plain CSV"}
	}
	zeros := 0
	for i, b := range first {
		switch {
		case b == 0:
			zeros++
		case b < ' ' && b != '\t' && b != '\n' && b != '\r' && b != '\f' && b != 0x1a && zeros == 0:
			return &Rejection{What: fmt.Sprintf("the file is no text: byte %d is %#02x", i+1, b), Line: bytes.Count(first[:i], []byte{'\n'}) + 1,
				Mend: "export the record as CSV; this is some other kind of file"}
		}
	}
	if zeros == 0 {
		return nil
	}
	if zeros > len(first)/4 {
		odd := 0
		for i := 1; i < len(first); i += 2 {
			if first[i] == 0 {
				odd++
			}
		}
		if odd > len(first)/3 || odd == 0 {
			return &Rejection{What: "the file is UTF-16 (every other byte is zero)", Line: 1, Mend: "export it as UTF-8, or as plain CSV"}
		}
	}
	return &Rejection{What: "the file is no text: it holds zero bytes", Line: bytes.Count(first[:bytes.IndexByte(first, 0)], []byte{'\n'}) + 1,
		Mend: "export the record as CSV; when it is one, its end was lost (a crash of the logger's computer leaves zeros)"}
}

// text turns a line of the head into UTF-8.
func (f *Format) text(line []byte, number int) (string, *Rejection) {
	if number == 1 {
		line = bytes.TrimPrefix(line, []byte("\xef\xbb\xbf"))
	}
	if f.Encoding == "latin-1" {
		runes := make([]rune, len(line))
		for i, b := range line {
			runes[i] = rune(b)
		}
		return string(runes), nil
	}
	if !utf8.Valid(line) {
		return "", &Rejection{What: "the line is not UTF-8", Line: number, Mend: "set format.encoding in the mapping to latin-1, or export the file as UTF-8"}
	}
	return string(line), nil
}

// readHead reads what comes before the data, and finds the rule that fits.
func (m *Mapping) readHead(l *lines, name string) (*head, error) {
	h := &head{file: name, header: map[string]string{}, lower: map[string]string{}}
	f := &m.Format
	var anchors []string
	if m.Samples != nil {
		anchors = append(anchors, m.Samples.Time.Column)
	}
	if m.Readings != nil {
		anchors = append(anchors, m.Readings.anchors()...)
	}
	var seen candidate
	for {
		if !f.headerRow && l.number == f.PreambleLines {
			break
		}
		raw, _, err := l.next()
		if err == io.EOF || (err == nil && f.headerRow && l.number > maxPreamble) {
			return nil, m.noHeaderRow(anchors, seen, l.number)
		}
		if err != nil {
			return nil, err
		}
		line, rejection := f.text(raw, l.number)
		if rejection != nil {
			return nil, rejection
		}
		if f.headerRow {
			fields := splitFields([]byte(line), f.separator)
			if slices.ContainsFunc(anchors, func(a string) bool { return slices.Contains(fields, a) }) {
				h.names, h.row = fields, l.number
				break
			}
			seen.note(fields, line, l.number, anchors, f.separator)
		}
		if f.Comment != "" {
			line = strings.TrimPrefix(strings.TrimSpace(line), f.Comment)
		}
		h.note(line, f)
	}
	if f.headerRow && f.UnitRow {
		raw, ended, err := l.next()
		if err == io.EOF {
			return nil, headerOnly(l.number)
		}
		if err != nil {
			return nil, err
		}
		line, rejection := f.text(raw, l.number)
		if rejection != nil {
			return nil, rejection
		}
		h.units = splitFields([]byte(line), f.separator)
		if !ended && len(h.units) != len(h.names) {
			return nil, torn(l.number)
		}
		if len(h.units) != len(h.names) {
			return nil, &Rejection{What: fmt.Sprintf("the unit row has %d fields, the header row has %d", len(h.units), len(h.names)), Line: l.number,
				Mend: "every column needs a unit or a blank field; when the file has no unit row, set format.unit_row in the mapping to false"}
		}
	}
	h.lines = l.number
	if rejection := m.match(h); rejection != nil {
		return nil, rejection
	}
	return h, nil
}

func headerOnly(line int) *Rejection {
	return &Rejection{What: "the file has a header row but no data", Line: line, Mend: "the logger was stopped before it wrote a sample; delete the file, or export it again"}
}

func torn(line int) *Rejection {
	return &Rejection{What: "the last line is torn: it has no line end, the writing stopped in the middle", Line: line,
		Mend: "export the file again; if this logger never ends its last line, set format.last_line_end in the mapping to optional"}
}

// note keeps a "key: value" line of the preamble; other lines are passed over.
func (h *head) note(line string, f *Format) {
	key, value, ok := strings.Cut(line, f.KeyValue)
	if !ok {
		return
	}
	key = string(bareField([]byte(key)))
	if f.KeyValue != f.Separator {
		// Spreadsheets pad every line to the width of the table.
		key = strings.TrimLeft(key, f.Separator)
		value = strings.TrimRight(strings.TrimSpace(value), f.Separator)
	} else {
		value = strings.TrimRight(value, f.Separator)
	}
	value = string(bareField([]byte(value)))
	if key == "" {
		return
	}
	if _, twice := h.header[key]; !twice {
		h.header[key] = value
	}
	if low := strings.ToLower(key); h.lower[low] == "" {
		h.lower[low] = value
	}
}

// candidate is the line most like the header row that was looked for.
type candidate struct {
	line   int
	fields []string
	other  byte // the line is the header row with this separator
}

func (c *candidate) note(fields []string, line string, number int, anchors []string, separator byte) {
	if c.other != 0 {
		return
	}
	for _, other := range []byte{';', '\t', ',', '|'} {
		if other == separator || strings.IndexByte(line, other) < 0 {
			continue
		}
		cut := splitFields([]byte(line), other)
		if slices.ContainsFunc(anchors, func(a string) bool { return slices.Contains(cut, a) }) {
			*c = candidate{number, cut, other}
			return
		}
	}
	if len(fields) > 1 && len(fields) > len(c.fields) {
		*c = candidate{line: number, fields: fields}
	}
}

// noHeaderRow says why no header row was found.
func (m *Mapping) noHeaderRow(anchors []string, seen candidate, lines int) *Rejection {
	if lines == 0 {
		return emptyFile()
	}
	r := &Rejection{What: fmt.Sprintf("there is no header row: none of the first %d lines has a column named %s", min(lines, maxPreamble), quoted(anchors, " or ")),
		Mend: "export the column, or put the name the file uses into the mapping (samples.time.column, readings.reading)"}
	if seen.line == 0 {
		return r
	}
	r.Line = seen.line
	r.What += fmt.Sprintf("; line %d has %s", seen.line, quoted(seen.fields, ", "))
	if seen.other != 0 {
		r.What += fmt.Sprintf(", separated by %q, while the mapping declares %q", seen.other, m.Format.separator)
		r.Mend = fmt.Sprintf("set format.separator in the mapping to %q", seen.other)
		return r
	}
	for _, a := range anchors {
		for _, n := range seen.fields {
			if strings.EqualFold(a, n) {
				r.Mend = fmt.Sprintf("write %s in the mapping as the file does: %s", show(a), show(n))
			}
		}
	}
	return r
}

func emptyFile() *Rejection {
	return &Rejection{What: "the file is empty", Mend: "delete it, or export the record again"}
}

// quoted lists texts for a message, a dozen at most.
func quoted(list []string, separator string) string {
	var out []string
	for i, s := range list {
		if i == 12 {
			out = append(out, fmt.Sprintf("and %d more", len(list)-i))
			break
		}
		out = append(out, show(s))
	}
	return strings.Join(out, separator)
}

// match finds the first rule that fits.
func (m *Mapping) match(h *head) *Rejection {
	var tried []string
rules:
	for i := range m.Rules {
		r := &m.Rules[i]
		h.groups = map[string]string{}
		if r.fileName != nil {
			found := r.fileName.FindStringSubmatch(h.file)
			if found == nil {
				tried = append(tried, fmt.Sprintf("%q: the file's name does not match %s", r.Name, r.FileName))
				continue
			}
			for j, g := range r.fileName.SubexpNames() {
				if g != "" {
					h.groups[g] = found[j]
				}
			}
		}
		for _, k := range r.Header {
			value, ok := h.lower[strings.ToLower(k.Key)]
			if !ok {
				tried = append(tried, fmt.Sprintf("%q: the lines before the header row have no %q", r.Name, k.Key))
				continue rules
			}
			if !k.matches.MatchString(value) {
				tried = append(tried, fmt.Sprintf("%q: %s is %s, which does not match %s", r.Name, k.Key, show(value), k.Matches))
				continue rules
			}
		}
		h.rule = r
		return nil
	}
	return &Rejection{What: "no rule of the mapping recognises it; tried " + strings.Join(tried, "; "),
		Mend: "rename the file or correct its header, or add a rule to the mapping; when it is no record, add its name to skip in the mapping"}
}

// take returns the text a Take stands for, and whether there is one.
func (h *head) take(what string, t *Take) (string, bool, *Rejection) {
	if t == nil {
		return "", false, nil
	}
	var s, from string
	ok := false
	switch {
	case t.Group != "":
		s, from = h.groups[t.Group], fmt.Sprintf("the file's name (group %s of rule %q)", t.Group, h.rule.Name)
		ok = s != ""
	case t.Header != "":
		s, from = h.lower[strings.ToLower(t.Header)], fmt.Sprintf("the key %q before the header row", t.Header)
		ok = s != ""
	default:
		return t.Value, true, nil
	}
	if !ok {
		if t.Optional {
			return "", false, nil
		}
		return "", false, &Rejection{What: fmt.Sprintf("%s is missing: it comes from %s", what, from),
			Mend: "put it there, or let it be optional in the mapping"}
	}
	if len(t.Map) > 0 {
		mapped, ok := t.Map[s]
		if !ok {
			var known []string
			for k := range t.Map {
				known = append(known, k)
			}
			slices.Sort(known)
			return "", false, &Rejection{What: fmt.Sprintf("%s is %s (from %s), which the mapping does not know", what, show(s), from),
				Mend: "write one of " + quoted(known, ", ") + ", or add it to the map in the mapping"}
		}
		s = mapped
	}
	return s, true, nil
}

// word is take of one of a few words.
func (h *head) word(what string, t *Take, words []string) (string, *Rejection) {
	s, ok, err := h.take(what, t)
	if err != nil || !ok {
		return "", err
	}
	if w := plainWord(s); slices.Contains(words, w) {
		return w, nil
	}
	return "", &Rejection{What: fmt.Sprintf("%s is %s", what, show(s)), Mend: "it has to be one of " + strings.Join(words, ", ") + "; translate it with map in the mapping"}
}

// number is take of a number, in SI.
func (h *head) number(what string, t *Take, want unit.Dimension, mark byte) (*float64, *Rejection) {
	s, ok, err := h.take(what, t)
	if err != nil || !ok {
		return nil, err
	}
	u := t.unit
	text := s
	if t.Unit == "" {
		i := strings.LastIndexByte(s, ' ')
		if i < 0 {
			return nil, &Rejection{What: fmt.Sprintf("%s is %s, without a unit", what, show(s)), Mend: "write the unit after the number, or give it in the mapping"}
		}
		var e error
		if u, e = unit.ParseAs(s[i+1:], want); e != nil {
			return nil, &Rejection{What: fmt.Sprintf("%s is %s: %v", what, show(s), e), Mend: "write an accepted unit"}
		}
		text = strings.TrimSpace(s[:i])
	}
	r := rowReader{separator: 0, mark: mark, digits: make([]int64, 1), decimals: make([]uint8, 1), floats: make([]float64, 1)}
	if bad := r.cell(0, []byte(text)); bad != nil {
		bad.What = what + ": " + bad.What
		return nil, bad
	}
	if r.decimals[0] == cellBlank {
		return nil, &Rejection{What: what + " is blank", Mend: "put a number there, or let it be optional in the mapping"}
	}
	x := r.floats[0]
	if d := r.decimals[0]; d != cellFloat && r.digits[0] < 1<<53 && r.digits[0] > -1<<53 && int(d) < len(pow10) {
		x = float64(r.digits[0]) / pow10[d]
	}
	x = u.ToSI(x)
	return &x, nil
}

// effective returns the time that effective_at stands for; zero where the file
// says none.
func (h *head) effective(s *StartedAt) (time.Time, *Rejection) {
	if s == nil {
		return time.Time{}, nil
	}
	for i := range s.From {
		text, ok, rejection := h.take("effective_at", &s.From[i])
		switch {
		case rejection != nil:
			return time.Time{}, rejection
		case !ok || text == "":
			return time.Time{}, nil
		}
	}
	return h.time("effective_at", "effective_at", s)
}

// started returns the time a StartedAt with from stands for.
func (h *head) started(s *StartedAt) (time.Time, *Rejection) {
	return h.time("the start", "started_at", s)
}

// time is started of what the mapping calls key.
func (h *head) time(what, key string, s *StartedAt) (time.Time, *Rejection) {
	var parts []string
	for i := range s.From {
		text, _, err := h.take(what, &s.From[i])
		if err != nil {
			return time.Time{}, err
		}
		parts = append(parts, text)
	}
	text := strings.Join(parts, " ")
	m, ok := s.pattern.parse([]byte(text))
	if !ok {
		return time.Time{}, &Rejection{What: fmt.Sprintf("%s is %s, which is no time of the form %s", what, show(text), s.Format),
			Mend: "set " + key + ".format in the mapping to the form the file uses, or correct the date"}
	}
	at, err := s.pattern.in(m, s.zone)
	if err != nil {
		return time.Time{}, &Rejection{What: what + ": " + err.Error(), Mend: "set the clock of the logger, or " + key + ".zone in the mapping"}
	}
	return at, nil
}

// cell checks that the file is of the agent's cell when it names one.
func (h *head) cell(m *Mapping, own string) *Rejection {
	s, ok, err := h.take("the cell", m.Cell)
	if err != nil || !ok || s == own {
		return err
	}
	return &Rejection{What: fmt.Sprintf("the file is of cell %s, this folder is that of cell %s", show(s), show(own)),
		Mend: "move it into the folder of its own cell"}
}

// find returns the index of a named column; a name that is there twice is an
// error, one that is not there gives −1.
func (h *head) find(name string) (int, *Rejection) {
	at := slices.Index(h.names, name)
	if at >= 0 && slices.Contains(h.names[at+1:], name) {
		return -1, &Rejection{What: fmt.Sprintf("there are two columns named %s", show(name)), Line: h.row, Column: name,
			Field: at + 2 + slices.Index(h.names[at+1:], name), Mend: "give each column a name of its own"}
	}
	return at, nil
}

// missing says which columns are not there; without says how the mapping does
// without one.
func (h *head) missing(names []string, without string) *Rejection {
	var near []string
	for _, n := range names {
		for _, have := range h.names {
			if strings.EqualFold(strings.ReplaceAll(n, " ", ""), strings.ReplaceAll(have, " ", "")) {
				near = append(near, fmt.Sprintf("%s for %s", show(have), show(n)))
			}
		}
	}
	columns := "column %s is missing"
	if len(names) > 1 {
		columns = "columns %s are missing"
	}
	r := &Rejection{What: fmt.Sprintf(columns+"; the header row has %s", quoted(names, ", "), quoted(h.names, ", ")), Line: h.row,
		Mend: "let the logger export it, or mend its name in the mapping, or " + without}
	if len(near) > 0 {
		r.Mend = "write the name in the mapping as the file does: " + strings.Join(near, ", ")
	}
	return r
}

// unitOf checks the unit row against the mapping's unit of a column; when the
// mapping gives none, the unit row's is returned.
func (h *head) unitOf(index int, name string, u unit.Unit, given bool, parse func(string) (unit.Unit, error)) (unit.Unit, *Rejection) {
	text := ""
	if h.units != nil {
		text = h.units[index]
	}
	where := Rejection{Line: h.row + 1, Field: index + 1, Column: name}
	if text == "" {
		if given {
			return u, nil
		}
		where.What = "the column has no unit"
		where.Mend = "give its unit in the mapping, or let the logger write it into the unit row"
		return u, &where
	}
	got, err := parse(text)
	if err != nil {
		where.What = err.Error()
		where.Mend = "the column is not what the mapping takes it for, or the logger writes the unit in another way; mend the mapping or the export"
		var mismatch *unit.MismatchError
		if errors.As(err, &mismatch) {
			where.Mend = "the column is of another quantity than its channel; mend the channel in the mapping or the export"
		}
		return u, &where
	}
	if given && got != u {
		where.What = fmt.Sprintf("the unit row says %s, the mapping says %s", show(text), show(u.Symbol))
		where.Mend = "set the column's unit in the mapping to what the file has, or leave it out to take the file's"
		return u, &where
	}
	return got, nil
}

// fieldName names a field for messages.
func (h *head) fieldName(field int) string {
	if field >= 1 && field <= len(h.names) {
		return h.names[field-1]
	}
	return "number " + strconv.Itoa(field)
}
