package csvfolder

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// TestUnreadableIsRejected gives a file that may not be read. Run as root, who
// may read everything, the thread gives that right up for the time.
func TestUnreadableIsRejected(t *testing.T) {
	f, dir := folder(t, plainMapping, func(c *Config) { c.Settle = 0 })
	path := filepath.Join(dir, "pull_a.csv")
	write(t, path, plainHead+plainBody)
	if err := os.Chmod(path, 0o200); err != nil {
		t.Fatal(err)
	}
	// The file becomes root's if it is not already; the folder anybody's.
	for _, d := range []string{dir, filepath.Join(dir, "rejected")} {
		if err := os.Chmod(d, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	s := &memory{}
	if os.Getuid() == 0 {
		for d := filepath.Dir(dir); d != os.TempDir() && d != "/"; d = filepath.Dir(d) {
			if err := os.Chmod(d, 0o755); err != nil {
				t.Fatal(err)
			}
		}
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		if _, err := unix.SetfsuidRetUid(65534); err != nil {
			t.Skipf("the right to read everything cannot be given up: %v", err)
		}
		defer unix.Setfsuid(0)
	}
	f.look(t.Context(), s)
	if st := f.Status(); st.Rejected != 1 || !strings.Contains(st.LastReason, "cannot be opened") || len(s.requests) != 0 {
		t.Errorf("status %+v", st)
	}
	if !exists(dir, "rejected", "pull_a.csv") || !exists(dir, "rejected", "pull_a.csv.reason.txt") {
		t.Error("it is not among the rejected files")
	}
}
