package pages

import (
	"context"
	"fmt"
	"html"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"
	_ "time/tzdata" // A site's zone is known on every machine.

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

// reader is how somebody reads: the units, the mark between whole and tenths, and
// the zone of the times on a page.
type reader struct {
	show.Units
	// Zone is the IANA zone of the site the page is of; empty: UTC.
	Zone string
}

// readerCookie keeps what a reader chose, as the query of an address.
const readerCookie = "reader"

// readerOf returns how the one who asks reads: as the address says, else as the
// cookie says, else as usual. An address that says nonsense is refused, a cookie
// is passed over.
func readerOf(r *http.Request) (reader, error) {
	units, numbers := "", ""
	if c, err := r.Cookie(readerCookie); err == nil {
		if q, err := url.ParseQuery(c.Value); err == nil {
			if _, err := show.ParseUnits(q.Get("units"), q.Get("numbers")); err == nil {
				units, numbers = q.Get("units"), q.Get("numbers")
			}
		}
	}
	q := r.URL.Query()
	if x := q.Get("units"); x != "" {
		units = x
	}
	if x := q.Get("numbers"); x != "" {
		numbers = x
	}
	u, err := show.ParseUnits(units, numbers)
	if err != nil {
		return reader{Units: show.DefaultUnits()}, status.Error(codes.InvalidArgument, err.Error())
	}
	return reader{Units: u}, nil
}

type readerKey struct{}

// readerFrom returns the reader of a request being answered.
func readerFrom(ctx context.Context) reader {
	if r, ok := ctx.Value(readerKey{}).(reader); ok {
		return r
	}
	return reader{Units: show.DefaultUnits()}
}

// in returns the reader at a place whose zone is given; a zone that is not known
// is UTC.
func (r reader) in(zone string) reader {
	if _, err := time.LoadLocation(zone); err == nil && zone != "Local" {
		r.Zone = zone
	}
	return r
}

func (r reader) location() *time.Location {
	if l, err := time.LoadLocation(r.Zone); err == nil {
		return l
	}
	return time.UTC
}

// At is a time of the reader's place, its UTC on hover.
func (r reader) At(t *timestamppb.Timestamp) template.HTML { return r.stamp(t, "2006-01-02 15:04") }

// Day is the day of a time at the reader's place.
func (r reader) Day(t *timestamppb.Timestamp) template.HTML { return r.stamp(t, time.DateOnly) }

func (r reader) stamp(t *timestamppb.Timestamp, layout string) template.HTML {
	if t == nil {
		return show.Absent
	}
	utc := t.AsTime().UTC()
	return template.HTML(fmt.Sprintf(`<time datetime="%s" title="%s UTC">%s</time>`, utc.Format(time.RFC3339), utc.Format("2006-01-02 15:04:05"), html.EscapeString(utc.In(r.location()).Format(layout)))) //nolint:gosec // Digits only.
}

// Quantity is an SI value in the reader's unit, with it.
func (r reader) Quantity(x *float64, si string) string {
	if x == nil {
		return show.Absent
	}
	s := r.Of(si)
	return strings.TrimSpace(r.Fixed(*x, s, s.Decimals) + " " + s.Symbol)
}

// Places says whose times a page has.
func (r reader) Places() string {
	if r.Zone == "" {
		return "Times are UTC."
	}
	return "Times are those of the site, " + r.Zone + "; UTC shows when one is pointed at."
}

// words are the functions of the templates that depend on the reader.
func (r reader) words() template.FuncMap {
	mark := r.Mark
	return template.FuncMap{
		"at":      r.At,
		"day":     r.Day,
		"atin":    func(zone string, t *timestamppb.Timestamp) template.HTML { return r.in(zone).At(t) },
		"dayin":   func(zone string, t *timestamppb.Timestamp) template.HTML { return r.in(zone).Day(t) },
		"off":     func(x *float64) string { return mark(show.OffPercent(x)) },
		"percent": func(x *float64) string { return mark(show.Percent(x)) },
		"sized":   func(x, u float64, unit string) string { return mark(show.Sized(x, u, unit)) },
		"tie":     func(s string) string { return r.MarkSentence(tie(s)) },
		"ratio":   func(x float64) string { return mark(show.Percent(&x)) },
		"effect":  func(x float64) string { return mark(show.OffPercent(&x)) },
		"fixed":   func(x float64, decimals int) string { return mark(show.Sentence(show.Scaled(&x, 1, decimals))) },
		"en":      func(x *float64) string { return mark(show.Sentence(show.Scaled(x, 1, 2))) },
		"milli":   func(x float64) string { return mark(show.Scaled(&x, 0.001, 2)) },
		"signed":  func(x float64, decimals int) string { return mark(show.Signed(x, decimals)) },
		"power":   func(x *float64) string { return r.Quantity(x, "W") },
		"unitof":  func(si string) string { return r.Of(si).Symbol },
		"in":      func(x float64, si string) string { s := r.Of(si); return r.Fixed(x, s, s.Decimals) },
		"reader":  func() reader { return r },
		"short":   func(p *rollcallv1.RestatedPull) []show.Restated { return show.RestatedShort(p, r.Units) },
	}
}

// setReader keeps in a cookie what a reader chose in the form at the foot of
// every page, and goes back there.
func (h *handler) setReader(w http.ResponseWriter, r *http.Request) {
	if !h.form(w, r) {
		return
	}
	units := strings.Join([]string{r.PostForm.Get("power"), r.PostForm.Get("torque"), r.PostForm.Get("temperature"), r.PostForm.Get("pressure")}, ",")
	u, err := show.ParseUnits(units, r.PostForm.Get("numbers"))
	if err != nil {
		h.write(w, r, answer{}, status.Error(codes.InvalidArgument, err.Error()))
		return
	}
	value := url.Values{"units": {u.String()}, "numbers": {u.Numbers()}}.Encode()
	http.SetCookie(w, &http.Cookie{Name: readerCookie, Value: value, Path: "/", MaxAge: 400 * 24 * 3600, HttpOnly: true, SameSite: http.SameSiteLaxMode})
	http.Redirect(w, r, here(r.PostForm.Get("back")), http.StatusSeeOther)
}

// here returns an address of these pages, whatever was given.
func here(address string) string {
	u, err := url.Parse(address)
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(address, "/") || strings.HasPrefix(address, "//") || strings.ContainsAny(address, "\\\r\n") {
		return "/"
	}
	q := u.Query()
	// The cookie now says it.
	q.Del("units")
	q.Del("numbers")
	u.RawQuery = q.Encode()
	return u.RequestURI()
}
