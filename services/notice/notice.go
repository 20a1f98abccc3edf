// Package notice tells people when the state of something changes: a flag
// opened, turned or closed, an agent silent or back, a calibration check overdue
// or done, a spool growing or drained.
//
// In: the computed flags, the agents' heartbeats, the results of checks. Out:
// notices to receivers: a signed webhook, e-mail, or what takes Alertmanager's
// API. It stands after pipeline and computes nothing.
//
// # What holds
//
// One change of state is told once to each receiver. What was told is kept in
// the append-only tables notice_changes and notice_deliveries, by subject (a
// flag's id, a cell's agent, …) and state. A restart, or a recompute that gives
// the same flags, tells nothing again. What changes on a site within Gather is
// one notice, its items in order of harm; a receiver gets no more than one
// notice a site in Interval. What came back, before it was told, to what had
// been told, is settled and not told. A new receiver is told of what stands
// open, a notice a site, and of nothing that is past.
//
// A notice is sent until the receiver takes it or GiveUpAfter has passed, with a
// growing pause between, and then noted: it is told at least once. It can be told
// twice where the receiver took it and its answer was lost, or the service or
// the database ended between the sending and the noting. Every notice and every
// item has a key, the same each time, by which the receiver knows it.
//
// Of several replicas the one that has run longest sends; the others watch its
// sign of life in the database. A replica sends only while its own sign is fresh
// by its own monotonic clock, and another takes over only when that sign is old
// by the database's clock; so two send at once only when a machine's clock runs
// wrong by a large part of Lease, or when the database's own replicas are behind
// one another by as much. Then the keys tell the receiver.
package notice

import (
	"errors"
	"fmt"
	"net"
	"net/mail"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"rollcall/services/access"
)

// Config rules whom is told of what. Start from DefaultConfig.
type Config struct {
	// PagesURL is the address of the pages as readers reach them, for links;
	// empty: no links.
	PagesURL string `yaml:"pages_url"`
	// AgentSilentAfter is how long an agent is not heard before it is silent.
	AgentSilentAfter time.Duration `yaml:"agent_silent_after"`
	// CheckOverdueAfter is how long after its last dead-weight or zero check the next
	// one is overdue of a cell whose registry entry asks for no interval; where it
	// does, the day it gives holds. 0: nobody is told of such cells.
	CheckOverdueAfter time.Duration `yaml:"check_overdue_after"`
	// SpoolGrowingAfter is how old the oldest message that waits at an agent that
	// is heard may be before its spool counts as growing.
	SpoolGrowingAfter time.Duration `yaml:"spool_growing_after"`
	// Gather is how long changes of a site are gathered into one notice.
	Gather time.Duration `yaml:"gather"`
	// Interval is the least time between two notices of a site to a receiver.
	Interval time.Duration `yaml:"interval"`
	// GiveUpAfter is how long a notice is tried.
	GiveUpAfter time.Duration `yaml:"give_up_after"`
	// Receivers are told; none: no notices.
	Receivers []Receiver `yaml:"receivers,omitempty"`
}

// Receiver is somebody, or something, that is told. Exactly one of its ways is
// given.
type Receiver struct {
	// Name tells receivers apart, also in the tables: one with a new name is new.
	Name string `yaml:"name"`
	// Sites are the sites told of; empty: all, and what belongs to no site, as a
	// reference car.
	Sites        []string      `yaml:"sites,omitempty"`
	Webhook      *Webhook      `yaml:"webhook,omitempty"`
	Email        *Email        `yaml:"email,omitempty"`
	Alertmanager *Alertmanager `yaml:"alertmanager,omitempty"`
}

// Webhook is an address to which notices are posted as JSON, signed.
type Webhook struct {
	URL string `yaml:"url"`
	// SecretFile holds the secret both sides know, 16 bytes at least; a line end
	// at its end does not count.
	SecretFile string `yaml:"secret_file"`
	// CAFile holds the authority of the server's certificate, PEM; empty: the
	// machine's.
	CAFile string `yaml:"ca_file,omitempty"`
	// AllowPlainHTTP allows http:// beyond this machine.
	AllowPlainHTTP bool `yaml:"allow_plain_http,omitempty"`
}

// Email is people with addresses, reached through an SMTP server.
type Email struct {
	Server string `yaml:"server"` // host:port
	// TLS is starttls (demanded), tls (from the first byte) or none; empty:
	// starttls.
	TLS          string   `yaml:"tls,omitempty"`
	User         string   `yaml:"user,omitempty"` // empty: no sign-in
	PasswordFile string   `yaml:"password_file,omitempty"`
	CAFile       string   `yaml:"ca_file,omitempty"`
	From         string   `yaml:"from"`
	To           []string `yaml:"to"`
}

// Alertmanager is what takes alerts by Alertmanager's API, version 2.
type Alertmanager struct {
	URL string `yaml:"url"` // without /api/v2/alerts
	// User and PasswordFile sign in by HTTP basic authentication; TokenFile by a
	// bearer token. All empty: no sign-in.
	User           string `yaml:"user,omitempty"`
	PasswordFile   string `yaml:"password_file,omitempty"`
	TokenFile      string `yaml:"token_file,omitempty"`
	CAFile         string `yaml:"ca_file,omitempty"`
	AllowPlainHTTP bool   `yaml:"allow_plain_http,omitempty"`
	// Refresh is how often what stands open is posted again, so that it outlives
	// a restart of the receiver; 0: 5m.
	Refresh time.Duration `yaml:"refresh,omitempty"`
}

// The ways of Email.TLS.
const (
	tlsStart = "starttls"
	tlsFull  = "tls"
	tlsNone  = "none"
)

// DefaultConfig returns the configuration that holds where nothing else is said.
// The times are common practice, no source: heartbeats come every 30 s.
func DefaultConfig() Config {
	return Config{
		AgentSilentAfter: 10 * time.Minute, SpoolGrowingAfter: 30 * time.Minute,
		Gather: 30 * time.Second, Interval: 5 * time.Minute, GiveUpAfter: 72 * time.Hour,
	}
}

var receiverName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// Validate returns everything that is wrong with c at once. It opens no file.
func (c Config) Validate() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if c.PagesURL != "" {
		if u, err := url.Parse(c.PagesURL); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			bad("pages_url is %q; write an address such as https://rollcall.example", c.PagesURL)
		}
	}
	for _, d := range []struct {
		key         string
		is          time.Duration
		least, most time.Duration
	}{
		{"agent_silent_after", c.AgentSilentAfter, 2 * time.Minute, 30 * 24 * time.Hour},
		{"check_overdue_after", c.CheckOverdueAfter, 0, 2 * 365 * 24 * time.Hour},
		{"spool_growing_after", c.SpoolGrowingAfter, time.Minute, 30 * 24 * time.Hour},
		{"gather", c.Gather, 0, time.Hour},
		{"interval", c.Interval, 0, 24 * time.Hour},
		{"give_up_after", c.GiveUpAfter, time.Minute, 30 * 24 * time.Hour},
	} {
		if d.is < d.least || d.is > d.most {
			bad("%s is %s; use %s to %s", d.key, d.is, d.least, d.most)
		}
	}
	names := map[string]bool{}
	for i, r := range c.Receivers {
		at := fmt.Sprintf("receivers[%d] (%s)", i, r.Name)
		if !receiverName.MatchString(r.Name) {
			at = fmt.Sprintf("receivers[%d]", i)
			bad("%s: name is %q; use a to z, 0 to 9 and hyphens, at most 40", at, r.Name)
		} else if names[r.Name] {
			bad("%s: another receiver has the same name", at)
		}
		names[r.Name] = true
		if slices.Contains(r.Sites, "") {
			bad("%s: sites has an empty entry; leave sites out for all", at)
		}
		ways := 0
		if r.Webhook != nil {
			ways++
			r.Webhook.validate(func(format string, args ...any) { bad(at+": webhook: "+format, args...) })
		}
		if r.Email != nil {
			ways++
			r.Email.validate(func(format string, args ...any) { bad(at+": email: "+format, args...) })
		}
		if r.Alertmanager != nil {
			ways++
			r.Alertmanager.validate(func(format string, args ...any) { bad(at+": alertmanager: "+format, args...) })
		}
		if ways != 1 {
			bad("%s: has %d ways; give exactly one of webhook, email and alertmanager", at, ways)
		}
	}
	return errors.Join(errs...)
}

func checkURL(address string, plain bool, bad func(string, ...any)) {
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
		bad("url %q is not an address such as https://host.example/path", withoutUser(address))
	case u.User != nil:
		bad("url holds a user or password; name files for them instead")
	case u.Scheme == "http" && !plain && !loopback(u.Hostname()):
		bad("url %s goes in the clear to another machine; use https, or allow_plain_http: true", address)
	}
}

// withoutUser hides what stands before the @ of an address.
func withoutUser(address string) string {
	if i := strings.LastIndexByte(address, '@'); i >= 0 {
		return "…" + address[i:]
	}
	return address
}

func loopback(host string) bool { return access.IsLoopback(net.JoinHostPort(host, "1")) }

func (w *Webhook) validate(bad func(string, ...any)) {
	checkURL(w.URL, w.AllowPlainHTTP, bad)
	if w.SecretFile == "" {
		bad("secret_file is missing; name a file with the secret that both sides know")
	}
}

func (a *Alertmanager) validate(bad func(string, ...any)) {
	checkURL(a.URL, a.AllowPlainHTTP, bad)
	if strings.HasSuffix(strings.TrimRight(a.URL, "/"), "/api/v2/alerts") {
		bad("url is written without /api/v2/alerts")
	}
	if a.TokenFile != "" && a.User != "" {
		bad("give user and password_file, or token_file, not both")
	}
	if (a.User == "") != (a.PasswordFile == "") {
		bad("user and password_file go together")
	}
	if a.Refresh != 0 && (a.Refresh < time.Minute || a.Refresh > 6*time.Hour) {
		bad("refresh is %s; use 1m to 6h", a.Refresh)
	}
}

func (e *Email) validate(bad func(string, ...any)) {
	host, port, err := net.SplitHostPort(e.Server)
	n, perr := strconv.ParseUint(port, 10, 16)
	if err != nil || perr != nil || n == 0 || host == "" {
		bad("server is %q; write host:port, as mail.example:587", e.Server)
	}
	switch e.TLS {
	case "", tlsStart, tlsFull:
	case tlsNone:
		if err == nil && !loopback(host) && e.User != "" {
			bad("tls is none and a password would go in the clear to %s; use starttls or tls", host)
		}
	default:
		bad("tls is %q; use starttls, tls or none", e.TLS)
	}
	if (e.User == "") != (e.PasswordFile == "") {
		bad("user and password_file go together")
	}
	if _, err := mail.ParseAddress(e.From); err != nil {
		bad("from is %q; write an address such as rollcall@chain.example", e.From)
	}
	if len(e.To) == 0 {
		bad("to is empty; name at least one address")
	}
	for _, to := range e.To {
		if _, err := mail.ParseAddress(to); err != nil {
			bad("to has %q; write addresses such as quality@chain.example", to)
		}
	}
}

// CheckFiles reads every file that the receivers name, as the service does
// before each notice, and returns everything that is wrong at once.
func (c Config) CheckFiles() error {
	var errs []error
	for _, r := range c.Receivers {
		if _, err := r.sender(); err != nil {
			errs = append(errs, fmt.Errorf("receiver %s: %w", r.Name, err))
		}
	}
	return errors.Join(errs...)
}

// maxSecret is more than any secret or certificate file holds.
const maxSecret = 1 << 20

// readSecret returns a file's text without the line end.
func readSecret(what, path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("read %s: %w", what, err)
	}
	defer f.Close()
	data := make([]byte, maxSecret+1)
	n, err := readFull(f, data)
	if err != nil {
		return "", fmt.Errorf("read %s: %w", what, err)
	}
	if n > maxSecret {
		return "", fmt.Errorf("%s is larger than %d bytes", path, maxSecret)
	}
	text := strings.TrimRight(string(data[:n]), "\r\n")
	if text == "" {
		return "", fmt.Errorf("%s is empty; write %s into it", path, what)
	}
	return text, nil
}
