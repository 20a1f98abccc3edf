package csvfolder

import (
	"bytes"
	"fmt"
	"strings"
	"time"
)

// pattern is the form of a date or clock text, such as
// "YYYY-MM-DD hh:mm:ss.f". Its pieces:
//
//	YYYY year · YY year of this century · MM month · MON month's English short
//	name · DD day · hh hour · mm minute · ss second · f fraction of the second,
//	up to nine digits, its mark "." or "," alike · ap am or pm ·
//	Z offset: Z, +02:00, +0200
//
// MM, DD, hh, mm and ss also take one digit. Anything else stands for itself.
type pattern struct {
	text   string
	pieces []piece
	has    [pieceZone + 1]bool
}

type piece struct {
	kind    pieceKind
	literal byte
}

type pieceKind uint8

const (
	pieceLiteral pieceKind = iota
	pieceYear
	pieceYearShort
	pieceMonth
	pieceMonthName
	pieceDay
	pieceHour
	pieceMinute
	pieceSecond
	pieceFraction
	pieceHalf
	pieceZone
	pieceMark // of the fraction
)

var pieceNames = []struct {
	text string
	kind pieceKind
}{
	{"YYYY", pieceYear}, {"YY", pieceYearShort}, {"MON", pieceMonthName}, {"MM", pieceMonth}, {"DD", pieceDay},
	{"hh", pieceHour}, {"mm", pieceMinute}, {"ss", pieceSecond}, {"f", pieceFraction}, {"ap", pieceHalf}, {"Z", pieceZone},
}

// parsePattern reads a pattern.
func parsePattern(text string) (*pattern, error) {
	p := &pattern{text: text}
next:
	for rest := text; rest != ""; {
		for _, n := range pieceNames {
			if after, ok := strings.CutPrefix(rest, n.text); ok {
				if p.has[n.kind] {
					return nil, fmt.Errorf("%q has %s twice", text, n.text)
				}
				p.has[n.kind] = true
				p.pieces = append(p.pieces, piece{kind: n.kind})
				rest = after
				continue next
			}
		}
		p.pieces = append(p.pieces, piece{literal: rest[0]})
		rest = rest[1:]
	}
	for i := range p.pieces {
		if q := &p.pieces[i]; i+1 < len(p.pieces) && p.pieces[i+1].kind == pieceFraction && (q.literal == '.' || q.literal == ',') {
			q.kind = pieceMark
		}
	}
	switch {
	case !p.has[pieceHour] || !p.has[pieceMinute]:
		return nil, fmt.Errorf("%q has no hh and mm; a time of day is needed, as in YYYY-MM-DD hh:mm:ss", text)
	case p.dated() != (p.has[pieceYear] || p.has[pieceYearShort] || p.has[pieceMonth] || p.has[pieceMonthName] || p.has[pieceDay]):
		return nil, fmt.Errorf("%q has part of a date; give year, month and day, or none", text)
	}
	return p, nil
}

// dated reports whether the pattern has a whole date.
func (p *pattern) dated() bool {
	return (p.has[pieceYear] || p.has[pieceYearShort]) && (p.has[pieceMonth] || p.has[pieceMonthName]) && p.has[pieceDay]
}

// moment is a date and time of day as written, no zone applied.
type moment struct {
	seconds  int64 // since 1970-01-01 00:00 on the same clock; without a date, since midnight
	fraction int64 // in units of 10^−digits s
	digits   int
	offset   int // seconds east of UTC, when the pattern has Z
}

var months = [...]string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}

// parse reads a text of the pattern's form; ok is false for any other.
func (p *pattern) parse(text []byte) (m moment, ok bool) {
	year, month, day, hour, minute, second, half := 1970, 1, 1, 0, 0, 0, -1
	number := func(least, most int) (int, bool) {
		n, i := 0, 0
		for i < most && i < len(text) && text[i]-'0' < 10 {
			n = n*10 + int(text[i]-'0')
			i++
		}
		text = text[i:]
		return n, i >= least
	}
	for _, q := range p.pieces {
		good := true
		switch q.kind {
		case pieceLiteral:
			if good = len(text) > 0 && text[0] == q.literal; good {
				text = text[1:]
			}
		case pieceMark:
			if good = len(text) > 0 && (text[0] == '.' || text[0] == ','); good {
				text = text[1:]
			}
		case pieceYear:
			year, good = number(4, 4)
		case pieceYearShort:
			year, good = number(2, 2)
			year += 2000
		case pieceMonth:
			month, good = number(1, 2)
		case pieceMonthName:
			if good = len(text) >= 3; good {
				month = 0
				for i, name := range months {
					if strings.EqualFold(string(text[:3]), name) {
						month = i + 1
					}
				}
				text = text[3:]
			}
		case pieceDay:
			day, good = number(1, 2)
		case pieceHour:
			hour, good = number(1, 2)
		case pieceMinute:
			minute, good = number(1, 2)
		case pieceSecond:
			second, good = number(1, 2)
		case pieceFraction:
			i := 0
			for i < len(text) && text[i]-'0' < 10 {
				if i < 9 {
					m.fraction = m.fraction*10 + int64(text[i]-'0')
					m.digits++
				} else if text[i] != '0' {
					return m, false
				}
				i++
			}
			text, good = text[i:], i > 0
		case pieceHalf:
			switch {
			case len(text) < 2:
				good = false
			case bytes.EqualFold(text[:2], []byte("am")):
				half = 0
			case bytes.EqualFold(text[:2], []byte("pm")):
				half = 12
			default:
				good = false
			}
			if good {
				text = text[2:]
			}
		case pieceZone:
			m.offset, text, good = parseOffset(text)
		}
		if !good {
			return m, false
		}
	}
	if half >= 0 {
		if hour < 1 || hour > 12 {
			return m, false
		}
		hour = hour%12 + half
	}
	if len(text) > 0 || month < 1 || month > 12 || day < 1 || day > daysIn(year, month) || hour > 23 || minute > 59 || second > 59 {
		return m, false
	}
	m.seconds = time.Date(year, time.Month(month), day, hour, minute, second, 0, time.UTC).Unix()
	return m, true
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

func parseOffset(text []byte) (seconds int, rest []byte, ok bool) {
	if len(text) > 0 && (text[0] == 'Z' || text[0] == 'z') {
		return 0, text[1:], true
	}
	if len(text) < 5 || (text[0] != '+' && text[0] != '-') {
		return 0, text, false
	}
	digits := make([]byte, 0, 4)
	i := 1
	for ; i < len(text) && len(digits) < 4; i++ {
		if c := text[i]; c-'0' < 10 {
			digits = append(digits, c)
		} else if c != ':' || i != 3 {
			return 0, text, false
		}
	}
	if len(digits) < 4 {
		return 0, text, false
	}
	h := int(digits[0]-'0')*10 + int(digits[1]-'0')
	m := int(digits[2]-'0')*10 + int(digits[3]-'0')
	if h > 14 || m > 59 {
		return 0, text, false
	}
	seconds = h*3600 + m*60
	if text[0] == '-' {
		seconds = -seconds
	}
	return seconds, text[i:], true
}

// in returns the instant of a moment read in a zone. It is an error when the
// zone's clocks skipped that time; when they showed it twice the first is
// taken.
func (p *pattern) in(m moment, zone *time.Location) (time.Time, error) {
	nanos := m.fraction
	for d := m.digits; d < 9; d++ {
		nanos *= 10
	}
	if p.has[pieceZone] {
		return time.Unix(m.seconds-int64(m.offset), nanos).UTC(), nil
	}
	w := time.Unix(m.seconds, nanos).UTC()
	at := time.Date(w.Year(), w.Month(), w.Day(), w.Hour(), w.Minute(), w.Second(), w.Nanosecond(), zone)
	if at.Hour() != w.Hour() || at.Minute() != w.Minute() {
		return time.Time{}, fmt.Errorf("the clocks of %s skipped %s", zone, w.Format("2006-01-02 15:04:05"))
	}
	// Half an hour or an hour is what clocks are set back by.
	for _, back := range []time.Duration{time.Hour, 30 * time.Minute} {
		if before := at.Add(-back); before.Hour() == at.Hour() && before.Minute() == at.Minute() {
			at = before
		}
	}
	return at.UTC(), nil
}
