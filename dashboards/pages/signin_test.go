package pages

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"golang.org/x/crypto/bcrypt"

	"rollcall/services/access"
	"rollcall/services/show/showtest"
)

const (
	managersPassword = "four rollers in a row"
	viewersPassword  = "only looking, thank you"
)

// door returns a door for a quality manager, K. Alder, and a viewer, V. Birch.
func door(t *testing.T) *access.Door {
	t.Helper()
	file := filepath.Join(t.TempDir(), "people.yaml")
	text := "key: " + base64.StdEncoding.EncodeToString(bytes.Repeat([]byte("k"), 32)) + "\npeople:\n"
	for _, p := range []struct {
		name     string
		role     access.Role
		password string
	}{{"K. Alder", access.RoleQualityManager, managersPassword}, {"V. Birch", access.RoleViewer, viewersPassword}} {
		// A hash that costs little, unlike access.AddPerson's.
		hash, err := bcrypt.GenerateFromPassword([]byte(p.password), bcrypt.MinCost)
		if err != nil {
			t.Fatal(err)
		}
		text += fmt.Sprintf("  - {name: %s, role: %s, password: %q}\n", p.name, p.role, hash)
	}
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	people, err := access.OpenPeople(file)
	if err != nil {
		t.Fatal(err)
	}
	return access.NewDoor(people, time.Now)
}

// guarded serves the test's chain behind a door, over TLS.
func guarded(t *testing.T, admin Admin) *httptest.Server {
	t.Helper()
	begun := func(context.Context, func(string, uint64, uint64) error) error { return nil }
	s := httptest.NewTLSServer(Handler(comparable(), Options{Chain: "Larkmere Tuning", Now: func() time.Time { return showtest.Now }, Admin: admin, Door: door(t), Recompute: begun}))
	t.Cleanup(s.Close)
	return s
}

// guest is a browser with cookies.
type guest struct {
	t      *testing.T
	server *httptest.Server
	http.Client
}

func newGuest(t *testing.T, s *httptest.Server) *guest {
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &guest{t, s, http.Client{Jar: jar, Transport: s.Client().Transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

func (g *guest) visit(path string) (*http.Response, string) {
	g.t.Helper()
	r, err := g.Get(g.server.URL + path)
	if err != nil {
		g.t.Fatal(err)
	}
	return r, bodyOf(g.t, r)
}

func bodyOf(t *testing.T, r *http.Response) string {
	t.Helper()
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

var formToken = regexp.MustCompile(`name="token" value="([A-Z0-9]+)"`)

// send sends a form with the token of a page.
func (g *guest) send(page, path string, form url.Values) (*http.Response, string) {
	g.t.Helper()
	_, text := g.visit(page)
	m := formToken.FindStringSubmatch(text)
	if m == nil {
		g.t.Fatalf("%s has no form", page)
	}
	form.Set("token", m[1])
	r, err := g.PostForm(g.server.URL+path, form)
	if err != nil {
		g.t.Fatal(err)
	}
	return r, bodyOf(g.t, r)
}

func (g *guest) signIn(name, password, to string) (*http.Response, string) {
	return g.send("/signin", "/signin", url.Values{"name": {name}, "password": {password}, "to": {to}})
}

// Nobody sees anything before signing in; whoever has signed in sees the pages and
// may change what the role allows, under their own name whatever a form says.
func TestSignIn(t *testing.T) {
	admin := &deeds{}
	s := guarded(t, admin)
	g := newGuest(t, s)
	for _, path := range everyPage {
		r, text := g.visit(path)
		if r.StatusCode != http.StatusSeeOther && (r.StatusCode != http.StatusUnauthorized) || strings.Contains(text, "Fenwater") {
			t.Errorf("%s before signing in: %d", path, r.StatusCode)
		}
	}
	for _, path := range []string{"/cells.json", "/cells.csv", "/live", "/flags?format=json", "/cells/fen-2.csv"} {
		if r, text := g.visit(path); r.StatusCode != http.StatusUnauthorized || !strings.Contains(text, "Sign in at /signin") {
			t.Errorf("%s before signing in: %d %.60s", path, r.StatusCode, text)
		}
	}
	r, _ := g.visit("/cells/fen-2?from=2026-05-01")
	if to := r.Header.Get("Location"); to != "/signin?to=%2Fcells%2Ffen-2%3Ffrom%3D2026-05-01" {
		t.Errorf("leads to %q", to)
	}
	_, text := g.visit(r.Header.Get("Location"))
	if !strings.Contains(text, `value="/cells/fen-2?from=2026-05-01"`) || strings.Contains(text, `class="places"`) {
		t.Errorf("the sign-in page forgets where to go, or leads elsewhere:\n%s", between(t, text, "<header", "</main>"))
	}
	for _, path := range []string{"/flags/" + showtest.GainFlag + "/close", "/recompute", "/reader", "/signout"} {
		r, err := g.PostForm(s.URL+path, url.Values{"by": {"mallory"}, "reason": {"x"}})
		if err != nil {
			t.Fatal(err)
		}
		if bodyOf(t, r); r.StatusCode != http.StatusUnauthorized {
			t.Errorf("a form to %s before signing in: %d", path, r.StatusCode)
		}
	}
	if r, text := g.signIn("K. Alder", "a wrong password", "/flags"); r.StatusCode != http.StatusForbidden || !strings.Contains(text, "Name or password is wrong.") || !strings.Contains(text, `value="K. Alder"`) || strings.Contains(text, "a wrong password") {
		t.Errorf("a wrong password: %d", r.StatusCode)
	}
	if r, err := g.PostForm(s.URL+"/signin", url.Values{"name": {"K. Alder"}, "password": {managersPassword}}); err != nil || r.StatusCode != http.StatusForbidden || len(r.Cookies()) > 0 {
		t.Errorf("a sign-in that another page had sent: %v, %v", r.Status, err)
	}

	r, _ = g.signIn("K. Alder", managersPassword, "/flags")
	if r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/flags" {
		t.Fatalf("signing in: %d to %q", r.StatusCode, r.Header.Get("Location"))
	}
	if c := r.Cookies(); len(c) != 1 || c[0].Name != sessionCookie || !c[0].Secure || !c[0].HttpOnly || c[0].SameSite != http.SameSiteLaxMode || c[0].Path != "/" || c[0].Domain != "" || time.Until(c[0].Expires) > access.SessionLife {
		t.Errorf("cookies %+v", c)
	}
	for _, path := range everyPage {
		if r, text := g.visit(path); path != "/nowhere" && (r.StatusCode != http.StatusOK || !strings.Contains(text, "K. Alder, quality-manager")) {
			t.Errorf("%s, signed in: %d", path, r.StatusCode)
		}
	}
	if r, _ := g.visit("/signin?to=/cars"); r.Header.Get("Location") != "/cars" {
		t.Errorf("the sign-in page of who is signed in leads to %q", r.Header.Get("Location"))
	}
	flag := "/flags/" + showtest.GainFlag
	if _, text := g.visit(flag); strings.Contains(text, `name="by"`) || !strings.Contains(text, "Signed by <strong>K. Alder</strong>") {
		t.Error("the form asks for a name though somebody is signed in")
	}
	if r, _ := g.send(flag, flag+"/acknowledge", url.Values{"reason": {"masses are on their way"}}); r.StatusCode != http.StatusSeeOther || len(admin.acknowledged) != 1 {
		t.Errorf("acknowledging: %d, %d", r.StatusCode, len(admin.acknowledged))
	}
	if admin.who.Person != "K. Alder" || admin.who.Role != access.RoleQualityManager || admin.who.Loopback {
		t.Errorf("the deed is of %+v", admin.who)
	}
	for name, change := range map[string]func(*http.Request){
		"no token":     func(*http.Request) {},
		"another site": func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
	} {
		r, err := http.NewRequest(http.MethodPost, s.URL+flag+"/close", strings.NewReader("reason=x"))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		change(r)
		if a, err := g.Do(r); err != nil || a.StatusCode != http.StatusForbidden || len(admin.closed) > 0 {
			t.Errorf("%s: %v, %v", name, a.Status, err)
		}
	}
	if r, _ := g.send("/recompute", "/recompute", url.Values{"do": {"begin"}}); r.StatusCode != http.StatusSeeOther {
		t.Errorf("recompute: %d", r.StatusCode)
	}

	// The session is worth nothing once its owner has signed out.
	u, _ := url.Parse(s.URL)
	kept := g.Jar.Cookies(u)
	if r, _ := g.send("/", "/signout", url.Values{}); r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/signin" {
		t.Errorf("signing out: %d", r.StatusCode)
	}
	for _, c := range g.Jar.Cookies(u) {
		if c.Name == sessionCookie {
			t.Error("the browser keeps the session")
		}
	}
	g.Jar.SetCookies(u, kept)
	if r, _ := g.visit("/flags"); r.StatusCode != http.StatusSeeOther {
		t.Errorf("a session that was kept lets in: %d", r.StatusCode)
	}
}

// A viewer sees everything and changes nothing.
func TestViewerChangesNothing(t *testing.T) {
	admin := &deeds{}
	g := newGuest(t, guarded(t, admin))
	if r, _ := g.signIn("V. Birch", viewersPassword, "//evil.example/"); r.Header.Get("Location") != "/" {
		t.Fatalf("signing in leads to %q", r.Header.Get("Location"))
	}
	flag := "/flags/" + showtest.GainFlag
	if _, text := g.visit(flag); strings.Contains(text, flag+"/close") || !strings.Contains(text, "You are signed in as V. Birch; this takes the role quality-manager.") {
		t.Error("the flag's page offers a viewer to close it")
	}
	if _, text := g.visit("/recompute"); strings.Contains(text, "Recompute everything") {
		t.Error("a viewer is offered to recompute")
	}
	if _, text := g.visit("/flags"); strings.Contains(text, "Acknowledge or close") {
		t.Error("the work list offers a viewer to close flags")
	}
	for path, form := range map[string]url.Values{flag + "/close": {"by": {"K. Alder"}, "reason": {"x"}}, "/recompute": {"do": {"begin"}}} {
		if r, text := g.send("/", path, form); r.StatusCode != http.StatusForbidden || !strings.Contains(text, "V. Birch is signed in as viewer") {
			t.Errorf("%s by a viewer: %d", path, r.StatusCode)
		}
	}
	if len(admin.closed) > 0 {
		t.Error("a viewer has closed a flag")
	}
	if r, _ := g.send("/", "/reader", url.Values{"power": {"PS"}, "torque": {"N·m"}, "temperature": {"°C"}, "pressure": {"hPa"}, "numbers": {"point"}}); r.StatusCode != http.StatusSeeOther {
		t.Errorf("a viewer cannot choose units: %d", r.StatusCode)
	}
}

// Too many attempts have to wait, and are told how long.
func TestSignInAttempts(t *testing.T) {
	g := newGuest(t, guarded(t, &deeds{}))
	for i := range 10 {
		r, text := g.signIn("K. Alder", "a wrong password", "/")
		if r.StatusCode == http.StatusTooManyRequests {
			if wait := r.Header.Get("Retry-After"); wait == "" || !strings.Contains(text, "Too many attempts; try again in") {
				t.Errorf("Retry-After %q: %s", wait, between(t, text, "<main", "</main>"))
			}
			if i < 4 {
				t.Errorf("refused after %d attempts", i)
			}
			if r, _ := g.signIn("K. Alder", managersPassword, "/"); r.StatusCode != http.StatusTooManyRequests {
				t.Errorf("the right password at once: %d", r.StatusCode)
			}
			return
		}
	}
	t.Error("ten wrong attempts were not held up")
}

// Without a door there is no sign-in.
func TestNoDoor(t *testing.T) {
	w := get(showtest.Chain(), Options{}, "/signin")
	if w.Code != http.StatusNotFound {
		t.Errorf("%d", w.Code)
	}
	if page := get(showtest.Chain(), Options{}, "/").Body.String(); strings.Contains(page, "/signout") {
		t.Error("a page offers to sign out")
	}
}

// In a real browser: an address, the sign-in page, by keyboard the page asked for, a
// flag acknowledged, and out again.
func TestSignInInBrowser(t *testing.T) {
	admin := &deeds{}
	s := guarded(t, admin)
	ctx := browser(t, chromedp.Flag("ignore-certificate-errors", true))
	done := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	awaitPath := func(path string) {
		t.Helper()
		for deadline := time.Now().Add(20 * time.Second); evaluate[string](t, ctx, "location.pathname") != path || evaluate[string](t, ctx, "document.readyState") != "complete"; time.Sleep(20 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("at %s, want %s", evaluate[string](t, ctx, "location.pathname"), path)
			}
		}
	}
	text := func() string {
		return strings.ReplaceAll(evaluate[string](t, ctx, "document.body.innerText"), "\u00a0", " ")
	}
	flag := "/flags/" + showtest.GainFlag
	for _, width := range []int64{390, 1440} {
		done(chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(s.URL+flag)))
		if path := evaluate[string](t, ctx, "location.pathname"); path != "/signin" {
			t.Fatalf("led to %s", path)
		}
		if wide := evaluate[int](t, ctx, "document.documentElement.scrollWidth"); wide > int(width) {
			t.Errorf("the sign-in page is %d pixels wide on a screen of %d", wide, width)
		}
		if weak := evaluate[string](t, ctx, contrastOf); weak != "" {
			t.Errorf("contrast: %s", weak)
		}
	}
	// The name's field has the focus.
	done(chromedp.Do(ctx, chromedp.KeyEvent("K. Alder"), chromedp.KeyEvent("\t"), chromedp.KeyEvent(managersPassword), chromedp.KeyEvent("\r")))
	awaitPath(flag)
	if page := text(); !strings.Contains(page, "Fenwater 2: recalibrate") || !strings.Contains(page, "K. Alder, quality-manager") {
		t.Errorf("signed in, the page is %.300s", page)
	}
	if cookies := evaluate[string](t, ctx, "document.cookie"); strings.Contains(cookies, "session") || strings.Contains(cookies, "form") {
		t.Errorf("a script sees %q", cookies)
	}
	evaluate[bool](t, ctx, `(() => { const f = document.querySelector('form[action$="/acknowledge"]'); f.querySelector("textarea").value = "masses are on their way"; f.querySelector("button").click(); return true })()`)
	for deadline := time.Now().Add(20 * time.Second); admin.count() == 0; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the form did not arrive")
		}
	}
	awaitPath(flag)
	picture(t, ctx, "signed-in")
	evaluate[bool](t, ctx, `(() => { document.querySelector("form.person button").click(); return true })()`)
	awaitPath("/signin")
	done(chromedp.Do(ctx, chromedp.Navigate(s.URL+flag)))
	if path := evaluate[string](t, ctx, "location.pathname"); path != "/signin" {
		t.Errorf("signed out, %s is shown", path)
	}
	picture(t, ctx, "sign-in")
}
