package wire

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	"rollcall/services/fleet"
)

// Limits of what a message may hold.
const (
	// MaxBlockSamples is the most samples of one block.
	MaxBlockSamples = 65536
	// MaxBlocks is the most blocks of one channel of one pull.
	MaxBlocks = 1 << 20
	// MaxChannels is the most channels of one pull.
	MaxChannels = 256
	// MaxReadings is the most readings of one calibration check.
	MaxReadings = 1000
	// MaxName is the longest id or name of a channel, bytes.
	MaxName = 64
	// MaxText is the longest free text, bytes.
	MaxText = 4096
	// MaxHeader is the most a pull's header may hold, keys and values, bytes.
	MaxHeader = 64 << 10
	// MaxMagnitude bounds every sample and reading, SI units. No quantity of a
	// dynamometer comes near it, and nothing computed from such numbers
	// overflows.
	MaxMagnitude = 1e12
	// MaxPullSeconds bounds a sample's time after the pull's start.
	MaxPullSeconds = 86400.0
	// maxProblems bounds how many problems of one message are told.
	maxProblems = 8
)

// Earliest and latest are the first and last instants accepted. The latest is
// what a 64-bit count of nanoseconds since 1970 holds, to the year.
var (
	Earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	Latest   = time.Date(2262, 1, 1, 0, 0, 0, 0, time.UTC)
)

// MaxAhead is how far ahead of the agent's own clock an event may lie.
const MaxAhead = 24 * time.Hour

// FieldError says which field of a message is wrong, and how to mend it.
type FieldError struct {
	Field  string // path, "sample_block.channel"
	Reason string // what it is, and what it has to be
}

// Error returns the field and the reason as a sentence.
func (e *FieldError) Error() string { return e.Field + ": " + e.Reason }

// FieldErrors are all problems found in one message, never empty when
// returned as an error. errors.As finds the first as a *FieldError.
type FieldErrors []*FieldError

// Error returns the problems joined by semicolons.
func (e FieldErrors) Error() string {
	text := make([]string, len(e))
	for i, f := range e {
		text[i] = f.Error()
	}
	return strings.Join(text, "; ")
}

// Unwrap returns the problems one by one.
func (e FieldErrors) Unwrap() []error {
	errs := make([]error, len(e))
	for i, f := range e {
		errs[i] = f
	}
	return errs
}

// Explain returns the field and the sentence for an answer: the first field
// that is wrong, and everything that is wrong. ok is false when err holds no
// FieldError.
func Explain(err error) (field, reason string, ok bool) {
	var all FieldErrors
	if errors.As(err, &all) && len(all) > 0 {
		return all[0].Field, all.Error(), true
	}
	var one *FieldError
	if errors.As(err, &one) {
		return one.Field, one.Error(), true
	}
	return "", "", false
}

// NotAhead returns a *FieldError when at lies more than MaxAhead after the
// agent's clock.
func NotAhead(field string, at, clock time.Time) error {
	if at.After(clock.Add(MaxAhead)) {
		return &FieldError{field, fmt.Sprintf("is %s, more than a day after the agent's own clock (%s); set the clock of the cell's computer or of the logger",
			at.UTC().Format(time.RFC3339), clock.UTC().Format(time.RFC3339))}
	}
	return nil
}

// ValidID says whether s may be the id of a site, cell, car or mass: a to z,
// 0 to 9 and hyphen, a hyphen neither first nor last, at most MaxName bytes.
func ValidID(s string) bool {
	if s == "" || len(s) > MaxName || s[0] == '-' || s[len(s)-1] == '-' {
		return false
	}
	for i := range len(s) {
		if c := s[i]; !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-') {
			return false
		}
	}
	return true
}

// CellURI returns the URI name by which a certificate says that its holder may
// write for a cell.
func CellURI(cell fleet.CellID) string { return "rollcall:cell:" + string(cell) }

// ValidHash says whether s may be an id made from content: 32 lower-case
// hexadecimal digits.
func ValidHash(s string) bool {
	if len(s) != 32 {
		return false
	}
	for i := range len(s) {
		if c := s[i]; !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f') {
			return false
		}
	}
	return true
}

// ValidChannel says whether c is a known channel, or a site's own: "x_" and
// a to z, 0 to 9, underscore.
func ValidChannel(c fleet.Channel) bool {
	if _, known := fleet.Channels[c]; known {
		return true
	}
	if len(c) < 3 || len(c) > MaxName || c[:2] != "x_" {
		return false
	}
	for i := range len(c) {
		if b := c[i]; !(b >= 'a' && b <= 'z' || b >= '0' && b <= '9' || b == '_') {
			return false
		}
	}
	return true
}

// problems gathers what is wrong with a message.
type problems struct {
	message string // path of the message, "pull_begin"
	found   FieldErrors
}

func (p *problems) add(field, format string, args ...any) {
	if len(p.found) < maxProblems {
		p.found = append(p.found, &FieldError{p.message + "." + field, fmt.Sprintf(format, args...)})
	}
}

// err returns what was found, nil for nothing.
func (p *problems) err() error {
	if len(p.found) == 0 {
		return nil
	}
	return p.found
}

// show quotes what a sender wrote, cut to a length fit for a sentence.
func show(s string) string {
	const limit = 80
	if len(s) <= limit {
		return fmt.Sprintf("%q", s)
	}
	for n := limit; ; n-- {
		if utf8.RuneStart(s[n]) {
			return fmt.Sprintf("%q…", s[:n])
		}
	}
}

func (p *problems) id(field, what, s string) {
	switch {
	case s == "":
		p.add(field, "is missing; give the id of the %s as in the registry", what)
	case !ValidID(s):
		p.add(field, "is %s, which is no id; the id of a %s has the letters a to z, digits and hyphens only, at most %d", show(s), what, MaxName)
	}
}

func (p *problems) hash(field, s string) {
	if !ValidHash(s) {
		p.add(field, "is %s; it has to be 32 lower-case hexadecimal digits made from the content", show(s))
	}
}

func (p *problems) text(field, s string) {
	if len(s) > MaxText {
		p.add(field, "has %d bytes; shorten it to %d", len(s), MaxText)
		return
	}
	if !utf8.ValidString(s) {
		p.add(field, "is not UTF-8; convert it")
		return
	}
	for _, r := range s {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' {
			p.add(field, "holds the control character U+%04X; remove it", r)
			return
		}
	}
}

func (p *problems) time(field string, ts *timestamppb.Timestamp) time.Time {
	if ts == nil {
		p.add(field, "is missing; give the time in UTC")
		return time.Time{}
	}
	if err := ts.CheckValid(); err != nil {
		p.add(field, "is no valid time (seconds %d, nanos %d)", ts.GetSeconds(), ts.GetNanos())
		return time.Time{}
	}
	at := ts.AsTime()
	switch {
	case at.Before(Earliest):
		p.add(field, "is %s, before the year 2000; set the clock of the cell's computer or of the logger", at.Format(time.RFC3339))
	case !at.Before(Latest):
		p.add(field, "is %s, past the year 2261; set the clock of the cell's computer or of the logger", at.Format(time.RFC3339))
	}
	return at
}

// number checks an optional number to be finite and within low and high.
// unit and mend complete the sentence.
func (p *problems) number(field string, v *float64, low, high float64, mend string) *float64 {
	if v == nil {
		return nil
	}
	switch {
	case math.IsNaN(*v) || math.IsInf(*v, 0):
		p.add(field, "is %v; leave the field out where nothing was measured", *v)
	case *v < low || *v > high:
		p.add(field, "is %g, outside %g … %g; %s", *v, low, high, mend)
	}
	number := *v
	return &number
}
