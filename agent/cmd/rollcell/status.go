package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rollcall/agent/uplink"
)

// errAttention makes the exit code 1; everything has been said.
var errAttention = errors.New("needs attention")

const (
	// staleAfter is after how long without a new status.json the agent counts
	// as not running.
	staleAfter = 15 * time.Second
	// linkGrace is how long the link may be down before it needs attention:
	// nothing is lost by it, and a service that is restarted is back sooner.
	linkGrace = 30 * time.Second
	// listed is how many rejected files and messages set aside are listed.
	listed = 20
)

// Report is what `rollcell status` says.
type Report struct {
	Status
	Stale     bool           `json:"stale"`
	Rejected  []RejectedFile `json:"rejected"`
	SetAside  []uplink.Aside `json:"set_aside"`
	Attention []string       `json:"attention"`
}

// RejectedFile is a file that could not be taken.
type RejectedFile struct {
	File   string    `json:"file"`
	Reason string    `json:"reason"`
	At     time.Time `json:"at"`
}

func (m Main) statusCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "status",
		Short: "say how the agent is: spool, link, last answers, rejected files, messages set aside",
		Long:  fmt.Sprintf("Status says how the agent is. Exit code 0: fine; 1: something needs attention, the\nlink has been down for more than %s, or the agent is not running; 2: wrong use or\nconfiguration.", span(linkGrace)),
		Args:  noArguments,
	}
	load := configFlags(c)
	asJSON := c.Flags().Bool("json", false, "for programs")
	c.RunE = func(c *cobra.Command, _ []string) error {
		config, err := load()
		if err != nil {
			return err
		}
		report, err := makeReport(config, time.Now())
		if err != nil {
			return err
		}
		out := c.OutOrStdout()
		if *asJSON {
			text, err := json.MarshalIndent(report, "", "  ")
			if err != nil {
				return fmt.Errorf("print status: %w", err)
			}
			_, err = out.Write(append(text, '\n'))
			if err != nil {
				return err
			}
		} else if err := report.print(out, time.Now()); err != nil {
			return err
		}
		if len(report.Attention) > 0 {
			return errAttention
		}
		return nil
	}
	return c
}

// makeReport reads what the agent left and judges it.
func makeReport(config Config, now time.Time) (Report, error) {
	s, err := readStatus(config.StateDir)
	if errors.Is(err, os.ErrNotExist) {
		return Report{}, fmt.Errorf("no status in %s: the agent has not run with this configuration yet; start it with `rollcell run`", config.StateDir)
	}
	if err != nil {
		return Report{}, err
	}
	r := Report{Status: s, Rejected: []RejectedFile{}, SetAside: []uplink.Aside{}, Attention: []string{}}
	attend := func(format string, a ...any) { r.Attention = append(r.Attention, fmt.Sprintf(format, a...)) }

	age := now.Sub(s.WrittenAt)
	r.Stale = age > staleAfter
	switch {
	case s.Stopped:
		attend("The agent was stopped at %s: start it with `rollcell run`.", clock(s.WrittenAt))
	case r.Stale:
		attend("The agent is not running: it last gave word at %s, %s ago. What follows was so then.", clock(s.WrittenAt), span(age))
	case !s.Link.Connected && s.WrittenAt.Sub(s.Link.Since) > linkGrace:
		attend("No link to %s for %s: %s. Nothing is lost; %s and goes on by itself when the link is back.", s.Server, span(s.WrittenAt.Sub(s.Link.Since)), reason(s.Link.LastError), again("it is", s.Link.NextTryAt))
	}
	for _, a := range s.Alarms {
		attend("%s, since %s: %s", capital(a.Kind), clock(a.Since), a.Text)
	}
	if n := s.Held.Messages; n > 0 {
		attend("%s not known to the registry: nothing is lost, and %s. Add what is missing to the registry (`rollcall fleet apply`). If instead a name in the file is wrong: mend the file, put it into the folder again, and give this one up with `rollcell set-aside RECORD`.",
			count(n, "message waits, its cell, car or mass", "messages wait, their cell, car or mass"), again("each is", s.Held.NextTryAt))
	}
	if n := len(s.Spool.Damaged); n > 0 {
		attend("%s kept in %s: look after the disk, then delete what is damaged.", count(n, "damaged spool file is", "damaged spool files are"), s.Spool.Dir)
	}
	total := 0
	if r.Rejected, total, err = rejected(filepath.Join(config.Folder, "rejected"), listed); err != nil {
		return Report{}, err
	}
	r.Folder.Rejected = total
	if total > 0 {
		attend("%s could not be taken: mend what is in rejected and move it back into the folder.", count(total, "file", "files"))
	}
	aside, err := uplink.ListAside(config.asideDir(), listed)
	if err != nil {
		return Report{}, err
	}
	r.SetAside = append(r.SetAside, aside...)
	if r.Aside.Messages, err = uplink.CountAside(config.asideDir()); err != nil {
		return Report{}, err
	}
	if n := r.Aside.Messages; n > 0 {
		attend("%s set aside in %s: not taken by the service. Delete what is of no use there.", count(n, "message was", "messages were"), config.asideDir())
	}
	return r, nil
}

// rejected lists the files that could not be taken, newest first, and counts
// them all.
func rejected(dir string, most int) ([]RejectedFile, int, error) {
	list := []RejectedFile{}
	entries, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) {
		return list, 0, nil
	}
	if err != nil {
		return nil, 0, fmt.Errorf("read folder of rejected files: %w", err)
	}
	const suffix = ".reason.txt"
	for _, e := range entries {
		if e.IsDir() || strings.HasSuffix(e.Name(), suffix) {
			continue
		}
		f := RejectedFile{File: e.Name(), Reason: "no reason is beside it"}
		if info, err := e.Info(); err == nil {
			f.At = info.ModTime().UTC()
		}
		reason := filepath.Join(dir, e.Name()+suffix)
		if info, err := os.Stat(reason); err == nil {
			f.At = info.ModTime().UTC()
		}
		list = append(list, f)
	}
	sort.Slice(list, func(i, j int) bool { return list[i].At.After(list[j].At) })
	total := len(list)
	list = list[:min(total, most)]
	for i := range list {
		text, err := os.ReadFile(filepath.Join(dir, list[i].File+suffix))
		if err == nil {
			list[i].Reason = reasonIn(string(text))
		}
	}
	return list, total, nil
}

// reasonIn joins the lines What, Where and Mend of a reason file.
func reasonIn(text string) string {
	parts := map[string]string{}
	for line := range strings.Lines(text) {
		if key, value, ok := strings.Cut(line, ":"); ok {
			parts[key] = strings.TrimSpace(value)
		}
	}
	if parts["What"] == "" {
		return strings.Join(strings.Fields(text), " ")
	}
	out := parts["What"]
	if parts["Where"] != "" {
		out = parts["Where"] + ": " + out
	}
	if parts["Mend"] != "" {
		out += "; " + parts["Mend"]
	}
	return out
}

// print writes the report for people.
func (r Report) print(out io.Writer, now time.Time) error {
	var b strings.Builder
	line := func(name, format string, a ...any) {
		fmt.Fprintf(&b, "%-10s "+format+"\n", append([]any{name}, a...)...)
	}
	line("cell", "%s, agent %s, process %d, started %s", r.Cell, r.Version, r.Process, clock(r.StartedAt))
	state := "running"
	if r.Stopped {
		state = "stopped"
	} else if r.Stale {
		state = "NOT RUNNING"
	}
	line("agent", "%s, last word %s ago", state, span(now.Sub(r.WrittenAt)))
	link := "down"
	if r.Link.Connected {
		link = "up"
	}
	line("link", "%s since %s, %s; %d messages stored since the start", link, clock(r.Link.Since), r.Server, r.Link.Stored)
	if !r.Link.Connected && r.Link.LastError != "" {
		line("", "%s", r.Link.LastError)
	}
	if !r.Link.Connected && r.Link.NextTryAt != nil && !r.Stale && !r.Stopped {
		line("", "%s", again("", r.Link.NextTryAt))
	}
	oldest := ""
	if r.Spool.OldestAt != nil {
		oldest = ", the oldest from " + clock(*r.Spool.OldestAt)
	}
	line("spool", "%d messages waiting%s; %s of %s on disk", r.Spool.Messages, oldest, size(r.Spool.Bytes), size(r.Spool.MaxBytes))
	if r.Spool.TornBytes > 0 {
		line("", "%d bytes of an unfinished write were cut off at the start", r.Spool.TornBytes)
	}
	line("folder", "%s: %d files waiting, %d taken since the start, %d rejected", r.Folder.Dir, r.Folder.Waiting, r.Folder.Done, r.Folder.Rejected)

	if len(r.Answers) > 0 {
		b.WriteString("\nlast answers\n")
		for _, a := range r.Answers {
			which := fmt.Sprintf("message %d", a.From)
			if a.Count > 1 {
				which = fmt.Sprintf("%d messages, %d … %d", a.Count, a.From, a.To)
			}
			text := a.Code
			// A reason that is a sentence of the field begins with it.
			if a.Field != "" && !strings.HasPrefix(a.Reason, a.Field+":") {
				text += " " + a.Field
			}
			if a.Reason != "" {
				text += ": " + a.Reason
			}
			fmt.Fprintf(&b, "  %s  %s  %s\n", clock(a.At), which, text)
		}
	}
	if len(r.Rejected) > 0 {
		fmt.Fprintf(&b, "\nrejected files (%d)\n", r.Folder.Rejected)
		for _, f := range r.Rejected {
			fmt.Fprintf(&b, "  %s  %s\n      %s\n", clock(f.At), f.File, f.Reason)
		}
	}
	if len(r.Held.First) > 0 {
		fmt.Fprintf(&b, "\nwaiting for the registry (%d), %s\n", r.Held.Messages, again("", r.Held.NextTryAt))
		for _, h := range r.Held.First {
			file := ""
			if h.File != "" {
				file = ", file " + h.File
			}
			fmt.Fprintf(&b, "  message %d, %s of record %s%s\n      %s\n", h.Sequence, h.Message, h.Of, file, h.Reason)
		}
	}
	if len(r.SetAside) > 0 {
		fmt.Fprintf(&b, "\nmessages set aside (%d)\n", r.Aside.Messages)
		for _, a := range r.SetAside {
			fmt.Fprintf(&b, "  %s  message %d, %s of %s\n      %s: %s\n", clock(a.SetAsideAt), a.Sequence, a.Message, a.Of, a.Code, a.Reason)
		}
	}
	b.WriteString("\n")
	switch {
	case len(r.Attention) == 0 && r.Link.Connected:
		b.WriteString("All is well.\n")
	case len(r.Attention) == 0:
		fmt.Fprintf(&b, "The link is down; that needs attention once it has been so for %s. Nothing else does.\n", span(linkGrace))
	default:
		b.WriteString("Needs attention:\n")
		for _, a := range r.Attention {
			fmt.Fprintf(&b, "  - %s\n", a)
		}
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// again says when something is tried again.
func again(what string, at *time.Time) string {
	if what != "" {
		what += " "
	}
	if at == nil {
		return what + "tried again now"
	}
	return what + "tried again at " + at.Local().Format("15:04:05")
}

// reason is an error, or that there is none yet.
func reason(text string) string {
	if text == "" {
		return "it has not been up yet"
	}
	return text
}

func count(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

func clock(t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	return t.Local().Format("2006-01-02 15:04:05")
}

func span(d time.Duration) string {
	if d >= time.Minute {
		return strings.TrimSuffix(d.Round(time.Minute).String(), "0s")
	}
	return d.Round(time.Second).String()
}

func size(n int64) string {
	const unit = "kMGT"
	if n < 1000 {
		return fmt.Sprintf("%d B", n)
	}
	v, i := float64(n)/1000, 0
	for v >= 999.95 && i < len(unit)-1 {
		v, i = v/1000, i+1
	}
	return fmt.Sprintf("%.1f %cB", v, unit[i])
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
