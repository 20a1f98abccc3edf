package notice

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"

	"rollcall/services/caution"
	"rollcall/services/show"
	"rollcall/services/store"
)

// Notice is one message to one receiver. Its JSON is a webhook's body; fields
// are added to it, never changed.
type Notice struct {
	// Key is made of the receiver and the items' keys: the same each time the
	// same notice is sent.
	Key      string    `json:"key"`
	Receiver string    `json:"receiver"`
	Site     string    `json:"site"` // empty: of no site
	SiteName string    `json:"site_name,omitempty"`
	Test     bool      `json:"test,omitempty"`
	SentAt   time.Time `json:"sent_at"` // of this attempt
	Items    []Item    `json:"items"`   // in order of harm
}

// Item is one change of state.
type Item struct {
	// Key is the same each time the same change is told, to any receiver.
	Key     string `json:"key"`
	Subject string `json:"subject"`
	// What happened: opened, turned, closed, withdrawn; silent, heard; overdue,
	// done; growing, drained; test.
	What  string `json:"what"`
	State string `json:"state"`
	// Was is the state the receiver was told of before; empty: none.
	Was     string    `json:"was,omitempty"`
	WasOpen bool      `json:"-"`
	Open    bool      `json:"wants_action"`
	Site    string    `json:"site,omitempty"`
	Cell    string    `json:"cell,omitempty"`
	Car     string    `json:"car,omitempty"`
	Flag    string    `json:"flag,omitempty"`
	Since   time.Time `json:"since"`

	Headline string `json:"headline"`
	Detail   string `json:"detail,omitempty"`
	Cause    string `json:"cause,omitempty"`
	Next     string `json:"next_check,omitempty"`
	// Caution goes with what is asked of somebody in a cell.
	Caution string `json:"caution,omitempty"`
	URL     string `json:"url,omitempty"`

	rank, pulls int
	size        float64
}

// The first parts of subjects.
const (
	subjectFlag  = "flag"
	subjectAgent = "agent"
	subjectCheck = "check"
	subjectSpool = "spool"
	subjectTest  = "test"
)

// The states. A flag's open states are its kinds.
const (
	stateClosed    = "closed"
	stateWithdrawn = "withdrawn"
	stateSilent    = "silent"
	stateHeard     = "heard"
	stateOverdue   = "overdue"
	stateDone      = "done"
	stateGrowing   = "growing"
	stateDrained   = "drained"
)

// isOpen says whether a state is one that somebody must end.
func isOpen(state string) bool {
	switch state {
	case "", stateClosed, stateWithdrawn, stateHeard, stateDone, stateDrained:
		return false
	}
	return true
}

// harm orders states, the worst first: what makes wrong numbers, then what may,
// then what keeps from knowing; what has ended comes last.
func harm(subject, state string) int {
	rank := 0
	switch kind, _, _ := strings.Cut(subject, "/"); kind {
	case subjectFlag:
		rank = map[string]int{"recalibrate": 1, "drifting": 2, "reference car": 3}[state]
		if rank == 0 {
			rank = 4
		}
	case subjectCheck:
		rank = 5
	case subjectAgent:
		rank = 6
	default:
		rank = 7
	}
	if !isOpen(state) {
		rank += 100
	}
	return rank
}

// keyOf returns 32 hexadecimal digits made of parts.
func keyOf(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d:%s", len(p), p)
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// itemOf puts a change into words. told is the state the receiver was told of
// before; pages is the pages' address, or empty.
func itemOf(c store.NoticeChangeRow, told, pages string) Item {
	i := Item{
		Key: keyOf(c.Subject, fmt.Sprint(c.Ordinal), c.State), Subject: c.Subject, State: c.State, Was: told, WasOpen: isOpen(told), Open: c.WantsAction,
		Site: c.SiteID, Cell: c.CellID, Car: c.CarID, Flag: c.FlagID, Since: c.Since.UTC(), Detail: show.Clean(c.Detail),
		rank: harm(c.Subject, c.State), pulls: int(c.TouchedPulls), size: c.Size,
	}
	of := "Cell " + c.CellID
	if c.CellID == "" {
		of = "Reference car " + c.CarID
	}
	since := c.Since.UTC().Format("2006-01-02 15:04") + " UTC"
	kind, id, _ := strings.Cut(c.Subject, "/")
	switch kind {
	case subjectFlag:
		size := ""
		if c.SizeU > 0 {
			size = ", " + show.Sized(c.Size, c.SizeU, c.SizeUnit) + " (k = 2)"
		}
		switch {
		case !c.WantsAction:
			i.What = c.State
			i.Headline = fmt.Sprintf("%s: flag %s", of, c.State)
		case i.WasOpen:
			i.What = "turned"
			i.Headline = fmt.Sprintf("%s: flag turned from %s to %s%s", of, told, c.State, size)
		default:
			i.What = "opened"
			i.Headline = fmt.Sprintf("%s: flag opened: %s%s", of, c.State, size)
		}
		if c.WantsAction {
			if c.Cause != "" {
				i.Cause = fmt.Sprintf("%s, %.0f %%", show.Cause(c.Cause), c.CauseProbability*100)
			}
			if c.TouchedPulls > 0 {
				i.Headline += "; in doubt: " + show.Count(int(c.TouchedPulls), "customer pull", "customer pulls")
			}
			if i.Next = show.Clean(c.NextCheck); i.Next != "" {
				i.Caution = caution.Car + " " + caution.Masses + " " + caution.First
			}
		}
		if pages != "" {
			i.URL = strings.TrimRight(pages, "/") + "/flags/" + url.PathEscape(id)
		}
	case subjectAgent:
		i.What = c.State
		i.Headline = of + ": agent silent since " + since
		if !c.WantsAction {
			i.Headline = of + ": agent heard again since " + since
		}
	case subjectCheck:
		i.What = c.State
		i.Headline = of + ": calibration check overdue since " + since
		if c.WantsAction {
			i.Next = show.Clean(c.NextCheck)
			i.Caution = caution.Masses + " " + caution.First
		} else {
			i.Headline = of + ": calibration check done " + since
		}
	case subjectSpool:
		i.What = c.State
		i.Headline = of + ": the agent's spool grows, its oldest message waits since " + since
		if !c.WantsAction {
			i.Headline = of + ": the agent's spool has drained"
		}
	}
	if i.URL == "" && pages != "" && c.CellID != "" {
		i.URL = strings.TrimRight(pages, "/") + "/cells/" + url.PathEscape(c.CellID)
	}
	i.Headline = show.Clean(i.Headline)
	return i
}

// newNotice makes a notice of items, and puts them in order of harm: by kind,
// then by how many customer pulls are touched, then by size.
func newNotice(receiver, site, siteName string, items []Item, now time.Time) Notice {
	slices.SortFunc(items, func(a, b Item) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(b.pulls, a.pulls), cmp.Compare(math.Abs(b.size), math.Abs(a.size)), cmp.Compare(a.Subject, b.Subject))
	})
	parts := []string{receiver}
	for _, i := range items {
		parts = append(parts, i.Key)
	}
	slices.Sort(parts[1:])
	return Notice{Key: keyOf(parts...), Receiver: receiver, Site: site, SiteName: siteName, SentAt: now.UTC().Truncate(time.Second), Items: items}
}

// testNotice is what a receiver is tested with.
func testNotice(receiver, replica string, now time.Time) Notice {
	n := newNotice(receiver, "", "", []Item{{
		Key: keyOf(subjectTest, receiver, replica, fmt.Sprint(now.UnixNano())), Subject: subjectTest + "/" + receiver, What: "test", State: "test", Open: true, Since: now.UTC().Truncate(time.Second),
		Headline: "Test of the receiver " + receiver + ": nothing has happened, and nothing is to be done",
	}}, now)
	n.Test = true
	return n
}

// place names the notice's site.
func (n Notice) place() string {
	switch {
	case n.Site == "":
		return "reference cars"
	case n.SiteName != "" && n.SiteName != n.Site:
		return fmt.Sprintf("%s (%s)", oneLine(n.SiteName), n.Site)
	}
	return "site " + n.Site
}

// Subject is the notice in one line, as an e-mail's subject.
func (n Notice) Subject() string {
	if len(n.Items) == 1 {
		where := n.place() + ": "
		if n.Test || n.Site == "" {
			where = ""
		}
		return oneLine("Rollcall: " + where + n.Items[0].Headline)
	}
	open := 0
	for _, i := range n.Items {
		if i.Open {
			open++
		}
	}
	text := fmt.Sprintf("Rollcall: %s: %s", n.place(), show.Count(len(n.Items), "change", "changes"))
	if open > 0 {
		return oneLine(fmt.Sprintf("%s, %d to act on; first: %s", text, open, n.Items[0].Headline))
	}
	return oneLine(text + ", all of them settled")
}

// Text is the notice as plain text.
func (n Notice) Text() string {
	var b strings.Builder
	if !n.Test {
		fmt.Fprintf(&b, "%s, %s\n\n", n.place(), show.Count(len(n.Items), "change", "changes"))
	}
	var cautions []string
	for _, i := range n.Items {
		mark := "[ended]"
		if i.Open {
			mark = "[open]"
		}
		if n.Test {
			mark = "[test]"
		}
		fmt.Fprintf(&b, "%s %s\n", mark, oneLine(i.Headline))
		line := func(head, text string) {
			if text != "" {
				fmt.Fprintf(&b, "    %-6s %s\n", head, oneLine(text))
			}
		}
		line("seen", i.Detail)
		line("cause", i.Cause)
		line("next", i.Next)
		line("page", i.URL)
		b.WriteByte('\n')
		if i.Caution != "" && !slices.Contains(cautions, i.Caution) {
			cautions = append(cautions, i.Caution)
		}
	}
	for _, c := range cautions {
		b.WriteString(c + "\n\n")
	}
	fmt.Fprintf(&b, "Told once for each change of state. Key of this notice: %s\n", n.Key)
	return b.String()
}
