package access

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// PagesConfig says how the pages may be reached from other machines. All of it or
// none: without it they stay on loopback, where whoever reaches them is trusted
// as somebody who sits at the machine.
type PagesConfig struct {
	CertFile   string `yaml:"cert_file"`   // the pages' certificate, PEM, with its chain
	KeyFile    string `yaml:"key_file"`    // its private key, PEM
	PeopleFile string `yaml:"people_file"` // who may sign in, written by `rollcall people`
}

// Enabled says whether sign-in is configured.
func (c PagesConfig) Enabled() bool { return c != PagesConfig{} }

// Validate returns everything wrong with c, the files' being readable not
// included.
func (c PagesConfig) Validate() error {
	if !c.Enabled() {
		return nil
	}
	var errs []error
	for _, f := range []struct{ key, value string }{
		{"cert_file", c.CertFile}, {"key_file", c.KeyFile}, {"people_file", c.PeopleFile},
	} {
		if f.value == "" {
			errs = append(errs, fmt.Errorf("%s is empty; pages with sign-in need cert_file, key_file and people_file", f.key))
		}
	}
	return errors.Join(errs...)
}

// SessionLife is how long somebody stays signed in; a working day.
const SessionLife = 12 * time.Hour

// Attempts at signing in: from one address, and at one name from all addresses,
// burst at once and then one every pause. Common practice, no source.
const (
	addressBurst, nameBurst = 5, 20
	addressPause, namePause = 30 * time.Second, 10 * time.Second
	mostLimited             = 10_000 // addresses and names that are remembered
	mostHashing             = 2      // passwords looked at at once, for each takes a core
)

// Errors of signing in. errors.Is finds them.
var (
	// ErrSignIn: name or password is wrong; which is not said.
	ErrSignIn = errors.New("name or password is wrong")
	// ErrTooMany: there were too many attempts; a TooManyError says for how long.
	ErrTooMany = errors.New("too many attempts")
)

// TooManyError is an ErrTooMany with how long to wait.
type TooManyError struct{ Wait time.Duration }

func (e *TooManyError) Error() string {
	return fmt.Sprintf("too many attempts; try again in %d seconds", int(e.Wait.Seconds())+1)
}

// Unwrap returns ErrTooMany.
func (e *TooManyError) Unwrap() error { return ErrTooMany }

// Door lets people in: it signs them in, knows them again by their session, and
// signs them out. A session is a text that only holders of the people file's key
// can make, so every replica with the file takes it. It ends after SessionLife,
// when its owner signs out here, or when the file no longer has its owner, their
// role or their password.
type Door struct {
	people *People
	now    func() time.Time

	hashing chan struct{}
	mu      sync.Mutex
	limits  map[string]*rate.Limiter
	// lookedOver is when limits that are full again were last looked for.
	lookedOver time.Time
	out        map[string]time.Time // sessions signed out, and when they would have ended
}

// NewDoor returns a door for the people of a file.
func NewDoor(p *People, now func() time.Time) *Door {
	return &Door{people: p, now: now, hashing: make(chan struct{}, mostHashing), limits: map[string]*rate.Limiter{}, out: map[string]time.Time{}}
}

// session is what a session's text says.
type session struct {
	ID     string `json:"id"`
	Name   string `json:"name"`
	Role   Role   `json:"role"`
	Ends   int64  `json:"ends"` // Unix, s
	Secret string `json:"secret"`
}

// secretOf changes with somebody's password and role, and tells neither.
func secretOf(key []byte, e Entry) string {
	return seal(key, "person\x00"+e.Name+"\x00"+string(e.Role)+"\x00"+e.Password)
}

func seal(key []byte, text string) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(text))
	return base64.RawURLEncoding.EncodeToString(h.Sum(nil))
}

// take counts an attempt for a key and returns what undoes it, or how long to
// wait. The caller holds mu.
func (d *Door) take(key string, burst int, pause time.Duration, now time.Time) (*rate.Reservation, time.Duration) {
	l := d.limits[key]
	if l == nil {
		if len(d.limits) >= mostLimited && now.Sub(d.lookedOver) >= time.Second {
			d.lookedOver = now
			for k, old := range d.limits { // what is full again is as if it were new
				if old.TokensAt(now) >= float64(old.Burst()) {
					delete(d.limits, k)
				}
			}
		}
		if len(d.limits) >= mostLimited {
			return nil, pause
		}
		l = rate.NewLimiter(rate.Every(pause), burst)
		d.limits[key] = l
	}
	r := l.ReserveN(now, 1)
	if wait := r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
		return nil, wait
	}
	return r, 0
}

// addressKey is what attempts from an address are counted by: one IPv6 customer
// has a whole /64.
func addressKey(remote string) string {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		host = remote
	}
	a, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	if a = a.Unmap().WithZone(""); a.Is6() {
		p, _ := a.Prefix(64)
		return p.String()
	}
	return a.String()
}

// check looks at name and password from an address.
func (d *Door) check(ctx context.Context, remote, name, password string) (Entry, error) {
	now := d.now()
	d.mu.Lock()
	byAddress, wait := d.take("address "+addressKey(remote), addressBurst, addressPause, now)
	if wait > 0 {
		d.mu.Unlock()
		return Entry{}, &TooManyError{wait}
	}
	// Names are as long as somebody likes.
	sum := sha256.Sum256([]byte(name))
	byName, wait := d.take("name "+string(sum[:]), nameBurst, namePause, now)
	if wait > 0 {
		byAddress.CancelAt(now)
		d.mu.Unlock()
		return Entry{}, &TooManyError{wait}
	}
	d.mu.Unlock()
	select {
	case d.hashing <- struct{}{}:
	case <-ctx.Done():
		return Entry{}, ctx.Err()
	}
	e, ok := d.people.check(name, password)
	<-d.hashing
	if !ok {
		return Entry{}, ErrSignIn
	}
	d.mu.Lock()
	byAddress.CancelAt(now)
	byName.CancelAt(now)
	d.mu.Unlock()
	return e, nil
}

// SignIn returns a new session for who has the name and the password; remote is
// the address the attempt comes from. Errors: ErrSignIn, a *TooManyError, or
// that of ctx.
func (d *Door) SignIn(ctx context.Context, remote, name, password string) (text string, ends time.Time, err error) {
	e, err := d.check(ctx, remote, name, password)
	if err != nil {
		return "", time.Time{}, err
	}
	key, _ := d.people.now()
	ends = d.now().Add(SessionLife).Truncate(time.Second)
	body, err := json.Marshal(session{ID: rand.Text(), Name: e.Name, Role: e.Role, Ends: ends.Unix(), Secret: secretOf(key, e)})
	if err != nil {
		return "", time.Time{}, fmt.Errorf("make a session: %w", err)
	}
	text = base64.RawURLEncoding.EncodeToString(body)
	return text + "." + seal(key, "session\x00"+text), ends, nil
}

// Identify returns who has the name and the password, without a session: for
// programs. Errors as of SignIn.
func (d *Door) Identify(ctx context.Context, remote, name, password string) (Identity, error) {
	e, err := d.check(ctx, remote, name, password)
	if err != nil {
		return Identity{}, err
	}
	return Identity{Person: e.Name, Role: e.Role}, nil
}

// read returns what a session's text says, and whether it is one that holds.
func (d *Door) read(text string) (session, bool) {
	var s session
	body, sum, ok := strings.Cut(text, ".")
	key, people := d.people.now()
	if !ok || len(text) > 4096 || !hmac.Equal([]byte(sum), []byte(seal(key, "session\x00"+body))) {
		return s, false
	}
	data, err := base64.RawURLEncoding.DecodeString(body)
	if err != nil || json.Unmarshal(data, &s) != nil {
		return s, false
	}
	e, known := people[s.Name]
	if !known || e.Role != s.Role || !hmac.Equal([]byte(s.Secret), []byte(secretOf(key, e))) || !d.now().Before(time.Unix(s.Ends, 0)) {
		return s, false
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	_, out := d.out[s.ID]
	return s, !out
}

// Known returns who a session is of and when it ends; false: it is none that
// holds.
func (d *Door) Known(text string) (Identity, time.Time, bool) {
	s, ok := d.read(text)
	if !ok {
		return Identity{}, time.Time{}, false
	}
	return Identity{Person: s.Name, Role: s.Role}, time.Unix(s.Ends, 0), true
}

// SignOut ends a session.
func (d *Door) SignOut(text string) {
	s, ok := d.read(text)
	if !ok {
		return
	}
	now := d.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	for id, ends := range d.out {
		if !now.Before(ends) {
			delete(d.out, id)
		}
	}
	d.out[s.ID] = time.Unix(s.Ends, 0)
}
