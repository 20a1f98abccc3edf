// Package show puts what Rollcall knows into the form of screens and files:
// figures with the units people use, and messages of the wire as JSON and CSV.
// The command line and the pages both use it, so that they say the same.
package show

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// JSON writes a message as one indented document. Fields without presence
// are always there; optional ones only when they are known.
func JSON(w io.Writer, m proto.Message) error {
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

// columns are the headers of CSV that say more than the field's name on the
// wire: where the name is silent, that the unit is a ratio, and that an
// uncertainty is a standard one.
var columns = map[protoreflect.FullName]string{
	"rollcall.v1.CellStatus.offset":                       "offset_ratio",
	"rollcall.v1.CellStatus.expanded_uncertainty":         "expanded_uncertainty_ratio",
	"rollcall.v1.CellStatus.tolerance":                    "tolerance_ratio",
	"rollcall.v1.Flag.size":                               "size_ratio",
	"rollcall.v1.Flag.expanded_uncertainty":               "expanded_uncertainty_ratio",
	"rollcall.v1.Flag.most_effect":                        "most_effect_ratio",
	"rollcall.v1.Flag.most_effect_expanded_uncertainty":   "most_effect_expanded_uncertainty_ratio",
	"rollcall.v1.Check.gain_error":                        "gain_error_ratio",
	"rollcall.v1.Check.gain_expanded_uncertainty":         "gain_expanded_uncertainty_ratio",
	"rollcall.v1.Run.deviation":                           "deviation_ratio",
	"rollcall.v1.Run.offset":                              "offset_ratio",
	"rollcall.v1.Run.expanded_uncertainty":                "expanded_uncertainty_ratio",
	"rollcall.v1.ChannelSummary.minimum":                  "minimum_si",
	"rollcall.v1.ChannelSummary.maximum":                  "maximum_si",
	"rollcall.v1.CurvePoint.tractive_force_uncertainty_n": "tractive_force_standard_uncertainty_n",
	"rollcall.v1.CurvePoint.wheel_power_uncertainty_w":    "wheel_power_standard_uncertainty_w",
	"rollcall.v1.CurvePoint.engine_power_uncertainty_w":   "engine_power_standard_uncertainty_w",
}

// CSV writes messages of one type, a row each. The headers are the fields'
// names on the wire, some of them completed by columns; an Absent value is an
// empty field; a list of messages is given by its length; a list of texts is
// joined by ";".
func CSV[M proto.Message](w io.Writer, rows []M) error {
	out := csv.NewWriter(w)
	var none M
	fields := none.ProtoReflect().Descriptor().Fields()
	var head []string
	for i := range fields.Len() {
		f := fields.Get(i)
		name, more := columns[f.FullName()]
		if !more {
			name = string(f.Name())
		}
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

// Clean keeps texts from elsewhere from moving the cursor or colouring the screen.
func Clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r == 0x2028 || r == 0x2029 {
			return '�'
		}
		return r
	}, s)
}

// The words and figures of tables. An Absent value is a dash.

const Absent = "–"

// At is a time, UTC, to the minute.
func At(t *timestamppb.Timestamp) string {
	if t == nil {
		return Absent
	}
	return t.AsTime().UTC().Format("2006-01-02 15:04")
}

var hyphen = regexp.MustCompile(`(^|[\s(±=:])-(\d)`)

// Sentence is a text of the computation with the true minus sign, as the
// figures of tables have it.
func Sentence(s string) string {
	// Twice: "-1 -2" shares the space.
	return hyphen.ReplaceAllString(hyphen.ReplaceAllString(s, "${1}−${2}"), "${1}−${2}")
}

// Title is a flag in a few words; name is what its cell is called.
func Title(f *rollcallv1.Flag, name string) string {
	switch {
	case f.GetCellId() != "":
		return name + ": " + f.GetKind()
	case f.GetKind() == "reference car":
		return "Reference car " + f.GetCarId() + " has changed"
	}
	return "Reference car " + f.GetCarId() + ": " + f.GetKind()
}

// Cause is a cause's name for people.
func Cause(fault string) string {
	if fault == "none" {
		return "no fault of the cell"
	}
	return fault
}

// LeastProbability is the probability from which a cause beside the first is
// listed; JSON has them all.
const LeastProbability = 0.005

// Causes returns the causes worth listing: the first, and those after it with
// at least LeastProbability.
func Causes(all []*rollcallv1.Cause) []*rollcallv1.Cause {
	var out []*rollcallv1.Cause
	for i, c := range all {
		if i == 0 || c.GetProbability() >= LeastProbability {
			out = append(out, c)
		}
	}
	return out
}

// Or is the text, or a dash where it is empty.
func Or(s string) string {
	if s == "" {
		return Absent
	}
	return s
}

// Signed is a number with its sign and so many decimals; what rounds to zero has none.
func Signed(x float64, decimals int) string {
	s := strconv.FormatFloat(math.Abs(x), 'f', decimals, 64)
	switch {
	case strings.Trim(s, "0.") == "":
		return s
	case x < 0:
		return "−" + s
	}
	return "+" + s
}

// OffPercent is a ratio as a percentage with its sign.
func OffPercent(x *float64) string {
	if x == nil {
		return Absent
	}
	return Signed(*x*100, 2)
}

// Percent is a ratio as a percentage without sign.
func Percent(x *float64) string {
	if x == nil {
		return Absent
	}
	return strconv.FormatFloat(*x*100, 'f', 2, 64)
}

// Scaled is x/by with so many decimals.
func Scaled(x *float64, by float64, decimals int) string {
	if x == nil {
		return Absent
	}
	return strconv.FormatFloat(*x/by, 'f', decimals, 64)
}

// RPM is rad/s as 1/min.
const RPM = math.Pi / 30

// Count is a number with its noun.
func Count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// Sized is a size with its U in the unit people use for it: U with two
// significant digits, the size to the same decimal (JCGM 100:2008, 7.2.6). What
// follows the unit, as in "N at the lever arm", is said once.
func Sized(size, u float64, unit string) string {
	if unit == "ratio" || unit == "1" || unit == "" {
		return fmt.Sprintf("%s %% ± %.2f %%", Signed(size*100, 2), u*100)
	}
	unit, place, _ := strings.Cut(unit, " ")
	decimals := 1
	if u > 0 && !math.IsInf(u, 1) {
		// What rounds up to the next power of ten has a digit more before the point.
		_, e, _ := strings.Cut(strconv.FormatFloat(u, 'e', 1, 64), "e")
		exponent, _ := strconv.Atoi(e)
		decimals = min(max(1-exponent, 0), 9)
	}
	return strings.TrimSuffix(fmt.Sprintf("%s %s ± %.*f %s %s", Signed(size, decimals), unit, decimals, u, unit, place), " ")
}
