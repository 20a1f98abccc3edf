package pages

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"
)

// drawing writes SVG. Places along an axis are percentages of the drawing, so
// that one drawing fits every width without its letters and strokes being
// scaled; curves are paths in a frame of 1000 × 1000 that is stretched over it.
// Looks come from classes; there are no style attributes.
type drawing struct {
	b strings.Builder
	r reader
}

// newDrawing begins a drawing as wide as its place and height pixels high. label
// says in words what it shows, its figures as r reads them.
func newDrawing(class, label string, height int, r reader) *drawing {
	d := &drawing{r: r}
	fmt.Fprintf(&d.b, `<svg class="%s" width="100%%" height="%d" role="img" aria-label="%s">`, class, height, html.EscapeString(r.MarkSentence(label)))
	return d
}

func (d *drawing) end() template.HTML {
	d.b.WriteString(`</svg>`)
	return template.HTML(d.b.String()) //nolint:gosec // Every text in it has been escaped.
}

// pc is a share of the drawing as a percentage.
func pc(share float64) string { return strconv.FormatFloat(share*100, 'f', 2, 64) + "%" }

func (d *drawing) line(class string, x1, y1, x2, y2 float64) {
	fmt.Fprintf(&d.b, `<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`, class, pc(x1), pc(y1), pc(x2), pc(y2))
}

func (d *drawing) rect(class string, x1, y1, x2, y2 float64) {
	fmt.Fprintf(&d.b, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, pc(x1), pc(y1), pc(x2-x1), pc(y2-y1))
}

// text writes s at a place, moved by dx and dy pixels; anchor is start, middle or end.
func (d *drawing) text(class, anchor string, x, y float64, dx, dy int, s string) {
	fmt.Fprintf(&d.b, `<text class="%s" text-anchor="%s" x="%s" y="%s" dx="%d" dy="%d">%s</text>`, class, anchor, pc(x), pc(y), dx, dy, html.EscapeString(d.r.Mark(s)))
}

// mark draws a shape of about 14 pixels at a place.
func (d *drawing) mark(shape, class string, x, y float64) {
	fmt.Fprintf(&d.b, `<svg class="at" x="%s" y="%s">%s</svg>`, pc(x), pc(y), shapeOf(shape, class))
}

// point is a place in shares of the drawing, from the upper left.
type point struct{ x, y float64 }

// curve draws a line through points.
func (d *drawing) curve(class string, points []point) {
	if len(points) > 0 {
		d.path(class, trace("M", points))
	}
}

// band fills what lies between two lines over the same places.
func (d *drawing) band(class string, upper, lower []point) {
	if len(upper) == 0 {
		return
	}
	back := make([]point, 0, len(lower))
	for i := len(lower) - 1; i >= 0; i-- {
		back = append(back, lower[i])
	}
	d.path(class, trace("M", upper)+trace("L", back)+"Z")
}

func (d *drawing) path(class, data string) {
	fmt.Fprintf(&d.b, `<svg class="stretch" viewBox="0 0 1000 1000" preserveAspectRatio="none"><path class="%s" d="%s"/></svg>`, class, data)
}

func trace(first string, points []point) string {
	var b strings.Builder
	for i, p := range points {
		if i > 0 {
			first = "L"
		}
		fmt.Fprintf(&b, "%s%.1f %.1f", first, p.x*1000, p.y*1000)
	}
	return b.String()
}

// The shapes. Each means one thing wherever it is drawn, also in black and white.
const (
	triangle       = "triangle"        // recalibrate
	hollowTriangle = "hollow triangle" // outside the limit, not yet certain
	diamond        = "diamond"         // drifting
	square         = "square"          // check overdue
	hollowDiamond  = "hollow diamond"  // check due early
	disc           = "disc"            // agrees
	halfDisc       = "half disc"       // agrees, but by less than U
	ring           = "ring"            // cannot be told from a car
	cross          = "cross"           // not judged yet
	unequal        = "unequal"         // differs by more than U
	arrowLeft      = "arrow left"      // beyond the left edge
	arrowRight     = "arrow right"     // beyond the right edge
)

// shapeOf draws a shape around 0, 0.
func shapeOf(shape, class string) string {
	body := ""
	switch shape {
	case triangle, hollowTriangle:
		body = `<path d="M0 -7L7 5.5H-7Z"/>`
	case diamond, hollowDiamond:
		body = `<path d="M0 -7.5L7.5 0L0 7.5L-7.5 0Z"/>`
	case square:
		body = `<path d="M-5.5 -5.5H5.5V5.5H-5.5Z"/><path class="inner" d="M0 -3.5V0.5H3"/>`
	case disc, ring:
		body = `<circle r="5.5"/>`
	case halfDisc:
		body = `<circle r="5.5"/><path class="fill" d="M0 -5.5A5.5 5.5 0 0 0 0 5.5Z"/>`
	case unequal:
		body = `<path d="M-6 -2.5H6M-6 2.5H6M-3.5 6.5L3.5 -6.5"/>`
	case arrowLeft:
		body = `<path d="M-1 0L6 -5V5Z"/>`
	case arrowRight:
		body = `<path d="M1 0L-6 -5V5Z"/>`
	default:
		body = `<path d="M-5 -5L5 5M-5 5L5 -5"/>`
	}
	return fmt.Sprintf(`<g class="shape %s %s">%s</g>`, strings.ReplaceAll(shape, " ", "-"), class, body)
}

// signs keeps what sign has made; there are as many as shapes and classes.
var signs sync.Map

// sign is a shape on its own, to stand in a line of text before its word.
func sign(shape, class string) template.HTML {
	key := [2]string{shape, class}
	if s, ok := signs.Load(key); ok {
		return s.(template.HTML)
	}
	s := template.HTML(`<svg class="sign" viewBox="-9 -9 18 18" width="16" height="16" aria-hidden="true">` + shapeOf(shape, class) + `</svg>`) //nolint:gosec // Constants only.
	signs.Store(key, s)
	return s
}

// axis maps a quantity to shares of a drawing.
type axis struct{ low, high float64 }

func (a axis) at(x float64) float64 { return (x - a.low) / (a.high - a.low) }

// up is at for an axis that rises from the lower edge.
func (a axis) up(y float64) float64 { return 1 - a.at(y) }

// ticks returns round values of the axis, about n of them.
func (a axis) ticks(n int) []float64 {
	step := roundStep((a.high - a.low) / float64(n))
	var all []float64
	for k := math.Ceil(a.low/step - 1e-9); k*step <= a.high+step*1e-9; k++ {
		all = append(all, k*step)
	}
	return all
}

// roundStep is the next of 1, 2, 5 times a power of ten.
func roundStep(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return 1
	}
	ten := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if m*ten >= x*(1-1e-9) {
			return m * ten
		}
	}
	return 10 * ten
}

// tick writes a tick's value with no more decimals than its step needs.
func tick(x, step float64) string {
	decimals := max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	s := strconv.FormatFloat(math.Abs(x), 'f', decimals, 64)
	if x < -step*1e-9 {
		return "−" + s
	}
	return s
}

// days returns moments to write under an axis of time, at most n, with their
// words: firsts of months, or days where the span is short.
func days(from, until time.Time, n int) (at []time.Time, words []string) {
	span := until.Sub(from)
	if months := int(span.Hours()/24/30.4) + 1; months >= 3 {
		step := (months + n - 1) / n
		for t := time.Date(from.Year(), from.Month()+1, 1, 0, 0, 0, 0, time.UTC); t.Before(until); t = t.AddDate(0, step, 0) {
			at, words = append(at, t), append(words, t.Format("Jan 2006"))
		}
		return at, words
	}
	step := max(1, int(math.Ceil(span.Hours()/24/float64(n))))
	for t := from.Truncate(24*time.Hour).AddDate(0, 0, 1); t.Before(until); t = t.AddDate(0, 0, step) {
		at, words = append(at, t), append(words, t.Format("2 Jan"))
	}
	return at, words
}
