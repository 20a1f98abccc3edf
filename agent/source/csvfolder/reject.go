package csvfolder

import (
	"fmt"
	"strings"
)

// Rejection says why a file cannot be taken: what is wrong, where, and how to
// mend it.
type Rejection struct {
	What   string
	Line   int    // from 1; 0: the file as a whole
	Field  int    // from 1, within the line; 0: the line as a whole
	Column string // the column's name, when it has one
	Mend   string
}

// Error returns everything on one line.
func (r *Rejection) Error() string {
	s := r.What
	if w := r.where(); w != "" {
		s = w + ": " + s
	}
	if r.Mend != "" {
		s += "; " + r.Mend
	}
	return s
}

func (r *Rejection) where() string {
	var parts []string
	if r.Line > 0 {
		parts = append(parts, fmt.Sprintf("line %d", r.Line))
	}
	if r.Field > 0 {
		parts = append(parts, fmt.Sprintf("field %d", r.Field))
	}
	if r.Column != "" {
		parts = append(parts, fmt.Sprintf("column %q", r.Column))
	}
	return strings.Join(parts, ", ")
}

// text is the file of reasons put beside a rejected file.
func (r *Rejection) text(name string) string {
	where := r.where()
	if where == "" {
		where = "the whole file"
	}
	return fmt.Sprintf("%s was not taken; nothing of it was sent.\n\nWhat:  %s\nWhere: %s\nMend:  %s\n\nWhen it is mended, move it back into the folder above.\n",
		name, r.What, where, r.Mend)
}

// show quotes a text of a file for a message, cut to a bearable length.
func show(s string) string {
	const most = 60
	if len(s) > most {
		s = s[:most] + "…"
	}
	return fmt.Sprintf("%q", s)
}
