//go:build linux

package spool

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"
)

// The tests start this test binary again as a child that works on a spool and
// is killed with SIGKILL: by its parent at some moment, or by itself at its
// k-th operation on the disk.
func TestMain(m *testing.M) {
	if dir := os.Getenv("SPOOL_TEST_CHILD"); dir != "" {
		if err := child(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// child appends messages in groups and acknowledges the older ones, saying on
// standard output what is confirmed ("c N") and what it is about to
// acknowledge ("a N", N the sequence).
func child(dir string) error {
	killAt, _ := strconv.Atoi(os.Getenv("SPOOL_TEST_KILL_AT"))
	messages, _ := strconv.Atoi(os.Getenv("SPOOL_TEST_MESSAGES"))
	c := DefaultConfig()
	c.Dir, c.SegmentBytes, c.MaxBytes = dir, 4<<10, 1<<20
	f := &faulty{files: osFiles{dir}, noSync: true}
	n := 0
	f.before = func(op, name string, size int) error {
		if op == "read" {
			return nil
		}
		if n++; n == killAt {
			if op == "write" {
				// Half of it is written.
				return short{size / 2, errKill}
			}
			kill()
		}
		if killAt > 0 && n == killAt+1 {
			kill()
		}
		return nil
	}
	lock, err := lockDir(dir)
	if err != nil {
		return err
	}
	defer lock.Close()
	s, err := open(c, f, zap.NewNop(), time.Now)
	if err != nil {
		return err
	}
	if killAt > 0 && n > killAt {
		kill()
	}
	out := bufio.NewWriter(os.Stdout)
	say := func(what string, n uint64) { fmt.Fprintln(out, what, n); out.Flush() }
	next := s.Stats().Acked + 1
	for done := 0; done < messages; {
		last := s.Stats().Last
		group := [][]byte{payload(int(last) + 1), payload(int(last) + 2), payload(int(last) + 3)}
		first, err := s.Append(group...)
		if err != nil {
			if errors.Is(err, errKill) {
				kill()
			}
			return err
		}
		say("c", first+2)
		done += 3
		for ; next+20 < first; next++ {
			say("a", next)
			if err := s.Ack(next); err != nil {
				return err
			}
		}
		if done%30 == 0 {
			if err := s.Save(); err != nil {
				return err
			}
		}
	}
	return s.Close()
}

var errKill = errors.New("about to be killed")

func kill() {
	_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
	select {}
}

// runChild runs a child until it ends or, with after > 0, kills it then, and
// returns the last message confirmed and the last one it meant to acknowledge.
func runChild(t *testing.T, dir string, killAt, messages int, after time.Duration) (confirmed, acked uint64, killed bool) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), "SPOOL_TEST_CHILD="+dir,
		fmt.Sprint("SPOOL_TEST_KILL_AT=", killAt), fmt.Sprint("SPOOL_TEST_MESSAGES=", messages))
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if after > 0 {
		timer := time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		defer timer.Stop()
	}
	err := cmd.Wait()
	if state := cmd.ProcessState.Sys().(syscall.WaitStatus); state.Signaled() && state.Signal() == syscall.SIGKILL {
		killed = true
	} else if err != nil {
		t.Fatalf("child: %v: %s", err, errs.String())
	}
	for line := range strings.Lines(out.String()) {
		if !strings.HasSuffix(line, "\n") {
			break
		}
		var what string
		var n uint64
		if _, err := fmt.Sscan(line, &what, &n); err != nil {
			t.Fatalf("child said %q", line)
		}
		if what == "c" {
			confirmed = max(confirmed, n)
		} else {
			acked = max(acked, n)
		}
	}
	return confirmed, acked, killed
}

// checkAfterKill opens the spool a killed child left.
func checkAfterKill(t *testing.T, dir string, confirmed, acked uint64) {
	t.Helper()
	c := DefaultConfig()
	c.Dir, c.SegmentBytes, c.MaxBytes = dir, 4<<10, 1<<20
	s, err := Open(c, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	got := drain(t, s)
	if len(got) > 0 {
		// Nothing missing from the first that may be missing to the end.
		wantRange(t, got, int(got[0]), int(got[len(got)-1]))
		if got[0] > acked+1 {
			t.Fatalf("messages %d…%d lost", acked+1, got[0]-1)
		}
	}
	if last := s.Stats().Last; last < confirmed || (confirmed > acked && (len(got) == 0 || got[len(got)-1] < confirmed)) {
		t.Fatalf("message %d was confirmed, the last is %d", confirmed, last)
	}
	if st := s.Stats(); len(st.Gaps)+len(st.Damaged) != 0 {
		t.Fatalf("a killed process left damage: %+v", st)
	}
}

// TestKilledAtEveryStep kills a child at each of its operations on the disk.
func TestKilledAtEveryStep(t *testing.T) {
	step := 1
	if testing.Short() {
		step = 7
	}
	for k := 1; ; k += step {
		dir := filepath.Join(t.TempDir(), "spool")
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		confirmed, acked, killed := runChild(t, dir, k, 90, 0)
		checkAfterKill(t, dir, confirmed, acked)
		if !killed {
			if k < 60 {
				t.Fatalf("a whole run took %d operations only", k)
			}
			t.Logf("killed at each of %d operations", k-1)
			break
		}
	}
}

// TestKilledAgainAndAgain works one spool through many kills at any moment.
func TestKilledAgainAndAgain(t *testing.T) {
	dir := t.TempDir()
	var confirmed, acked uint64
	rounds := 25
	if testing.Short() {
		rounds = 5
	}
	r := rand.New(rand.NewPCG(3, 4))
	kills := 0
	for range rounds {
		c, a, killed := runChild(t, dir, 0, 1_000_000, time.Duration(10+r.IntN(60))*time.Millisecond)
		if killed {
			kills++
		}
		confirmed, acked = max(confirmed, c), max(acked, a)
		checkAfterKill(t, dir, confirmed, acked)
	}
	if kills != rounds || confirmed == 0 {
		t.Errorf("%d kills of %d, %d confirmed", kills, rounds, confirmed)
	}
	t.Logf("%d messages confirmed, %d acknowledged", confirmed, acked)
}

// TestFullDisk fills a real, small file system.
func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	if os.Geteuid() != 0 {
		t.Skip("needs root to mount a small tmpfs")
	}
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=1m"); err != nil {
		t.Skipf("a small tmpfs cannot be mounted here: %v", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
	c := DefaultConfig()
	c.Dir, c.SegmentBytes, c.MaxBytes = filepath.Join(dir, "spool"), 64<<10, 100<<20
	s := mustOpen(t, c)
	n := 0
	for {
		if _, err := s.Append(payload(n + 1)); err != nil {
			if !errors.Is(err, ErrFull) {
				t.Fatalf("%v, want ErrFull", err)
			}
			break
		}
		n++
	}
	if n < 3000 {
		t.Errorf("full after %d messages", n)
	}
	wantRange(t, drain(t, s), 1, n)
	s.Close()
	s = mustOpen(t, c)
	wantRange(t, drain(t, s), 1, n)
	for q := 1; q <= n; q++ {
		if err := s.Ack(uint64(q)); err != nil {
			t.Fatalf("acknowledge on a full disk: %v", err)
		}
	}
	mustAppend(t, s, n+1, n+3000)
	wantRange(t, drain(t, s), n+1, n+3000)
}
