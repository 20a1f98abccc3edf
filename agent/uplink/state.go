package uplink

import (
	"sort"
	"time"

	pb "rollcall/proto/rollcall/v1"
)

// State is how an uplink is.
type State struct {
	Connected   bool
	Since       time.Time // Connected has been so since then
	LastError   string    // of the link; empty: none yet
	LastErrorAt time.Time
	Stored      uint64   // messages stored by the service, since the start
	SetAside    uint64   // messages set aside, since the start
	UnderWay    int      // messages sent and not answered
	Answers     []Answer // the last ones, oldest first
	Alarms      []Alarm  // by kind
	// LinkAgain is when the link is tried again; zero: it is up or being tried.
	LinkAgain time.Time
	// Held are the first of the messages that wait for the registry, by
	// sequence; HeldCount counts all, HeldAgain is when they are tried again.
	Held      []Held
	HeldCount int
	HeldAgain time.Time
}

// Held is a message that waits in the spool for somebody to mend the registry,
// or to set it aside.
type Held struct {
	Sequence uint64
	Message  string // pull_begin, sample_block …
	Of       string // pull_id or check_id
	File     string // the file it came from; empty: not known
	Reason   string
}

// heldShown is how many held messages State shows.
const heldShown = 20

// Answer is one answer, or a run of equal ones.
type Answer struct {
	From, To uint64 // sequence numbers
	Count    int
	Code     string
	Field    string
	Reason   string
	At       time.Time // of the last
}

// Alarm is something that somebody has to mend.
type Alarm struct {
	Kind  string
	Text  string
	Since time.Time
}

// The kinds of alarm.
const (
	AlarmRegistry    = "registry"    // a cell, car or mass is not in the registry
	AlarmCertificate = "certificate" // the service does not take this agent for its cell
	AlarmService     = "service"     // the service does not speak this contract
	AlarmAside       = "aside"       // a message cannot be set aside
	AlarmSpool       = "spool"       // the spool cannot be read or written
)

// answersKept is how many runs of answers State shows.
const answersKept = 20

// State returns how the uplink is.
func (u *Uplink) State() State {
	u.mu.Lock()
	defer u.mu.Unlock()
	s := u.state
	s.Answers = append([]Answer(nil), u.state.Answers...)
	s.Held, s.HeldCount = nil, len(u.held)
	for _, h := range u.held {
		s.Held = append(s.Held, h)
	}
	sort.Slice(s.Held, func(i, j int) bool { return s.Held[i].Sequence < s.Held[j].Sequence })
	s.Held = s.Held[:min(len(s.Held), heldShown)]
	s.Alarms = nil
	for _, a := range u.alarms {
		s.Alarms = append(s.Alarms, a)
	}
	sort.Slice(s.Alarms, func(i, j int) bool { return s.Alarms[i].Kind < s.Alarms[j].Kind })
	return s
}

func (u *Uplink) raise(kind, text string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	a, ok := u.alarms[kind]
	if !ok {
		a = Alarm{Kind: kind, Since: u.now()}
	}
	a.Text = text
	u.alarms[kind] = a
}

func (u *Uplink) lower(kinds ...string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for _, k := range kinds {
		delete(u.alarms, k)
	}
}

func (u *Uplink) connected(yes bool, err error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.state.Connected != yes || u.state.Since.IsZero() {
		u.state.Connected, u.state.Since = yes, u.now()
	}
	if yes {
		u.state.LinkAgain = time.Time{}
	}
	if err != nil {
		u.state.LastError, u.state.LastErrorAt = err.Error(), u.now()
	}
}

// note keeps an answer for State.
func (u *Uplink) note(a answer, underWay int) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.state.UnderWay = underWay
	code := codeName(a.code)
	if n := len(u.state.Answers); n > 0 {
		last := &u.state.Answers[n-1]
		if last.Code == code && last.Reason == a.reason && last.Field == a.field {
			last.From, last.To = min(last.From, a.id), max(last.To, a.id)
			last.Count++
			last.At = u.now()
			return
		}
		if n == answersKept {
			u.state.Answers = append(u.state.Answers[:0], u.state.Answers[1:]...)
		}
	}
	u.state.Answers = append(u.state.Answers, Answer{From: a.id, To: a.id, Count: 1, Code: code, Field: a.field, Reason: a.reason, At: u.now()})
}

// codeName returns a code as people write it: OK, INVALID_ARGUMENT …
func codeName(c pb.Code) string {
	const prefix = "CODE_"
	if s := c.String(); len(s) > len(prefix) && s[:len(prefix)] == prefix {
		return s[len(prefix):]
	}
	return c.String()
}
