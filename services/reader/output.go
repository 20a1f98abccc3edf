package reader

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"rollcall/services/show"
)

// formatFlags choose how a command prints.
type formatFlags struct{ json, csv bool }

func (f *formatFlags) add(c *cobra.Command) {
	c.Flags().BoolVar(&f.json, "json", false, "print one JSON document, SI, names of the wire")
	c.Flags().BoolVar(&f.csv, "csv", false, "print CSV, SI, units in the headers")
}

// check refuses both formats at once; cobra's own check would not be known as a
// usage error.
func (f *formatFlags) check() error {
	if f.json && f.csv {
		return &UsageError{fmt.Errorf("--json and --csv exclude each other")}
	}
	return nil
}

// printAs prints an answer as JSON, its rows as CSV, or for people.
func printAs[M proto.Message](f formatFlags, w io.Writer, answer proto.Message, rows []M, people func() error) error {
	switch {
	case f.json:
		return show.JSON(w, answer)
	case f.csv:
		return show.CSV(w, rows)
	}
	return people()
}

// table prints rows under heads, columns two spaces apart. A head that begins
// with ">" is that of a column of numbers, set to the right.
type table struct {
	heads []string
	rows  [][]string
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

func (t *table) print(w io.Writer) error {
	width := make([]int, len(t.heads))
	right := make([]bool, len(t.heads))
	heads := make([]string, len(t.heads))
	for i, h := range t.heads {
		heads[i], right[i] = strings.CutPrefix(h, ">")
		width[i] = utf8.RuneCountInString(heads[i])
		for _, r := range t.rows {
			width[i] = max(width[i], utf8.RuneCountInString(show.Clean(r[i])))
		}
	}
	for _, r := range append([][]string{heads}, t.rows...) {
		var b strings.Builder
		for i, c := range r {
			c = show.Clean(c)
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if right[i] {
				c = pad + c
			} else {
				c += pad
			}
			if i > 0 {
				b.WriteString("  ")
			}
			b.WriteString(c)
		}
		if _, err := fmt.Fprintln(w, strings.TrimRight(b.String(), " ")); err != nil {
			return err
		}
	}
	return nil
}
