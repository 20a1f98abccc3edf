package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"sort"
	"time"

	"rollcall/agent/source/csvfolder"
	"rollcall/agent/spool"
	"rollcall/agent/uplink"
)

// Status is status.json: how the agent is, written by `rollcell run` every
// statusEvery and read by `rollcell status`.
type Status struct {
	Version   string    `json:"version"`
	Process   int       `json:"process"`
	Cell      string    `json:"cell"`
	Server    string    `json:"server"`
	StartedAt time.Time `json:"started_at"`
	WrittenAt time.Time `json:"written_at"`
	// Stopped: the agent ended as it was told to.
	Stopped bool          `json:"stopped"`
	Spool   SpoolStatus   `json:"spool"`
	Link    LinkStatus    `json:"link"`
	Folder  FolderStatus  `json:"folder"`
	Aside   AsideStatus   `json:"aside"`
	Held    HeldStatus    `json:"held"`
	Answers []AnswerRun   `json:"last_answers"`
	Alarms  []AlarmStatus `json:"alarms"`
}

// SpoolStatus is how the spool is.
type SpoolStatus struct {
	Dir       string      `json:"dir"`
	Messages  int64       `json:"messages"`
	Bytes     int64       `json:"bytes"`
	MaxBytes  int64       `json:"max_bytes"`
	OldestAt  *time.Time  `json:"oldest_at,omitempty"`
	Full      bool        `json:"full"`
	TornBytes int64       `json:"torn_bytes"`
	Gaps      []GapStatus `json:"gaps,omitempty"`
	Damaged   []string    `json:"damaged_files,omitempty"`
}

// GapStatus is a run of messages lost to damage of the disk.
type GapStatus struct {
	From    uint64 `json:"from"`
	To      uint64 `json:"to"`
	Segment string `json:"segment,omitempty"`
	Reason  string `json:"reason"`
}

// LinkStatus is how the link to the service is.
type LinkStatus struct {
	Connected   bool       `json:"connected"`
	Since       time.Time  `json:"since"`
	LastError   string     `json:"last_error,omitempty"`
	LastErrorAt *time.Time `json:"last_error_at,omitempty"`
	Stored      uint64     `json:"stored_messages"` // since the start
	UnderWay    int        `json:"messages_under_way"`
	NextTryAt   *time.Time `json:"next_try_at,omitempty"`
}

// FolderStatus is how the watched folder is.
type FolderStatus struct {
	Dir          string     `json:"dir"`
	Waiting      int        `json:"waiting_files"`
	Done         uint64     `json:"done_files"` // since the start
	LastDone     string     `json:"last_done,omitempty"`
	LastDoneAt   *time.Time `json:"last_done_at,omitempty"`
	Rejected     int        `json:"rejected_files"` // in the folder of rejected files
	LastRejected string     `json:"last_rejected,omitempty"`
	LastReason   string     `json:"last_reason,omitempty"`
}

// HeldStatus is about messages that wait for the registry.
type HeldStatus struct {
	Messages  int           `json:"messages"`
	NextTryAt *time.Time    `json:"next_try_at,omitempty"`
	First     []HeldMessage `json:"first"`
}

// HeldMessage is a message that waits for the registry.
type HeldMessage struct {
	Sequence uint64 `json:"sequence"`
	Message  string `json:"message"`
	Of       string `json:"of"`
	File     string `json:"file,omitempty"`
	Reason   string `json:"reason"`
}

// AsideStatus is about messages set aside.
type AsideStatus struct {
	Dir      string `json:"dir"`
	Messages int    `json:"messages"`
}

// AnswerRun is one answer of the service, or a run of equal ones.
type AnswerRun struct {
	From   uint64    `json:"from"`
	To     uint64    `json:"to"`
	Count  int       `json:"count"`
	Code   string    `json:"code"`
	Field  string    `json:"field,omitempty"`
	Reason string    `json:"reason,omitempty"`
	At     time.Time `json:"at"`
}

// AlarmStatus is something somebody has to mend.
type AlarmStatus struct {
	Kind  string    `json:"kind"`
	Text  string    `json:"text"`
	Since time.Time `json:"since"`
}

// statusEvery is how often status.json is written.
const statusEvery = 2 * time.Second

// reporter writes status.json.
type reporter struct {
	config  Config
	started time.Time
	now     func() time.Time
	spool   *spool.Spool
	folder  *csvfolder.Folder
	uplink  *uplink.Uplink
	since   map[string]time.Time // alarms that are not the uplink's
}

func optional(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// status gathers how everything is.
func (r *reporter) status(stopped bool) Status {
	now := r.now()
	sp, up, fo := r.spool.Stats(), r.uplink.State(), r.folder.Status()
	s := Status{
		Version: version(), Process: os.Getpid(), Cell: r.config.Cell, Server: r.config.Server,
		StartedAt: r.started.UTC(), WrittenAt: now.UTC(), Stopped: stopped,
		Spool: SpoolStatus{
			Dir: r.config.Spool.Dir, Messages: sp.Messages, Bytes: sp.Bytes, MaxBytes: sp.MaxBytes,
			OldestAt: optional(sp.Oldest), Full: sp.Full, TornBytes: sp.TornBytes, Damaged: sp.Damaged,
		},
		Link: LinkStatus{
			Connected: up.Connected && !stopped, Since: up.Since.UTC(), LastError: up.LastError, LastErrorAt: optional(up.LastErrorAt),
			Stored: up.Stored, UnderWay: up.UnderWay, NextTryAt: optional(up.LinkAgain),
		},
		Folder: FolderStatus{
			Dir: r.config.Folder, Waiting: fo.Waiting, Done: fo.Done, LastDone: fo.LastDone, LastDoneAt: optional(fo.LastDoneAt),
			Rejected: fo.InRejected, LastRejected: fo.LastRejected, LastReason: fo.LastReason,
		},
		Aside:   AsideStatus{Dir: r.config.asideDir()},
		Held:    HeldStatus{Messages: up.HeldCount, NextTryAt: optional(up.HeldAgain), First: []HeldMessage{}},
		Answers: []AnswerRun{},
		Alarms:  []AlarmStatus{},
	}
	for _, h := range up.Held {
		s.Held.First = append(s.Held.First, HeldMessage(h))
	}
	for _, g := range sp.Gaps {
		s.Spool.Gaps = append(s.Spool.Gaps, GapStatus(g))
	}
	for _, a := range up.Answers {
		s.Answers = append(s.Answers, AnswerRun{From: a.From, To: a.To, Count: a.Count, Code: a.Code, Field: a.Field, Reason: a.Reason, At: a.At.UTC()})
	}
	for _, a := range up.Alarms {
		s.Alarms = append(s.Alarms, AlarmStatus{Kind: a.Kind, Text: a.Text, Since: a.Since.UTC()})
	}
	if n, err := uplink.CountAside(r.config.asideDir()); err == nil {
		s.Aside.Messages = n
	}
	local := map[string]string{}
	if sp.Full {
		local["spool full"] = fmt.Sprintf("the spool or its disk is full (%d of at most %d bytes): nothing new is taken and nothing was dropped; restore the link, free the disk, or raise spool.max_bytes", sp.Bytes, sp.MaxBytes)
	}
	if sp.Fault != "" {
		local["spool fault"] = "the spool cannot be written: " + sp.Fault
	}
	if n := len(sp.Gaps); n > 0 {
		lost := uint64(0)
		for _, g := range sp.Gaps {
			lost += g.To - g.From + 1
		}
		local["spool damage"] = fmt.Sprintf("%d messages in the spool were destroyed on the disk (%s); look after the disk, and put the files they came from into the folder again", lost, sp.Gaps[n-1].Reason)
	}
	if fo.Alarm != "" {
		local["folder"] = fo.Alarm
	}
	for kind, text := range local {
		if r.since[kind].IsZero() {
			r.since[kind] = now
		}
		s.Alarms = append(s.Alarms, AlarmStatus{Kind: kind, Text: text, Since: r.since[kind].UTC()})
	}
	for kind := range r.since {
		if local[kind] == "" {
			delete(r.since, kind)
		}
	}
	sort.Slice(s.Alarms, func(i, j int) bool { return s.Alarms[i].Kind < s.Alarms[j].Kind })
	return s
}

// write replaces status.json. A reader sees the old or the new one; after a
// loss of power it may be gone, which does not matter.
func (r *reporter) write(stopped bool) error {
	text, err := json.MarshalIndent(r.status(stopped), "", "  ")
	if err != nil {
		return fmt.Errorf("write status: %w", err)
	}
	name := r.config.statusFile()
	temporary := name + ".tmp"
	if err := os.WriteFile(temporary, append(text, '\n'), 0o644); err != nil {
		return fmt.Errorf("write status: %w", err)
	}
	if err := os.Rename(temporary, name); err != nil {
		return fmt.Errorf("write status: %w", err)
	}
	return nil
}

// readStatus reads status.json.
func readStatus(dir string) (Status, error) {
	text, err := os.ReadFile(filepath.Join(dir, "status.json"))
	if err != nil {
		return Status{}, err
	}
	var s Status
	if err := json.Unmarshal(text, &s); err != nil {
		return Status{}, fmt.Errorf("read status: %w", err)
	}
	return s, nil
}
