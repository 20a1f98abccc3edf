package reader

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// formatFlags choose how a command prints.
type formatFlags struct{ json, csv bool }

func (f *formatFlags) add(c *cobra.Command) {
	c.Flags().BoolVar(&f.json, "json", false, "print one JSON document, SI, names of the wire")
	c.Flags().BoolVar(&f.csv, "csv", false, "print CSV, SI, units in the headers")
	c.MarkFlagsMutuallyExclusive("json", "csv")
}

// check turns cobra's complaint about both formats, which comes too late for
// the flag error function, into a usage error.
func (f *formatFlags) check() error {
	if f.json && f.csv {
		return &UsageError{fmt.Errorf("--json and --csv exclude each other")}
	}
	return nil
}

// printJSON writes a message as one indented document. Fields without presence
// are always there; optional ones only when they are known.
func printJSON(w io.Writer, m proto.Message) error {
	raw, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(m)
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	// The library varies its white space from build to build.
	var b bytes.Buffer
	if err := json.Indent(&b, raw, "", "  "); err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	b.WriteByte('\n')
	_, err = b.WriteTo(w)
	return err
}

// printCSV writes messages of one type, a row each. The headers are the fields'
// names on the wire; an absent value is an empty field; a list of messages is
// given by its length; a list of texts is joined by ";".
func printCSV[M proto.Message](w io.Writer, rows []M) error {
	out := csv.NewWriter(w)
	var none M
	fields := none.ProtoReflect().Descriptor().Fields()
	var head []string
	for i := range fields.Len() {
		f := fields.Get(i)
		name := string(f.Name())
		if f.IsList() && f.Kind() == protoreflect.MessageKind {
			name += "_count"
		}
		head = append(head, name)
	}
	if err := out.Write(head); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	for _, row := range rows {
		m := row.ProtoReflect()
		var record []string
		for i := range fields.Len() {
			record = append(record, csvValue(m, fields.Get(i)))
		}
		if err := out.Write(record); err != nil {
			return fmt.Errorf("write CSV: %w", err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

func csvValue(m protoreflect.Message, f protoreflect.FieldDescriptor) string {
	switch {
	case f.IsMap():
		return strconv.Itoa(m.Get(f).Map().Len())
	case f.IsList() && f.Kind() == protoreflect.MessageKind:
		return strconv.Itoa(m.Get(f).List().Len())
	case f.IsList():
		var all []string
		for i := range m.Get(f).List().Len() {
			all = append(all, m.Get(f).List().Get(i).String())
		}
		return strings.Join(all, ";")
	case f.HasPresence() && !m.Has(f):
		return ""
	case f.Kind() == protoreflect.MessageKind:
		if t, ok := m.Get(f).Message().Interface().(*timestamppb.Timestamp); ok {
			return t.AsTime().Format(time.RFC3339Nano)
		}
		return ""
	case f.Kind() == protoreflect.DoubleKind:
		return strconv.FormatFloat(m.Get(f).Float(), 'g', -1, 64)
	}
	return m.Get(f).String()
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
			width[i] = max(width[i], utf8.RuneCountInString(clean(r[i])))
		}
	}
	for _, r := range append([][]string{heads}, t.rows...) {
		var b strings.Builder
		for i, c := range r {
			c = clean(c)
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

// clean keeps texts from elsewhere from moving the cursor or colouring the screen.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r == 0x2028 || r == 0x2029 {
			return '�'
		}
		return r
	}, s)
}

// The words and figures of tables. An absent value is a dash.

const absent = "–"

func at(t *timestamppb.Timestamp) string {
	if t == nil {
		return absent
	}
	return t.AsTime().UTC().Format("2006-01-02 15:04")
}

func or(s string) string {
	if s == "" {
		return absent
	}
	return s
}

func signed(x float64, decimals int) string {
	s := strconv.FormatFloat(math.Abs(x), 'f', decimals, 64)
	switch {
	case strings.Trim(s, "0.") == "":
		return s
	case x < 0:
		return "−" + s
	}
	return "+" + s
}

// offPercent is a ratio as a percentage with its sign.
func offPercent(x *float64) string {
	if x == nil {
		return absent
	}
	return signed(*x*100, 2)
}

// percent is a ratio as a percentage without sign.
func percent(x *float64) string {
	if x == nil {
		return absent
	}
	return strconv.FormatFloat(*x*100, 'f', 2, 64)
}

// scaled is x/by with so many decimals.
func scaled(x *float64, by float64, decimals int) string {
	if x == nil {
		return absent
	}
	return strconv.FormatFloat(*x/by, 'f', decimals, 64)
}

// rpm is rad/s as 1/min.
const rpm = math.Pi / 30

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// sized is a size with its U in the unit people use for it.
func sized(size, u float64, unit string) string {
	if unit == "ratio" || unit == "1" || unit == "" {
		return fmt.Sprintf("%s %% ± %.2f %%", signed(size*100, 2), u*100)
	}
	return fmt.Sprintf("%s %s ± %.3g %s", significant(size), unit, u, unit)
}

func significant(x float64) string {
	s := strconv.FormatFloat(math.Abs(x), 'g', 3, 64)
	if x < 0 {
		return "−" + s
	}
	return "+" + s
}
