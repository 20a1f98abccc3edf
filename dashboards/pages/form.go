package pages

import (
	"crypto/rand"
	"crypto/subtle"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// formCookie holds what every form sent has to repeat: another site's page can
// have the browser send a form here, but can neither read nor set it.
const formCookie = "form"

// formCookieOf is its name; over TLS no other host of the domain can set it either.
func formCookieOf(r *http.Request) string {
	if r.TLS != nil {
		return "__Host-" + formCookie
	}
	return formCookie
}

// mostForm bounds a form, bytes.
const mostForm = 64 << 10

// token returns the text that goes with the forms of a page, and sees to it that
// the browser has it as a cookie.
func token(w http.ResponseWriter, r *http.Request) string {
	if c, err := r.Cookie(formCookieOf(r)); err == nil && len(c.Value) == len(rand.Text()) {
		return c.Value
	}
	t := rand.Text()
	http.SetCookie(w, &http.Cookie{Name: formCookieOf(r), Value: t, Path: "/", HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode})
	return t
}

// crossOrigin refuses by the headers in which a browser says where a form stands.
var crossOrigin = http.NewCrossOriginProtection()

// form reads a form that was sent from a page of ours. It answers itself and
// returns false where it was not, or cannot be read.
func (h *handler) form(w http.ResponseWriter, r *http.Request) bool {
	refuse := func(code codes.Code, text string) bool {
		h.write(w, r, answer{}, status.Error(code, text))
		return false
	}
	if err := crossOrigin.Check(r); err != nil {
		return refuse(codes.PermissionDenied, "the form was sent from another site; open the page here and send it again")
	}
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	if err := r.ParseForm(); err != nil {
		return refuse(codes.InvalidArgument, "the form cannot be read; it is damaged or too long")
	}
	c, err := r.Cookie(formCookieOf(r))
	if err != nil || c.Value == "" || subtle.ConstantTimeCompare([]byte(c.Value), []byte(r.PostForm.Get("token"))) != 1 {
		return refuse(codes.PermissionDenied, "the form does not belong to this browser's visit, or cookies are switched off; open the page again and send it anew")
	}
	return true
}

// atMachine says why a request may not change anything on pages without a
// sign-in, nil: it may. Whoever sits at this machine is trusted, as with the
// command line, and nobody else. A request that came through a proxy, or under another
// name than this machine's own, has no person to put on record; neither has one
// that a page elsewhere had sent here by turning a name to this address.
func atMachine(r *http.Request) error {
	address, err := netip.ParseAddrPort(r.RemoteAddr)
	local := err == nil && address.Addr().Unmap().IsLoopback()
	host, _, err := net.SplitHostPort(r.Host)
	if err != nil {
		host = r.Host
	}
	named := strings.EqualFold(host, "localhost")
	if a, err := netip.ParseAddr(strings.Trim(host, "[]")); err == nil {
		named = a.IsLoopback()
	}
	for _, forwarded := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		local = local && r.Header.Get(forwarded) == ""
	}
	if local && named {
		return nil
	}
	return status.Error(codes.PermissionDenied, "flags are acknowledged and closed and pulls restated here only by who sits at the service's machine; elsewhere use rollcall flags acknowledge, rollcall flags close or rollcall restate with a quality manager's certificate")
}

// sealed is a page's data with a form in it.
type sealed interface{ seal(token string) any }
