package csvfolder

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/fsnotify/fsnotify"
	"go.uber.org/zap"

	"rollcall/agent/source"
	"rollcall/agent/spool"
	"rollcall/services/fleet"
)

// Config says which folder is watched and how.
type Config struct {
	// Folder is the folder that is watched; its sub-folders done and rejected
	// are made.
	Folder string
	// Cell is the cell whose records these are.
	Cell fleet.CellID
	// AgentVersion is sent with every record.
	AgentVersion string
	// Settle is how long a file's size and time must stand still before it
	// counts as complete. 0: at once, for files that appear by renaming.
	Settle time.Duration
	// Debounce is how long after a notice of the file system the folder is
	// looked at, so that one look serves many notices.
	Debounce time.Duration
	// Poll is how often the folder is looked at without a notice: network
	// shares give none.
	Poll time.Duration
	// Retry is how soon it is tried again after the spool refused a record.
	Retry time.Duration
	// MaxBytes is the largest file taken.
	MaxBytes int64
	// Delete deletes files that are done instead of keeping them.
	Delete bool
}

// DefaultConfig returns a configuration that lacks only Folder and Cell.
func DefaultConfig() Config {
	return Config{Settle: 2 * time.Second, Debounce: 200 * time.Millisecond, Poll: 10 * time.Second, Retry: 5 * time.Second, MaxBytes: 1 << 30}
}

// Validate returns everything wrong with the configuration.
func (c Config) Validate() error {
	var errs []error
	if c.Folder == "" {
		errs = append(errs, errors.New("folder: give the folder to watch"))
	}
	if c.Cell == "" {
		errs = append(errs, errors.New("cell: give the id of the cell"))
	}
	if c.Settle < 0 || c.Settle > time.Hour {
		errs = append(errs, fmt.Errorf("settle: %v is not possible; give 0 to 1 h", c.Settle))
	}
	if c.Debounce < 0 || c.Debounce > time.Minute {
		errs = append(errs, fmt.Errorf("debounce: %v is not possible; give 0 to 1 min", c.Debounce))
	}
	if c.Poll < 100*time.Millisecond || c.Poll > time.Hour {
		errs = append(errs, fmt.Errorf("poll: %v is not possible; give 0.1 s to 1 h", c.Poll))
	}
	if c.Retry < 10*time.Millisecond || c.Retry > time.Hour {
		errs = append(errs, fmt.Errorf("retry: %v is not possible; give 0.01 s to 1 h", c.Retry))
	}
	if c.MaxBytes < 1 {
		errs = append(errs, fmt.Errorf("max_bytes: %d is not possible; give at least 1", c.MaxBytes))
	}
	return errors.Join(errs...)
}

// Names of the sub-folders.
const (
	doneFolder     = "done"
	rejectedFolder = "rejected"
	reasonSuffix   = ".reason.txt"
)

// Status is how the folder is doing.
type Status struct {
	// Done and Rejected count files since the start.
	Done, Rejected uint64
	// Waiting is how many files are in the folder and not yet taken.
	Waiting int
	// InRejected is how many files lie in the folder of rejected ones.
	InRejected int
	// Alarm is what keeps files from being taken; empty: nothing.
	Alarm string
	// LastRejected is the file rejected last, LastReason why.
	LastRejected, LastReason string
	// LastDone is the file taken last, at LastDoneAt.
	LastDone   string
	LastDoneAt time.Time
}

// Folder watches a folder of CSV files; it is a source.Source.
type Folder struct {
	config  Config
	mapping *Mapping
	log     *zap.Logger
	now     func() time.Time

	seen    map[string]sighting // files seen in the folder
	durable map[string]durable  // could not be moved away yet
	taken   *taken              // nil: not read yet

	mu     sync.Mutex
	status Status
}

var _ source.Source = (*Folder)(nil)

// sighting is how a file looked and since when.
type sighting struct {
	size  int64
	time  time.Time
	since time.Time
}

// durable is a file whose record is durable in the spool.
type durable struct {
	sighting
	record record
}

func (s sighting) same(o sighting) bool { return s.size == o.size && s.time.Equal(o.time) }

// New returns a source that reads the folder by the mapping; it starts nothing.
func New(c Config, m *Mapping, log *zap.Logger) (*Folder, error) {
	if err := c.Validate(); err != nil {
		return nil, fmt.Errorf("configure CSV folder: %w", err)
	}
	return &Folder{config: c, mapping: m, log: log.Named("csvfolder"), now: time.Now,
		seen: map[string]sighting{}, durable: map[string]durable{}}, nil
}

// Status returns how the folder is doing.
func (f *Folder) Status() Status {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.status
}

func (f *Folder) change(set func(*Status)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	set(&f.status)
}

// Run watches the folder until ctx ends. It is an error when the folder cannot
// be made.
func (f *Folder) Run(ctx context.Context, sink source.Sink) error {
	for _, dir := range []string{f.config.Folder, f.path(doneFolder), f.path(rejectedFolder)} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return fmt.Errorf("make folder: %w", err)
		}
	}
	// Without notices, by a network share or for want of watches, polling
	// serves, only later.
	var events chan fsnotify.Event
	var failures chan error
	if w, err := fsnotify.NewWatcher(); err != nil {
		f.log.Warn("folder gives no notices, polling only", zap.Error(err))
	} else {
		defer w.Close()
		if err := w.Add(f.config.Folder); err != nil {
			f.log.Warn("folder gives no notices, polling only", zap.Error(err))
		} else {
			events, failures = w.Events, w.Errors
		}
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	due := f.now()
	sooner := func(d time.Duration) {
		if at := f.now().Add(d); at.Before(due) {
			due = at
			timer.Reset(d)
		}
	}
	for {
		select {
		case <-ctx.Done():
			return nil
		case e, ok := <-events:
			if !ok {
				events = nil
				continue
			}
			name := filepath.Base(e.Name)
			// A file renamed into the folder is a Create too.
			if (e.Has(fsnotify.Create) || e.Has(fsnotify.Write)) && name != doneFolder && name != rejectedFolder && !f.skips(name) {
				sooner(f.config.Debounce)
			}
		case err, ok := <-failures:
			if !ok {
				failures = nil
				continue
			}
			f.log.Warn("notice of the folder lost, looking now", zap.Error(err))
			sooner(0)
		case <-timer.C:
			wait := f.look(ctx, sink)
			due = f.now().Add(wait)
			timer.Reset(wait)
		}
	}
}

func (f *Folder) path(parts ...string) string {
	return filepath.Join(append([]string{f.config.Folder}, parts...)...)
}

// skips says whether a file is none of those taken; written index files, also
// while they are replaced, are not.
func (f *Folder) skips(name string) bool {
	return strings.HasPrefix(name, takenFile) || f.mapping.skips(name)
}

// look goes through the folder once, takes what is complete, and returns when
// to look again.
func (f *Folder) look(ctx context.Context, sink source.Sink) time.Duration {
	wait := f.config.Poll
	files, err := f.list()
	if err != nil {
		f.alarm(fmt.Sprintf("the folder cannot be read: %v", err))
		return wait
	}
	if f.taken == nil {
		if f.taken, err = openTaken(f.path(takenFile), takenKept); err != nil {
			f.alarm(err.Error())
			return wait
		}
	}
	now := f.now()
	found := make(map[string]sighting, len(files))
	alarm := ""
	waiting := len(files)
	f.change(func(s *Status) { s.Waiting, s.InRejected = waiting, f.countRejected() })
	for i, e := range files {
		if ctx.Err() != nil {
			return wait
		}
		s := sighting{size: e.size, time: e.time, since: now}
		if before, ok := f.seen[e.name]; ok && before.same(s) {
			s.since = before.since
		}
		found[e.name] = s
		if rest := f.config.Settle - now.Sub(s.since); rest > 0 {
			wait = min(wait, rest)
			continue
		}
		err := f.handle(ctx, e.name, s, sink)
		if err == nil {
			delete(found, e.name)
			waiting--
			f.change(func(s *Status) { s.Waiting = waiting })
			continue
		}
		if ctx.Err() != nil {
			return wait
		}
		var refused *sinkError
		switch {
		case errors.Is(err, errChanged):
			// Begin anew when it stands still.
			s.since = f.now()
			found[e.name] = s
			wait = min(wait, max(f.config.Settle, f.config.Debounce))
		case errors.As(err, &refused):
			if errors.Is(err, spool.ErrFull) {
				alarm = fmt.Sprintf("the spool is full: %d files wait in the folder", waiting)
			} else {
				alarm = fmt.Sprintf("%s: %v", e.name, err)
			}
			wait = min(wait, f.config.Retry)
			// The next file would fare the same.
			for _, rest := range files[i+1:] {
				if before, ok := f.seen[rest.name]; ok {
					found[rest.name] = before
				}
			}
			f.seen = found
			f.alarm(alarm)
			return wait
		default:
			alarm = fmt.Sprintf("%s: %v", e.name, err)
		}
	}
	f.seen = found
	f.alarm(alarm)
	return max(wait, time.Millisecond)
}

// alarm tells or ends an alarm.
func (f *Folder) alarm(text string) {
	changed := false
	f.change(func(s *Status) { changed, s.Alarm = s.Alarm != text, text })
	if changed && text != "" {
		f.log.Error("files are not taken", zap.String("alarm", text))
	}
}

type entry struct {
	name string
	size int64
	time time.Time
}

// list returns the files in the folder, oldest first.
func (f *Folder) list() ([]entry, error) {
	found, err := os.ReadDir(f.config.Folder)
	if err != nil {
		return nil, err
	}
	var files []entry
	for _, d := range found {
		if !d.Type().IsRegular() || f.skips(d.Name()) {
			continue
		}
		info, err := d.Info()
		if err != nil {
			continue // gone again
		}
		files = append(files, entry{d.Name(), info.Size(), info.ModTime()})
	}
	slices.SortFunc(files, func(a, b entry) int { return cmp.Or(a.time.Compare(b.time), cmp.Compare(a.name, b.name)) })
	return files, nil
}

// handle takes a complete file and moves it away.
func (f *Folder) handle(ctx context.Context, name string, s sighting, sink source.Sink) error {
	d, ok := f.durable[name]
	if !ok || !d.same(s) {
		delete(f.durable, name)
		r, err := f.take(ctx, name, s.size, sink)
		var rejection *Rejection
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil
		case errors.As(err, &rejection) && !errors.Is(err, errChanged):
			return f.reject(name, rejection)
		case err != nil:
			return err
		}
		d = durable{s, r}
		f.durable[name] = d
		f.change(func(s *Status) { s.Done++; s.LastDone, s.LastDoneAt = name, f.now() })
		f.log.Debug("record taken", zap.String("file", name), zap.Int64("bytes", s.size))
		f.forgive(name)
	}
	if err := f.taken.add(d.record, name, f.now()); err != nil {
		return err
	}
	if err := f.putAway(name); err != nil {
		return err
	}
	delete(f.durable, name)
	return nil
}

// forgive removes the reason for which an earlier file of the name was
// rejected, and reasons a day old, unless their file still lies beside them: it
// may have been mended by giving it another name.
func (f *Folder) forgive(name string) {
	found, err := os.ReadDir(f.path(rejectedFolder))
	if err != nil {
		return
	}
	for _, d := range found {
		of, is := strings.CutSuffix(d.Name(), reasonSuffix)
		if !is {
			continue
		}
		if _, err := os.Lstat(f.path(rejectedFolder, of)); !errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if info, err := d.Info(); of != name && (err != nil || f.now().Sub(info.ModTime()) < 24*time.Hour) {
			continue
		}
		if err := os.Remove(f.path(rejectedFolder, d.Name())); err != nil {
			f.log.Warn("reason of a mended file not removed", zap.String("file", of), zap.Error(err))
		}
	}
}

// take reads a file and gives its record to the sink.
func (f *Folder) take(ctx context.Context, name string, size int64, sink source.Sink) (record, error) {
	if size > f.config.MaxBytes {
		return record{}, &Rejection{What: fmt.Sprintf("the file has %d bytes, at most %d are taken", size, f.config.MaxBytes),
			Mend: "split the record, log fewer channels or more slowly, or raise max_bytes"}
	}
	file, err := os.Open(f.path(name))
	if errors.Is(err, fs.ErrPermission) {
		return record{}, &Rejection{What: fmt.Sprintf("the file cannot be opened: %v", err), Mend: "give the agent's user the right to read it"}
	}
	if err != nil {
		return record{}, fmt.Errorf("open file: %w", err)
	}
	defer file.Close()
	return f.mapping.take(ctx, name, file, f.config.Cell, f.config.AgentVersion, f.taken.other, sink)
}

// putAway deletes a file that is done or moves it to the others.
func (f *Folder) putAway(name string) error {
	if f.config.Delete {
		if err := os.Remove(f.path(name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("delete file: %w", err)
		}
		return nil
	}
	return f.move(name, f.free(doneFolder, name))
}

// reject moves a file to the rejected ones, its reason beside it.
func (f *Folder) reject(name string, r *Rejection) error {
	to := f.free(rejectedFolder, name)
	// The reason first: a file without its reason helps nobody.
	reason := f.path(rejectedFolder, to+reasonSuffix)
	if err := os.WriteFile(reason, []byte(r.text(name)), 0o644); err != nil {
		return fmt.Errorf("write reason (%w) of rejected file: %w", r, err)
	}
	if err := os.Rename(f.path(name), f.path(rejectedFolder, to)); err != nil {
		os.Remove(reason)
		return fmt.Errorf("move rejected file (%w): %w", r, err)
	}
	f.change(func(s *Status) {
		s.Rejected++
		s.InRejected++
		s.LastRejected, s.LastReason = name, r.Error()
	})
	f.log.Warn("file rejected", zap.String("file", name), zap.String("reason", r.Error()))
	return nil
}

// move moves a file of the folder; one that is gone was moved by somebody else.
func (f *Folder) move(name, to string) error {
	if err := os.Rename(f.path(name), f.path(doneFolder, to)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("move file that is done: %w", err)
	}
	return nil
}

// free returns the name, or NAME-2, NAME-3 … when there is one already.
func (f *Folder) free(folder, name string) string {
	ext := filepath.Ext(name)
	stem := strings.TrimSuffix(name, ext)
	to := name
	for i := 2; ; i++ {
		if _, err := os.Lstat(f.path(folder, to)); errors.Is(err, fs.ErrNotExist) {
			return to
		} else if err != nil {
			return to // the move will tell
		}
		to = fmt.Sprintf("%s-%d%s", stem, i, ext)
	}
}

// countRejected counts the files among the rejected ones.
func (f *Folder) countRejected() int {
	found, err := os.ReadDir(f.path(rejectedFolder))
	if err != nil {
		return 0
	}
	n := 0
	for _, d := range found {
		if !strings.HasSuffix(d.Name(), reasonSuffix) {
			n++
		}
	}
	return n
}
