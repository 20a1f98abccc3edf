package spool

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
)

// small returns a configuration of small segments in a fresh folder.
func small(t testing.TB) Config {
	c := DefaultConfig()
	c.Dir = t.TempDir()
	c.SegmentBytes = 4 << 10
	c.MaxBytes = 1 << 20
	return c
}

func mustOpen(t testing.TB, c Config) *Spool {
	t.Helper()
	s, err := Open(c, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// payload is what message n holds in these tests: n decides every byte.
func payload(n int) []byte {
	r := rand.New(rand.NewPCG(uint64(n), 1))
	b := make([]byte, 1+r.IntN(300))
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return append(fmt.Appendf(nil, "message %d ", n), b...)
}

func mustAppend(t testing.TB, s *Spool, from, to int) {
	t.Helper()
	for n := from; n <= to; n++ {
		first, err := s.Append(payload(n))
		if err != nil {
			t.Fatal(err)
		}
		if first != uint64(n) {
			t.Fatalf("message %d got sequence %d", n, first)
		}
	}
}

// drain reads all there is and checks every payload against its number.
func drain(t testing.TB, s *Spool) []uint64 {
	t.Helper()
	r := s.NewReader(0)
	defer r.Close()
	var got []uint64
	for {
		m, ok, err := r.Read(nil)
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			return got
		}
		if !bytes.Equal(m.Payload, payload(int(m.Sequence))) {
			t.Fatalf("message %d came back changed", m.Sequence)
		}
		got = append(got, m.Sequence)
	}
}

func wantRange(t testing.TB, got []uint64, from, to int, except ...int) {
	t.Helper()
	var want []uint64
	for n := from; n <= to; n++ {
		skip := false
		for _, e := range except {
			skip = skip || e == n
		}
		if !skip {
			want = append(want, uint64(n))
		}
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("read %v, want %v", got, want)
	}
}

func segmentsOf(t testing.TB, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.seg"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

func TestAppendReadAck(t *testing.T) {
	c := small(t)
	s := mustOpen(t, c)
	mustAppend(t, s, 1, 100)
	if n := len(segmentsOf(t, c.Dir)); n < 4 {
		t.Fatalf("%d segments, want several", n)
	}
	wantRange(t, drain(t, s), 1, 100)

	st := s.Stats()
	if st.Messages != 100 || st.Last != 100 || st.Acked != 0 {
		t.Fatalf("stats %+v", st)
	}
	var disk int64
	for _, name := range segmentsOf(t, c.Dir) {
		i, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		disk += i.Size()
	}
	if st.Bytes != disk {
		t.Errorf("stats say %d bytes, the files have %d", st.Bytes, disk)
	}

	before := len(segmentsOf(t, c.Dir))
	for n := uint64(1); n <= 60; n++ {
		if err := s.Ack(n); err != nil {
			t.Fatal(err)
		}
	}
	if after := len(segmentsOf(t, c.Dir)); after >= before {
		t.Errorf("%d segments after acknowledging, %d before", after, before)
	}
	wantRange(t, drain(t, s), 61, 100)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	s = mustOpen(t, c)
	wantRange(t, drain(t, s), 61, 100)
	mustAppend(t, s, 101, 120)
	wantRange(t, drain(t, s), 61, 120)
	if st := s.Stats(); st.TornBytes != 0 || len(st.Gaps) != 0 || len(st.Damaged) != 0 {
		t.Errorf("clean restart found damage: %+v", st)
	}
}

func TestAckOutOfOrder(t *testing.T) {
	c := small(t)
	s := mustOpen(t, c)
	mustAppend(t, s, 1, 200)
	before := len(segmentsOf(t, c.Dir))
	// One held message must not keep the segments after its own.
	for n := 200; n >= 1; n-- {
		if n == 5 || n == 90 {
			continue
		}
		if err := s.Ack(uint64(n)); err != nil {
			t.Fatal(err)
		}
	}
	if st := s.Stats(); st.Messages != 2 || st.Acked != 4 {
		t.Errorf("stats %+v, want 2 messages and 4 as the prefix", st)
	}
	// What is left: the two held messages' segments and the open one.
	if after := len(segmentsOf(t, c.Dir)); after != 3 {
		t.Errorf("%d of %d segments left, want 3", after, before)
	}
	wantRange(t, drain(t, s), 1, 200, except(1, 200, 5, 90)...)
	s.Close()
	s = mustOpen(t, c)
	wantRange(t, drain(t, s), 1, 200, except(1, 200, 5, 90)...)
	if st := s.Stats(); len(st.Gaps) != 0 {
		t.Errorf("segments deleted out of order are called gaps: %+v", st.Gaps)
	}
	for _, n := range []uint64{5, 90} {
		if err := s.Ack(n); err != nil {
			t.Fatal(err)
		}
	}
	if st := s.Stats(); st.Messages != 0 || st.Acked != 200 || !st.Oldest.IsZero() {
		t.Errorf("stats %+v, want empty", st)
	}
}

// except lists from…to without the given numbers.
func except(from, to int, but ...int) []int {
	var out []int
	for n := from; n <= to; n++ {
		keep := true
		for _, b := range but {
			keep = keep && n != b
		}
		if keep {
			out = append(out, n)
		}
	}
	return out
}

func TestSequencesNeverComeBack(t *testing.T) {
	c := small(t)
	for round := range 5 {
		s := mustOpen(t, c)
		for i := range 30 {
			first, err := s.Append(payload(round*30 + i + 1))
			if err != nil {
				t.Fatal(err)
			}
			if want := uint64(round*30 + i + 1); first != want {
				t.Fatalf("sequence %d, want %d", first, want)
			}
			if err := s.Ack(first); err != nil {
				t.Fatal(err)
			}
		}
		s.reclaim() // Even with no segment left.
		s.Close()
		if n := len(segmentsOf(t, c.Dir)); n != 0 {
			t.Fatalf("%d segments left of an empty spool", n)
		}
	}
}

func TestGroupIsOneFsync(t *testing.T) {
	c := small(t)
	f := &faulty{files: osFiles{c.Dir}}
	syncs := 0
	f.before = func(op, name string, _ int) error {
		if op == "sync" {
			syncs++
		}
		return nil
	}
	s := openWith(t, c, f)
	mustAppend(t, s, 1, 1)
	syncs = 0
	if _, err := s.Append(payload(2), payload(3), payload(4), payload(5)); err != nil {
		t.Fatal(err)
	}
	if syncs != 1 {
		t.Errorf("a group of four took %d fsyncs, want 1", syncs)
	}
	wantRange(t, drain(t, s), 1, 5)
}

func TestSizes(t *testing.T) {
	c := small(t)
	c.MaxRecordBytes = 300 << 10
	s := mustOpen(t, c)
	// Around padding, the write buffer and the read window.
	sizes := []int{1, 7, 8, 9, windowLen - 25, windowLen - 24, windowLen - 23, windowLen + 1, 128<<10 - 24, 128 << 10, 200<<10 + 3, 2}
	var sent [][]byte
	for i, n := range sizes {
		p := bytes.Repeat([]byte{byte(i + 1)}, n)
		sent = append(sent, p)
	}
	if _, err := s.Append(sent...); err != nil {
		t.Fatal(err)
	}
	for i := range sent {
		if _, err := s.Append(sent[i]); err != nil && !errors.Is(err, ErrFull) {
			t.Fatal(err)
		}
	}
	r := s.NewReader(0)
	defer r.Close()
	buf := make([]byte, 10)
	for i := range sent {
		m, ok, err := r.Read(buf)
		if err != nil || !ok {
			t.Fatal(ok, err)
		}
		if !bytes.Equal(m.Payload, sent[i]) {
			t.Fatalf("record of %d bytes came back changed", len(sent[i]))
		}
	}
	if _, err := s.Append(make([]byte, 300<<10+1)); !errors.Is(err, ErrTooLarge) {
		t.Errorf("oversized record: %v, want ErrTooLarge", err)
	}
	big := bytes.Repeat([]byte{1}, 300<<10)
	if _, err := s.Append(big, big, big, big); !errors.Is(err, ErrTooLarge) {
		t.Errorf("group above max_bytes: %v, want ErrTooLarge", err)
	}
}

func TestQuota(t *testing.T) {
	c := small(t)
	c.MaxBytes = 64 << 10
	s := mustOpen(t, c)
	n := 0
	var err error
	for err == nil {
		if _, err = s.Append(payload(n + 1)); err == nil {
			n++
		}
		var disk int64
		for _, name := range segmentsOf(t, c.Dir) {
			i, e := os.Stat(name)
			if e != nil {
				t.Fatal(e)
			}
			disk += i.Size()
		}
		if disk > c.MaxBytes {
			t.Fatalf("%d bytes on disk, the bound is %d", disk, c.MaxBytes)
		}
	}
	if !errors.Is(err, ErrFull) {
		t.Fatalf("%v, want ErrFull", err)
	}
	if st := s.Stats(); !st.Full || st.Messages != int64(n) {
		t.Fatalf("stats %+v, want full with %d messages", st, n)
	}
	wantRange(t, drain(t, s), 1, n)
	// Full survives a restart without losing anything.
	s.Close()
	s = mustOpen(t, c)
	wantRange(t, drain(t, s), 1, n)
	if _, err := s.Append(payload(n + 1)); !errors.Is(err, ErrFull) {
		t.Fatalf("%v, want ErrFull", err)
	}
	for i := 1; i <= n; i++ {
		if err := s.Ack(uint64(i)); err != nil {
			t.Fatal(err)
		}
	}
	if st := s.Stats(); st.Full {
		t.Error("still full when drained")
	}
	// The whole bound can be used again, although the open segment was the
	// one that filled it.
	m := n
	for {
		if _, err := s.Append(payload(m + 1)); err != nil {
			if !errors.Is(err, ErrFull) {
				t.Fatal(err)
			}
			break
		}
		m++
	}
	if st := s.Stats(); st.Bytes < c.MaxBytes-1000 {
		t.Errorf("full at %d of %d bytes", st.Bytes, c.MaxBytes)
	}
	wantRange(t, drain(t, s), n+1, m)
}

func TestReaderFollows(t *testing.T) {
	c := small(t)
	s := mustOpen(t, c)
	const total = 2000
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	var wg sync.WaitGroup
	wg.Add(2)
	go func() {
		defer wg.Done()
		for n := 1; n <= total; {
			if _, err := s.Append(payload(n), payload(n+1)); err != nil {
				if errors.Is(err, ErrFull) {
					runtime.Gosched()
					continue
				}
				t.Error(err)
				return
			}
			n += 2
		}
	}()
	go func() {
		defer wg.Done()
		for ctx.Err() == nil && s.Stats().Acked < total {
			runtime.Gosched()
		}
	}()
	r := s.NewReader(0)
	defer r.Close()
	for n := uint64(1); n <= total; {
		changed := s.Changed()
		m, ok, err := r.Read(nil)
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			select {
			case <-changed:
			case <-ctx.Done():
				t.Fatal("nothing came")
			}
			continue
		}
		if m.Sequence != n || !bytes.Equal(m.Payload, payload(int(n))) {
			t.Fatalf("got %d, want %d", m.Sequence, n)
		}
		if err := s.Ack(n); err != nil {
			t.Fatal(err)
		}
		n++
	}
	wg.Wait()
	if n := len(segmentsOf(t, c.Dir)); n != 1 {
		t.Errorf("%d segments left, want the open one", n)
	}
}

func TestOldest(t *testing.T) {
	c := small(t)
	at := time.Unix(1000, 0)
	s, err := open(c, osFiles{c.Dir}, zap.NewNop(), func() time.Time { at = at.Add(time.Second); return at })
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	mustAppend(t, s, 1, 50)
	for n := uint64(1); n <= 50; n++ {
		if got, want := s.Stats().Oldest, time.Unix(1000+int64(n), 0); !got.Equal(want) {
			t.Fatalf("oldest %v, want %v", got, want)
		}
		if err := s.Ack(n); err != nil {
			t.Fatal(err)
		}
	}
	mustAppend(t, s, 51, 51)
	if got, want := s.Stats().Oldest, time.Unix(1051, 0); !got.Equal(want) {
		t.Errorf("oldest %v, want %v", got, want)
	}
}

func TestLocked(t *testing.T) {
	c := small(t)
	s := mustOpen(t, c)
	_, err := Open(c, zap.NewNop())
	if !errors.Is(err, ErrLocked) {
		t.Fatalf("%v, want ErrLocked", err)
	}
	for _, part := range []string{c.Dir, "stop it first", fmt.Sprint(os.Getpid())} {
		if runtime.GOOS != "windows" && !strings.Contains(err.Error(), part) {
			t.Errorf("%q does not say %q", err, part)
		}
	}
	s.Close()
	mustOpen(t, c)
}

func TestClosed(t *testing.T) {
	s := mustOpen(t, small(t))
	s.Close()
	if _, err := s.Append([]byte("x")); !errors.Is(err, ErrClosed) {
		t.Errorf("%v, want ErrClosed", err)
	}
	if err := s.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
}

func TestValidate(t *testing.T) {
	if err := (Config{}).Validate(); err == nil {
		t.Error("empty configuration accepted")
	} else {
		for _, part := range []string{"spool.dir", "segment", "record"} {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("%q does not name %q", err, part)
			}
		}
	}
	c := DefaultConfig()
	c.Dir = "x"
	if err := c.Validate(); err != nil {
		t.Errorf("defaults refused: %v", err)
	}
	c.MaxBytes = c.SegmentBytes
	if err := c.Validate(); err == nil || !strings.Contains(err.Error(), "four segments") {
		t.Errorf("one segment accepted: %v", err)
	}
}

// TestMemory reads far more than it may allocate.
func TestMemory(t *testing.T) {
	c := small(t)
	c.SegmentBytes, c.MaxBytes = 16<<20, 1<<30
	s := mustOpen(t, c)
	group := make([][]byte, 64)
	for i := range group {
		group[i] = bytes.Repeat([]byte{byte(i + 1)}, 6000)
	}
	for range 170 { // 65 MB
		if _, err := s.Append(group...); err != nil {
			t.Fatal(err)
		}
	}
	s.Close()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	s = mustOpen(t, c)
	r := s.NewReader(0)
	defer r.Close()
	var buf []byte
	n := 0
	for {
		m, ok, err := r.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			break
		}
		buf = m.Payload
		n++
	}
	runtime.ReadMemStats(&after)
	if n != 170*64 {
		t.Fatalf("read %d", n)
	}
	// Two windows, one record and small change; all allocations, freed or not.
	if got := after.TotalAlloc - before.TotalAlloc; got > 1<<20 {
		t.Errorf("opening and reading 65 MB allocated %d bytes", got)
	}
}

func BenchmarkAppend(b *testing.B) {
	for _, group := range []int{1, 10, 100} {
		b.Run(fmt.Sprintf("group=%d", group), func(b *testing.B) {
			c := DefaultConfig()
			c.Dir = b.TempDir()
			s := mustOpen(b, c)
			payloads := make([][]byte, group)
			for i := range payloads {
				payloads[i] = bytes.Repeat([]byte{1}, 6000)
			}
			b.SetBytes(int64(6000 * group))
			for b.Loop() {
				first, err := s.Append(payloads...)
				if err != nil {
					b.Fatal(err)
				}
				for i := range payloads {
					if err := s.Ack(first + uint64(i)); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
	}
}

func BenchmarkRead(b *testing.B) {
	c := DefaultConfig()
	c.Dir = b.TempDir()
	s := mustOpen(b, c)
	payloads := make([][]byte, 1000)
	for i := range payloads {
		payloads[i] = bytes.Repeat([]byte{1}, 6000)
	}
	for range 10 {
		if _, err := s.Append(payloads...); err != nil {
			b.Fatal(err)
		}
	}
	b.SetBytes(6000)
	r := s.NewReader(0)
	defer r.Close()
	var buf []byte
	for b.Loop() {
		m, ok, err := r.Read(buf)
		if err != nil {
			b.Fatal(err)
		}
		if !ok {
			r.Seek(0)
			continue
		}
		buf = m.Payload
	}
}
