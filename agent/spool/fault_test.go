package spool

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

var errIO = errors.New("input/output error")

// isSegment says whether a faulty operation is on a segment.
func isSegment(name string) bool { return strings.HasSuffix(name, ".seg") }

// TestFailedSync lets the k-th fsync of a segment fail: rule 3.
func TestFailedSync(t *testing.T) {
	const n = 40
	for k := 1; k <= 48; k++ {
		c := small(t)
		f := &faulty{files: osFiles{c.Dir}}
		syncs, failed := 0, ""
		f.before = func(op, name string, _ int) error {
			if !isSegment(name) {
				return nil
			}
			if op == "sync" {
				if syncs++; syncs == k {
					failed = name
					return errIO
				}
			}
			// The kernel may have dropped what was not synced: nothing may be
			// written or synced on that file again.
			if name == failed && (op == "write" || op == "sync") {
				t.Errorf("fsync %d failed, then %s on the same file", k, op)
			}
			if name == failed && op == "create" {
				failed = "" // A new file of the same name: the old one was empty.
			}
			return nil
		}
		s := openWith(t, c, f)
		mustAppend(t, s, 1, n)
		wantRange(t, drain(t, s), 1, n)
		if st := s.Stats(); st.Fault != "" {
			t.Errorf("fsync %d: fault %q stands although the message was taken", k, st.Fault)
		}
		s.Close()
		s = mustOpen(t, c)
		wantRange(t, drain(t, s), 1, n)
		if st := s.Stats(); len(st.Gaps) != 0 {
			t.Errorf("fsync %d: gaps %+v", k, st.Gaps)
		}
		s.Close()
	}
}

// TestFailedSyncLeavesBytes: the failed file keeps the group's bytes, because
// cutting it fails too. They are not read twice.
func TestFailedSyncLeavesBytes(t *testing.T) {
	c := small(t)
	f := &faulty{files: osFiles{c.Dir}}
	s := openWith(t, c, f)
	mustAppend(t, s, 1, 5)
	once := true
	f.before = func(op, name string, _ int) error {
		if isSegment(name) && (op == "truncate" || op == "sync" && once) {
			once = op == "truncate" && once
			return errIO
		}
		return nil
	}
	mustAppend(t, s, 6, 8)
	f.before = nil
	wantRange(t, drain(t, s), 1, 8)
	s.Close()
	s = mustOpen(t, c)
	wantRange(t, drain(t, s), 1, 8)
	if st := s.Stats(); len(st.Gaps)+len(st.Damaged) != 0 {
		t.Errorf("stats %+v", st)
	}
}

// TestSyncNeverWorks: the error is returned and shown, nothing is taken, and
// it goes on when the disk does.
func TestSyncNeverWorks(t *testing.T) {
	c := small(t)
	f := &faulty{files: osFiles{c.Dir}}
	s := openWith(t, c, f)
	mustAppend(t, s, 1, 5)
	f.before = func(op, name string, _ int) error {
		if op == "sync" && isSegment(name) {
			return errIO
		}
		return nil
	}
	for range 3 {
		if _, err := s.Append(payload(6)); !errors.Is(err, errIO) || errors.Is(err, ErrFull) {
			t.Fatalf("%v, want the disk's error", err)
		}
	}
	if st := s.Stats(); !strings.Contains(st.Fault, errIO.Error()) || st.Messages != 5 {
		t.Errorf("stats %+v", st)
	}
	f.before = nil
	mustAppend(t, s, 6, 10)
	if st := s.Stats(); st.Fault != "" {
		t.Errorf("fault %q stands", st.Fault)
	}
	wantRange(t, drain(t, s), 1, 10)
	s.Close()
	s = mustOpen(t, c)
	wantRange(t, drain(t, s), 1, 10)
}

// TestNoSpace runs out of space at every byte of a group of three.
func TestNoSpace(t *testing.T) {
	c := small(t)
	c.SegmentBytes = 64 << 10
	f := &faulty{files: osFiles{c.Dir}, noSync: true}
	s := openWith(t, c, f)
	mustAppend(t, s, 1, 3)
	n := 3
	group := [][]byte{payload(4), payload(5), payload(6)}
	size := frameLen(len(group[0])) + frameLen(len(group[1])) + frameLen(len(group[2]))
	for k := range int(size) {
		f.before = func(op, name string, _ int) error {
			if op == "write" && isSegment(name) {
				return short{k, &os.PathError{Op: "write", Path: name, Err: syscall.ENOSPC}}
			}
			return nil
		}
		if _, err := s.Append(group...); !errors.Is(err, ErrFull) {
			t.Fatalf("%v, want ErrFull", err)
		}
		if st := s.Stats(); !st.Full || st.Messages != int64(n) {
			t.Fatalf("stats %+v", st)
		}
		f.before = nil
		if k%50 == 0 {
			n++
			mustAppendTo(t, s, n)
			if s.Stats().Full {
				t.Fatal("full after a message was taken")
			}
			group = [][]byte{payload(n + 1), payload(n + 2), payload(n + 3)}
		}
		wantRange(t, drain(t, s), 1, n)
	}
	s.Close()
	s = mustOpen(t, c)
	wantRange(t, drain(t, s), 1, n)
}

func mustAppendTo(t *testing.T, s *Spool, n int) { mustAppend(t, s, n, n) }

// TestNoSpaceEverywhere: no operation that needs space gets any, in turn; then
// what is acknowledged frees the spool without new space.
func TestNoSpaceEverywhere(t *testing.T) {
	full := &os.PathError{Op: "x", Path: "y", Err: syscall.ENOSPC}
	for _, needs := range []string{"reserve", "create", "write", "sync"} {
		t.Run(needs, func(t *testing.T) {
			c := small(t)
			f := &faulty{files: osFiles{c.Dir}}
			s := openWith(t, c, f)
			mustAppend(t, s, 1, 50)
			spared := false
			f.before = func(op, name string, _ int) error {
				// Giving the reserve back makes room for one small file.
				if op == "remove" && name == spareName {
					spared = true
				}
				if op != needs || name == spareName || spared && !isSegment(name) {
					return nil
				}
				return full
			}
			n := 50
			for {
				if _, err := s.Append(payload(n + 1)); err != nil {
					if !errors.Is(err, ErrFull) {
						t.Fatalf("%v, want ErrFull", err)
					}
					break
				}
				n++
			}
			if !s.Stats().Full {
				t.Error("not full")
			}
			wantRange(t, drain(t, s), 1, n)
			for q := 1; q <= n; q++ {
				if err := s.Ack(uint64(q)); err != nil {
					t.Fatalf("acknowledge on a full disk: %v", err)
				}
			}
			if err := s.Save(); err != nil {
				t.Fatalf("save on a full disk: %v", err)
			}
			if left := len(segmentsOf(t, c.Dir)); left > 1 {
				t.Errorf("%d segments left", left)
			}
			f.before = nil
			mustAppend(t, s, n+1, n+20)
			wantRange(t, drain(t, s), n+1, n+20)
			s.Close()
			s = mustOpen(t, c)
			wantRange(t, drain(t, s), n+1, n+20)
			if st := s.Stats(); len(st.Gaps) != 0 {
				t.Errorf("gaps %+v", st.Gaps)
			}
		})
	}
}

// TestUnreadablePlace: a place the disk refuses once is read again; one that
// it always refuses is passed over and reported.
func TestUnreadablePlace(t *testing.T) {
	c := small(t)
	c.SegmentBytes = 512 << 10
	f := &faulty{files: osFiles{c.Dir}}
	s := openWith(t, c, f)
	mustAppend(t, s, 1, 1000) // 200 kB, several windows
	times := 0
	f.before = func(op, name string, off int) error {
		if op == "read" && isSegment(name) && off > 100<<10 {
			if times++; times == 1 {
				return errIO
			}
		}
		return nil
	}
	r := s.NewReader(0)
	defer r.Close()
	var got []uint64
	failures := 0
	for {
		m, ok, err := r.Read(nil)
		if err != nil {
			failures++
			continue
		}
		if !ok {
			break
		}
		got = append(got, m.Sequence)
	}
	wantRange(t, got, 1, 1000)
	if failures != 1 {
		t.Errorf("%d failures, want 1", failures)
	}
	r.Seek(0)
	f.before = func(op, name string, off int) error {
		if op == "read" && isSegment(name) && off > 100<<10 && off < 140<<10 {
			return errIO
		}
		return nil
	}
	got, failures = nil, 0
	for failures < 10 {
		m, ok, err := r.Read(nil)
		if err != nil {
			failures++
			continue
		}
		if !ok {
			break
		}
		got = append(got, m.Sequence)
	}
	if failures != failedMost-1 {
		t.Errorf("%d failures, want %d", failures, failedMost-1)
	}
	st := s.Stats()
	if len(st.Gaps) != 1 {
		t.Fatalf("gaps %+v, want one", st.Gaps)
	}
	g := st.Gaps[0]
	wantRange(t, got, 1, 1000, except(int(g.From), int(g.To))...)
	if lost := g.To - g.From + 1; lost > 400 || got[len(got)-1] != 1000 {
		t.Errorf("%d messages lost around 40 kB", lost)
	}
}

// TestHeldFile: a finished segment that cannot be deleted, as on Windows while
// a virus scanner reads it, is deleted later and not called a loss: rule 5.
func TestHeldFile(t *testing.T) {
	c := small(t)
	f := &faulty{files: osFiles{c.Dir}}
	s := openWith(t, c, f)
	mustAppend(t, s, 1, 100)
	held := segmentName(1)
	f.before = func(op, name string, _ int) error {
		if op == "remove" && name == held {
			return errors.New("the process cannot access the file")
		}
		return nil
	}
	for q := uint64(1); q <= 60; q++ {
		if err := s.Ack(q); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := os.Stat(filepath.Join(c.Dir, held)); err != nil {
		t.Fatal(err)
	}
	wantRange(t, drain(t, s), 61, 100)
	f.before = nil
	for q := uint64(61); q <= 90; q++ {
		if err := s.Ack(q); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := os.Stat(filepath.Join(c.Dir, held)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("held segment still there: %v", err)
	}
	if left := segmentsOf(t, c.Dir); len(left) > 3 {
		t.Errorf("left %v", left)
	}
}

// TestCreatedFileNeedsItsName: the folder is synced after every segment is
// made and before Append returns: rule 4.
func TestCreatedFileNeedsItsName(t *testing.T) {
	c := small(t)
	f := &faulty{files: osFiles{c.Dir}}
	unsynced := ""
	f.before = func(op, name string, _ int) error {
		switch {
		case op == "create" && isSegment(name):
			unsynced = name
		case op == "syncdir":
			unsynced = ""
		}
		return nil
	}
	s := openWith(t, c, f)
	for n := 1; n <= 60; n++ {
		mustAppend(t, s, n, n)
		if unsynced != "" {
			t.Fatalf("message %d confirmed while the name %s is not durable", n, unsynced)
		}
	}
}
