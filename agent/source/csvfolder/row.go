package csvfolder

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// What a cell of a row can be besides a decimal number of so many decimals.
const (
	cellBlank = 255
	cellFloat = 254 // not a plain decimal: exponent, or more than 18 digits
)

// maxDigits is how many digits a plain decimal has at most, so that it fits
// int64.
const maxDigits = 18

// pow10 holds the powers of ten exact in float64 that are used.
var pow10 = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18}

// pow10i holds the same as whole numbers.
var pow10i = [...]int64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18}

// What is done with a field of a row.
const (
	slotIgnored = -1
	slotText    = -2 // kept as text: a date or clock
)

// rowReader reads the cells of rows. One is used for all rows of a file; it
// allocates nothing for a row.
type rowReader struct {
	separator, mark byte
	missing         []string
	slots           []int // of each field: the slot its number goes to, or slotIgnored, slotText
	texts           [][]byte

	// The row last read, by slot: digits·10^−decimals, or float.
	digits   []int64
	decimals []uint8
	floats   []float64
}

func newRowReader(f *Format, slots []int, numbers int) *rowReader {
	return &rowReader{
		separator: f.separator, mark: f.mark, missing: f.Missing, slots: slots,
		texts:  make([][]byte, len(slots)),
		digits: make([]int64, numbers), decimals: make([]uint8, numbers), floats: make([]float64, numbers),
	}
}

// value returns the number in a slot, in the column's unit: the float64
// nearest to the text.
func (r *rowReader) value(slot int) float64 {
	d := r.decimals[slot]
	if d == cellFloat {
		return r.floats[slot]
	}
	if n := r.digits[slot]; n < 1<<53 && n > -1<<53 {
		return float64(n) / pow10[d] // both exact, one rounding
	}
	return r.floats[slot]
}

// read reads a row.
func (r *rowReader) read(line []byte) *Rejection {
	field, at := 0, 0
	for {
		slot := slotIgnored
		if field < len(r.slots) {
			slot = r.slots[field]
		}
		if slot >= 0 {
			i := at
			negative := false
			if i < len(line) && (line[i] == '-' || line[i] == '+') {
				negative = line[i] == '-'
				i++
			}
			first := i
			var n int64
			for i < len(line) && line[i]-'0' < 10 {
				n = n*10 + int64(line[i]-'0')
				i++
			}
			count, decimals := i-first, 0
			if i < len(line) && line[i] == r.mark {
				i++
				first = i
				for i < len(line) && line[i]-'0' < 10 {
					n = n*10 + int64(line[i]-'0')
					i++
				}
				decimals = i - first
				count += decimals
			}
			if count > 0 && count <= maxDigits-3 && (i == len(line) || line[i] == r.separator) {
				if negative {
					n = -n
				}
				r.digits[slot], r.decimals[slot] = n, uint8(decimals)
				at = i
			} else {
				end := at + fieldEnd(line[at:], r.separator)
				if err := r.cell(slot, bareField(line[at:end])); err != nil {
					err.Field = field + 1
					return err
				}
				at = end
			}
		} else {
			end := at + fieldEnd(line[at:], r.separator)
			if slot == slotText {
				r.texts[field] = bareField(line[at:end])
			}
			at = end
		}
		field++
		if at >= len(line) {
			break
		}
		at++
	}
	if field == len(r.slots) {
		return nil
	}
	// One separator too many at the end of every row is a habit of some loggers.
	if field == len(r.slots)+1 && len(line) > 0 && line[len(line)-1] == r.separator {
		return nil
	}
	return r.miscounted(line, field)
}

// miscounted says what is wrong with a row of the wrong number of fields.
func (r *rowReader) miscounted(line []byte, fields int) *Rejection {
	err := &Rejection{
		What: fmt.Sprintf("the line has %d fields, the header row has %d", fields, len(r.slots)),
		Mend: "export the file again; every line needs a field for each column",
	}
	if r.separator == ',' && fields > len(r.slots) {
		err.What += "; it looks as if numbers were written with decimal commas between comma-separated fields"
		err.Mend = "let the logger write decimal points or separate fields by semicolons (and set format.separator and format.decimal_mark in the mapping)"
	}
	for _, other := range []byte{';', '\t', ',', '|'} {
		if other != r.separator && fields < len(r.slots) && bytes.Count(line, []byte{other})+1 == len(r.slots) {
			err.What += fmt.Sprintf("; it is separated by %q", other)
			err.Mend = "set format.separator in the mapping to what the file uses"
		}
	}
	return err
}

// cell reads what is no plain decimal at first sight.
func (r *rowReader) cell(slot int, text []byte) *Rejection {
	if len(text) == 0 || slices.Contains(r.missing, string(text)) {
		r.decimals[slot] = cellBlank
		return nil
	}
	plain, decimals, marks := true, 0, 0
	var n int64
	count := 0
	for i, c := range text {
		switch {
		case c-'0' < 10:
			if count++; count <= maxDigits {
				n = n*10 + int64(c-'0')
			}
			if marks > 0 {
				decimals++
			}
		case c == r.mark:
			marks++
		case (c == '-' || c == '+') && i == 0:
		case c == 'e' || c == 'E' || c == '-' || c == '+':
			plain = false
		default:
			return r.bad(text)
		}
	}
	s := string(text)
	if r.mark != '.' {
		s = strings.ReplaceAll(s, string(r.mark), ".")
	}
	f, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(f, 0) || math.IsNaN(f) {
		return r.bad(text)
	}
	r.floats[slot] = f
	if plain && count <= maxDigits && decimals <= maxDigits {
		if text[0] == '-' {
			n = -n
		}
		r.digits[slot], r.decimals[slot] = n, uint8(decimals)
		return nil
	}
	r.decimals[slot] = cellFloat
	return nil
}

// bad says why a text is no number.
func (r *rowReader) bad(text []byte) *Rejection {
	err := &Rejection{What: show(string(text)) + " is no number", Mend: "put a number there, or leave the cell blank where nothing was measured"}
	other := byte(',')
	if r.mark == ',' {
		other = '.'
	}
	lower := strings.ToLower(string(text))
	switch {
	case bytes.Count(text, []byte{other}) == 1 && isDecimal(text, other):
		err.What = fmt.Sprintf("%s has a decimal %q, the mapping declares %q", show(string(text)), other, r.mark)
		err.Mend = fmt.Sprintf("set format.decimal_mark in the mapping to %q, or let the logger write %q", other, r.mark)
	case strings.Contains(lower, "nan") || strings.Contains(lower, "inf") || lower == "n/a" || lower == "null":
		err.Mend = "if the logger writes this for a sample that was not measured, add it to format.missing in the mapping"
	}
	return err
}

// isDecimal reports whether a text is a decimal number with a mark.
func isDecimal(text []byte, mark byte) bool {
	digits := 0
	for i, c := range text {
		switch {
		case c-'0' < 10:
			digits++
		case c == mark, (c == '-' || c == '+') && i == 0:
		default:
			return false
		}
	}
	return digits > 0
}
