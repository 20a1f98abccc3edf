package main

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// people runs `rollcall people` with text on standard input.
func people(t testing.TB, in string, args ...string) (code int, out string) {
	t.Helper()
	var b bytes.Buffer
	m := Main{Out: &b, Err: &b}
	root := m.command()
	root.SetArgs(append([]string{"people"}, args...))
	root.SetIn(strings.NewReader(in))
	root.SetOut(&b)
	root.SetErr(&b)
	if err := root.ExecuteContext(t.Context()); err != nil {
		return 1, b.String() + err.Error()
	}
	return 0, b.String()
}

const alder = "four rollers in a row"

func TestPeople(t *testing.T) {
	file := filepath.Join(t.TempDir(), "people.yaml")
	for _, c := range []struct {
		in   string
		args []string
		code int
		says string
	}{
		{alder + "\n", []string{"add", "K. Alder", "quality-manager"}, 0, "K. Alder may sign in as quality-manager"},
		{"only looking, thank you", []string{"add", "V. Birch", "viewer"}, 0, "V. Birch may sign in"},
		{alder, []string{"add", "K. Alder", "viewer"}, 1, "there already"},
		{"", []string{"add", "X", "viewer"}, 1, "0 signs"},
		{alder, []string{"add", "X", "boss"}, 1, "viewer technician quality-manager"},
		{"a new one, and longer", []string{"password", "V. Birch"}, 0, "is signed out"},
		{alder, []string{"password", "X"}, 1, "is not in the file"},
		{"", []string{"list"}, 0, "K. Alder  quality-manager\nV. Birch  viewer"},
		{"", []string{"remove", "V. Birch"}, 0, "no longer"},
		{"", []string{"remove", "V. Birch"}, 1, "is not in the file"},
	} {
		code, out := people(t, c.in, append(c.args, "--file", file)...)
		if code != c.code || !strings.Contains(out, c.says) || c.in != "" && strings.Contains(out, strings.TrimSpace(c.in)) {
			t.Errorf("%v: exit code %d, %q; want %d and %q", c.args, code, out, c.code, c.says)
		}
	}
	need(t, 2, []string{"people", "add", "X"}, "arg")
	need(t, 1, []string{"people", "list", "--file", file + "x"}, "no such file")
}

// Beyond loopback the pages are served to people who sign in, over TLS, and not at
// all without.
func TestPagesBeyondLoopback(t *testing.T) {
	dir := certs(t)
	file := filepath.Join(dir, "people.yaml")
	if code, out := people(t, alder, "add", "K. Alder", "quality-manager", "--file", file); code != 0 {
		t.Fatal(out)
	}
	for _, listen := range []string{"0.0.0.0:0", ":0", "192.0.2.1:7480"} {
		need(t, 2, []string{"serve", "--http-listen", listen, "--data-dir", t.TempDir()}, "http_listen is "+listen, "without sign-in", "rollcall people add", "127.0.0.1")
	}
	pages := []string{"--pages-cert-file", filepath.Join(dir, "server.crt"), "--pages-key-file", filepath.Join(dir, "server.key")}
	need(t, 2, append([]string{"serve", "--http-listen", "0.0.0.0:0"}, pages...), "pages: people_file is empty")
	need(t, 2, append([]string{"check-config", "--pages-people-file", filepath.Join(dir, "nobody.yaml")}, pages...), "pages: read the people file")
	pages = append(pages, "--pages-people-file", file)
	checked(t, append(pages, "--http-listen", "0.0.0.0:7480")...)
	needEngine(t)
	data := t.TempDir()
	s := start(t, append(pages, "--data-dir", data)...)
	s.apply(demoRegistry)
	if !strings.HasPrefix(s.pages, "https://127.0.0.1:") {
		t.Fatalf("pages at %s", s.pages)
	}
	authority, err := os.ReadFile(filepath.Join(dir, "ca.crt"))
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(authority)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}
	t.Cleanup(transport.CloseIdleConnections)
	client := &http.Client{Jar: jar, Transport: transport, Timeout: patience}
	ask := func(what func(*http.Request), method, path string, form url.Values) (*http.Response, string) {
		t.Helper()
		r, err := http.NewRequest(method, strings.TrimSuffix(s.pages, "/")+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		if form != nil {
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		if what != nil {
			what(r)
		}
		a, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		body, err := io.ReadAll(a.Body)
		if err != nil {
			t.Fatal(err)
		}
		return a, string(body)
	}
	token := regexp.MustCompile(`name="token" value="([A-Z0-9]+)"`)
	a, text := ask(nil, http.MethodGet, "/cells/fen-1", nil)
	if a.Request.URL.Path != "/signin" || a.ProtoMajor != 2 || strings.Contains(text, "Fenwater") {
		t.Errorf("before signing in: %s by %s", a.Request.URL, a.Proto)
	}
	m := token.FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("no form:\n%s", text)
	}
	a, text = ask(nil, http.MethodPost, "/signin", url.Values{"token": {m[1]}, "name": {"K. Alder"}, "password": {alder}, "to": {"/cells/fen-1"}})
	if a.StatusCode != http.StatusOK || a.Request.URL.Path != "/cells/fen-1" || !strings.Contains(text, "Fenwater 1") || !strings.Contains(text, "K. Alder, quality-manager") {
		t.Errorf("signed in: %s at %s", a.Status, a.Request.URL)
	}
	// A recompute begun on a page is kept under the session's name.
	m = token.FindStringSubmatch(text)
	if a, text = ask(nil, http.MethodPost, "/recompute", url.Values{"token": {m[1]}, "do": {"begin"}}); a.StatusCode != http.StatusOK || a.Request.URL.Path != "/recompute" {
		t.Errorf("recompute: %s\n%.300s", a.Status, text)
	}
	// The metrics are had by name and password.
	if a, _ = ask(nil, http.MethodGet, "/metrics", nil); a.StatusCode != http.StatusUnauthorized || !strings.HasPrefix(a.Header.Get("WWW-Authenticate"), "Basic ") {
		t.Errorf("metrics of nobody: %s", a.Status)
	}
	if a, _ = ask(func(r *http.Request) { r.SetBasicAuth("K. Alder", "wrong") }, http.MethodGet, "/metrics", nil); a.StatusCode != http.StatusUnauthorized {
		t.Errorf("metrics by a wrong password: %s", a.Status)
	}
	if a, text = ask(func(r *http.Request) { r.SetBasicAuth("K. Alder", alder) }, http.MethodGet, "/metrics", nil); a.StatusCode != http.StatusOK || !strings.Contains(text, "rollcall_rpc_calls_total") {
		t.Errorf("metrics: %s", a.Status)
	}
	if a, text = ask(nil, http.MethodGet, "/healthz", nil); a.StatusCode != http.StatusOK || text != "ok\n" {
		t.Errorf("healthz: %s", a.Status)
	}
	// Who is taken out of the file is out at once.
	if code, out := people(t, alder, "add", "Other", "viewer", "--file", file); code != 0 {
		t.Fatal(out)
	}
	if code, out := people(t, "", "remove", "K. Alder", "--file", file); code != 0 {
		t.Fatal(out)
	}
	later := time.Now().Add(time.Second)
	if err := os.Chtimes(file, later, later); err != nil {
		t.Fatal(err)
	}
	if a, _ = ask(nil, http.MethodGet, "/cells/fen-1", nil); a.Request.URL.Path != "/signin" {
		t.Errorf("who was taken out still sees %s", a.Request.URL)
	}
	s.stop()
	if log := s.log.String(); !strings.Contains(log, "signed in") {
		t.Errorf("the log does not say who signed in:\n%s", log)
	}
	if strings.Contains(s.log.String(), alder) {
		t.Error("the password is in the log")
	}
}
