package pages

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"rollcall/services/access"
	"rollcall/services/show"
)

// sessionCookie keeps a session. The prefix makes a browser take it from this very
// host over TLS only (RFC 6265bis, section 4.1.3.2).
const sessionCookie = "__Host-session"

// openPaths are had without signing in: what the sign-in page itself needs.
var openPaths = []string{"/signin", "/page.css", "/mark.svg"}

// gate lets pass who is signed in, as the one they are. Where the pages have no
// door, whoever set up the handler has said who asks.
func (h *handler) gate(next http.Handler) http.Handler {
	if h.Door == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// Nothing that came before counts: a person is who has a session.
		ctx := access.NewContext(r.Context(), access.Identity{})
		if c, err := r.Cookie(sessionCookie); err == nil {
			if id, ends, ok := h.Door.Known(c.Value); ok {
				// What is told live ends with the session.
				var cancel context.CancelFunc
				ctx, cancel = context.WithDeadline(access.NewContext(ctx, id), ends)
				defer cancel()
				next.ServeHTTP(w, r.WithContext(ctx))
				return
			}
		}
		r = r.WithContext(ctx)
		switch {
		case slices.Contains(openPaths, r.URL.Path):
			next.ServeHTTP(w, r)
		case (r.Method == http.MethodGet || r.Method == http.MethodHead) && !forProgram(r):
			w.Header().Set("Cache-Control", "no-store")
			to := "/signin"
			if r.URL.RequestURI() != "/" {
				to += "?to=" + url.QueryEscape(r.URL.RequestURI())
			}
			http.Redirect(w, r, to, http.StatusSeeOther)
		default:
			w.Header().Set("Cache-Control", "no-store")
			http.Error(w, "Nobody is signed in, or the session has ended. Sign in at /signin and send it again.", http.StatusUnauthorized)
		}
	})
}

// forProgram says that a page is not what is asked for.
func forProgram(r *http.Request) bool {
	p := r.URL.Path
	return p == "/live" || strings.HasSuffix(p, ".json") || strings.HasSuffix(p, ".csv") || strings.HasSuffix(p, ".js") || slices.Contains([]string{"json", "csv"}, r.URL.Query().Get("format"))
}

// signInPage is the data of the sign-in page.
type signInPage struct {
	To, Name, Wrong, Token string
}

func (p signInPage) seal(token string) any {
	p.Token = token
	return p
}

func (h *handler) showSignIn(ctx context.Context, r *http.Request) (answer, error) {
	to := here(r.URL.Query().Get("to"))
	if h.Door == nil {
		return answer{}, errNoPage
	}
	if access.FromContext(ctx).Person != "" {
		return answer{redirect: to}, nil
	}
	return answer{page: "signin", title: "Sign in", data: signInPage{To: to}}, nil
}

func (h *handler) signIn(w http.ResponseWriter, r *http.Request) {
	if h.Door == nil {
		h.write(w, r, answer{}, errNoPage)
		return
	}
	if !h.form(w, r) {
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), h.Timeout)
	defer cancel()
	name, to := strings.TrimSpace(r.PostForm.Get("name")), here(r.PostForm.Get("to"))
	text, ends, err := h.Door.SignIn(ctx, r.RemoteAddr, name, r.PostForm.Get("password"))
	if err != nil {
		a := answer{page: "signin", title: "Sign in", data: signInPage{To: to, Name: name, Wrong: "Name or password is wrong."}, code: http.StatusForbidden}
		var many *access.TooManyError
		switch {
		case errors.As(err, &many):
			w.Header().Set("Retry-After", strconv.Itoa(int(many.Wait.Seconds())+1))
			a.data, a.code = signInPage{To: to, Name: name, Wrong: sentence(many.Error())}, http.StatusTooManyRequests
		case !errors.Is(err, access.ErrSignIn):
			h.write(w, r, answer{}, err)
			return
		}
		h.Log.Warn("not signed in", zap.String("name", show.Clean(fmt.Sprintf("%.100s", name))), zap.String("from", r.RemoteAddr), zap.Error(err))
		h.write(w, r, a, nil)
		return
	}
	h.Log.Info("signed in", zap.String("name", name), zap.String("from", r.RemoteAddr))
	http.SetCookie(w, &http.Cookie{Name: sessionCookie, Value: text, Path: "/", Expires: ends, Secure: true, HttpOnly: true, SameSite: http.SameSiteLaxMode})
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (h *handler) signOut(w http.ResponseWriter, r *http.Request) {
	if h.Door == nil {
		h.write(w, r, answer{}, errNoPage)
		return
	}
	if !h.form(w, r) {
		return
	}
	if c, err := r.Cookie(sessionCookie); err == nil {
		h.Door.SignOut(c.Value)
		h.Log.Info("signed out", zap.String("name", access.FromContext(r.Context()).Person))
	}
	http.SetCookie(w, &http.Cookie{Name: sessionCookie, Path: "/", MaxAge: -1, Secure: true, HttpOnly: true, SameSite: http.SameSiteLaxMode})
	http.Redirect(w, r, "/signin", http.StatusSeeOther)
}

// offersChange says whether pages offer who reads to change anything. Who is not
// signed in is told no when they try.
func offersChange(ctx context.Context) bool {
	id := access.FromContext(ctx)
	return id.Person == "" || id.MayAdminister()
}

// mayChange says why a request may not change anything, nil: it may. Of who is
// signed in the role says so; without a sign-in it is who sits at the machine.
func mayChange(r *http.Request) error {
	id := access.FromContext(r.Context())
	switch {
	case id.Person == "":
		return atMachine(r)
	case id.MayAdminister():
		return nil
	}
	return status.Error(codes.PermissionDenied, fmt.Sprintf("%s is signed in as %s; this takes the role %s", id.Person, id.Role, access.RoleQualityManager))
}
