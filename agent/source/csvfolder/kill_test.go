package csvfolder

import (
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// Environment of the child process that is killed.
const (
	childFolder = "ROLLCALL_TEST_FOLDER"
	childKill   = "ROLLCALL_TEST_KILL"
)

// journal is a sink on disk: each message with its length in front.
type journal struct {
	file *os.File
	kill int // the process kills itself after this many groups
}

func (j *journal) Append(_ context.Context, requests ...*rollcallv1.StreamRequest) error {
	var b []byte
	for _, r := range requests {
		m, err := proto.Marshal(r)
		if err != nil {
			return err
		}
		b = append(binary.LittleEndian.AppendUint32(b, uint32(len(m))), m...)
	}
	if _, err := j.file.Write(b); err != nil {
		return err
	}
	if j.kill--; j.kill == 0 {
		self, err := os.FindProcess(os.Getpid())
		if err != nil {
			return err
		}
		if err := self.Kill(); err != nil {
			return err
		}
		select {} // until it is dead
	}
	return nil
}

// runChild takes what is in the folder, until it is killed or nothing is left.
func runChild() {
	dir := os.Getenv(childFolder)
	file, err := os.OpenFile(filepath.Join(filepath.Dir(dir), "journal"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		panic(err)
	}
	kill, _ := strconv.Atoi(os.Getenv(childKill))
	m, err := ParseMapping("mapping.yaml", []byte(plainMapping))
	if err != nil {
		panic(err)
	}
	c := DefaultConfig()
	c.Folder, c.Cell, c.Settle = dir, "fen-1", 0
	f, err := New(c, m, zap.NewNop())
	if err != nil {
		panic(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		for f.Status().Done < 1 || f.Status().Waiting > 0 {
			time.Sleep(time.Millisecond)
		}
		cancel()
	}()
	if err := f.Run(ctx, &journal{file, kill}); err != nil {
		panic(err)
	}
}

// TestKilled kills the process after each group of a record, the last one
// before the file is moved away, and starts it again.
func TestKilled(t *testing.T) {
	text := long(60000)
	want, err := take(t, mapping(t, plainMapping), "pull_a.csv", text)
	if err != nil {
		t.Fatal(err)
	}
	for stop := 1; stop <= want.groups; stop++ {
		t.Run(fmt.Sprintf("after group %d", stop), func(t *testing.T) {
			top := t.TempDir()
			dir := filepath.Join(top, "in")
			if err := os.Mkdir(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			write(t, filepath.Join(dir, "pull_a.csv"), text)
			child := func(kill int) error {
				c := exec.CommandContext(t.Context(), os.Args[0])
				c.Env = append(os.Environ(), childFolder+"="+dir, childKill+"="+strconv.Itoa(kill))
				out, err := c.CombinedOutput()
				if len(out) > 0 {
					t.Logf("%s", out)
				}
				return err
			}
			if err := child(stop); err == nil {
				t.Fatal("the child was not killed")
			}
			if !exists(dir, "pull_a.csv") || exists(dir, "done", "pull_a.csv") {
				t.Fatal("the file left its place before the record was durable")
			}
			if err := child(0); err != nil {
				t.Fatal(err)
			}
			if exists(dir, "pull_a.csv") || !exists(dir, "done", "pull_a.csv") {
				t.Fatal("the file was not put away")
			}
			// What was taken is known in spite of the kill.
			c := DefaultConfig()
			c.Folder, c.Cell, c.Settle = dir, "fen-1", 0
			f, err := New(c, mapping(t, plainMapping), zap.NewNop())
			if err != nil {
				t.Fatal(err)
			}
			drop(t, f, &memory{}, "pull_b.csv", text)
			if st := f.Status(); st.Rejected != 1 || !strings.Contains(st.LastReason, "taken as pull_a.csv") {
				t.Errorf("the same bytes under another name: %+v", st)
			}
			got := readJournal(t, filepath.Join(top, "journal"))
			first := len(got) - len(want.requests)
			if first < 0 {
				t.Fatalf("%d messages, want at least %d", len(got), len(want.requests))
			}
			for i, r := range got {
				j := i
				if i >= first {
					j = i - first
				}
				w := want.requests[j]
				if b := r.GetPullBegin(); b != nil {
					b.AgentVersion = w.GetPullBegin().GetAgentVersion()
				}
				if !proto.Equal(r, w) {
					t.Fatalf("message %d differs", i)
				}
			}
		})
	}
}

func readJournal(t *testing.T, path string) []*rollcallv1.StreamRequest {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var out []*rollcallv1.StreamRequest
	for len(b) > 0 {
		n := binary.LittleEndian.Uint32(b)
		r := &rollcallv1.StreamRequest{}
		if err := proto.Unmarshal(b[4:4+n], r); err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
		b = b[4+n:]
	}
	return out
}
