package certificate

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"rollcall/services/show"
)

// lineWidth is that of a terminal.
const lineWidth = 96

// Text returns the document for a terminal.
func (d Document) Text() string {
	s := Lay(d)
	return s.Text("End of certificate " + s.Number + ".")
}

// Text returns a sheet for a terminal; last is its last line.
func (s Sheet) Text(last string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n", show.Clean(s.Title))
	facts(&b, s.Lead)
	for _, x := range s.Sections {
		fmt.Fprintf(&b, "\n%s\n\n", show.Clean(x.Heading))
		for _, t := range x.Text {
			b.WriteString(wrap(t, "  ", "  "))
		}
		facts(&b, x.Rows)
		for _, t := range x.Tables {
			grid(&b, t)
		}
		for _, t := range x.List {
			b.WriteString(wrap(t, "  – ", "    "))
		}
	}
	b.WriteByte('\n')
	for _, t := range s.Statements {
		b.WriteString(wrap(t, "", ""))
	}
	fmt.Fprintf(&b, "%s\n", show.Clean(last))
	return b.String()
}

func facts(b *strings.Builder, rows []Row) {
	for _, r := range rows {
		b.WriteString(wrap(r.Value, fmt.Sprintf("  %-30s ", show.Clean(r.Name)), strings.Repeat(" ", 33)))
	}
}

func grid(b *strings.Builder, t Table) {
	b.WriteByte('\n')
	if t.Caption != "" {
		fmt.Fprintf(b, "  %s\n", show.Clean(t.Caption))
	}
	heads := make([]string, len(t.Columns))
	width := make([]int, len(t.Columns))
	for i, c := range t.Columns {
		heads[i] = c.Name
		width[i] = utf8.RuneCountInString(c.Name)
		for _, r := range t.Rows {
			width[i] = max(width[i], utf8.RuneCountInString(show.Clean(r[i])))
		}
	}
	for _, r := range append([][]string{heads}, t.Rows...) {
		var line strings.Builder
		for i, c := range r {
			c = show.Clean(c)
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if t.Columns[i].Right {
				c = pad + c
			} else {
				c += pad
			}
			line.WriteString("  " + c)
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
}

// wrap breaks a text into lines that begin as said.
func wrap(s, first, rest string) string {
	var b strings.Builder
	line, empty := first, true
	for _, w := range strings.Fields(show.Clean(s)) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(w) > lineWidth {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line += w
		empty = false
	}
	b.WriteString(strings.TrimRight(line, " ") + "\n")
	return b.String()
}
