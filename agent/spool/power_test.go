package spool

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"sort"
	"testing"
	"time"

	"go.uber.org/zap"
	"pgregory.net/rapid"
)

// disk is a folder that can lose power. What is not synced may or may not be
// there afterwards: each write whole, in part by sectors, or not at all; each
// change of a name made or not.
type disk struct {
	names   map[string]*inode // as the running process sees them
	durable map[string]*inode
	changes []nameChange // since the last syncDir
}

type inode struct {
	data    []byte
	durable []byte
	writes  []diskWrite // since the last Sync
}

type diskWrite struct {
	off  int64
	data []byte // nil: truncate to off
}

type nameChange struct {
	from, to string // from "": created; to "": removed
	node     *inode
}

const sector = 512

func newDisk() *disk { return &disk{names: map[string]*inode{}, durable: map[string]*inode{}} }

func (d *disk) list() ([]string, error) {
	var names []string
	for n := range d.names {
		names = append(names, n)
	}
	sort.Strings(names)
	return names, nil
}

func (d *disk) create(name string) (file, error) {
	if d.names[name] != nil {
		return nil, os.ErrExist
	}
	n := &inode{}
	d.names[name] = n
	d.changes = append(d.changes, nameChange{to: name, node: n})
	return &diskFile{n}, nil
}

func (d *disk) openRead(name string) (file, error) {
	n := d.names[name]
	if n == nil {
		return nil, os.ErrNotExist
	}
	return &diskFile{n}, nil
}

func (d *disk) openWrite(name string) (file, error) { return d.openRead(name) }

func (d *disk) rename(from, to string) error {
	n := d.names[from]
	if n == nil {
		return os.ErrNotExist
	}
	delete(d.names, from)
	d.names[to] = n
	d.changes = append(d.changes, nameChange{from, to, n})
	return nil
}

func (d *disk) remove(name string) error {
	n := d.names[name]
	if n == nil {
		return os.ErrNotExist
	}
	delete(d.names, name)
	d.changes = append(d.changes, nameChange{from: name, node: n})
	return nil
}

func (d *disk) syncDir() error {
	d.durable = map[string]*inode{}
	for k, v := range d.names {
		d.durable[k] = v
	}
	d.changes = nil
	return nil
}

type diskFile struct{ n *inode }

func (f *diskFile) Close() error { return nil }
func (f *diskFile) size() (int64, error) {
	return int64(len(f.n.data)), nil
}
func (f *diskFile) reserve(int64, int64) error { return nil }

func (f *diskFile) ReadAt(p []byte, off int64) (int, error) {
	if off >= int64(len(f.n.data)) {
		return 0, io.EOF
	}
	n := copy(p, f.n.data[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (f *diskFile) WriteAt(p []byte, off int64) (int, error) {
	w := diskWrite{off, append([]byte{}, p...)}
	f.n.writes = append(f.n.writes, w)
	f.n.data = w.apply(f.n.data)
	return len(p), nil
}

func (f *diskFile) Truncate(n int64) error {
	w := diskWrite{off: n}
	f.n.writes = append(f.n.writes, w)
	f.n.data = w.apply(f.n.data)
	return nil
}

func (f *diskFile) Sync() error {
	f.n.durable = append([]byte(nil), f.n.data...)
	f.n.writes = nil
	return nil
}

func (w diskWrite) apply(b []byte) []byte {
	if w.data == nil {
		if int(w.off) <= len(b) {
			return b[:w.off:w.off]
		}
		return append(b[:len(b):len(b)], make([]byte, int(w.off)-len(b))...)
	}
	if end := int(w.off) + len(w.data); end > len(b) {
		b = append(b[:len(b):len(b)], make([]byte, end-len(b))...)
	} else {
		b = append([]byte(nil), b...)
	}
	copy(b[w.off:], w.data)
	return b
}

// lose returns the disk as it may be after the power went.
func (d *disk) lose(t *rapid.T) *disk {
	kept := map[string]*inode{}
	for k, v := range d.durable {
		kept[k] = v
	}
	for _, c := range d.changes {
		if rapid.Bool().Draw(t, "name change made") {
			if c.from != "" && kept[c.from] == c.node {
				delete(kept, c.from)
			}
			if c.to != "" {
				kept[c.to] = c.node
			}
		}
	}
	after := newDisk()
	done := map[*inode]*inode{}
	var names []string
	for name := range kept {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		old := kept[name]
		if done[old] == nil {
			b := append([]byte(nil), old.durable...)
			for _, w := range old.writes {
				switch rapid.SampledFrom([]string{"made", "lost", "in part"}).Draw(t, "write") {
				case "made":
					b = w.apply(b)
				case "in part":
					if w.data == nil {
						continue
					}
					// The size is changed, some sectors are not written.
					part := append([]byte(nil), w.data...)
					b = append(b[:len(b):len(b)], make([]byte, max(0, int(w.off)+len(part)-len(b)))...)
					for at := 0; at < len(part); {
						n := min(len(part)-at, sector-(int(w.off)+at)%sector)
						if rapid.Bool().Draw(t, "sector") {
							copy(b[int(w.off)+at:], part[at:at+n])
						}
						at += n
					}
				}
			}
			done[old] = &inode{data: b, durable: b}
		}
		after.names[name] = done[old]
		after.durable[name] = done[old]
	}
	return after
}

// TestPowerLoss takes the power away at any moment of any history: whatever
// Append confirmed and nobody acknowledged is still there, unchanged and in
// order, and reported as lost is nothing that was confirmed.
func TestPowerLoss(t *testing.T) {
	c := DefaultConfig()
	c.Dir, c.SegmentBytes, c.MaxBytes = "x", 4<<10, 32<<10
	rapid.Check(t, func(rt *rapid.T) {
		d := newDisk()
		cut := -1 // operations until the power goes; -1: not now
		var s *Spool
		lost := errors.New("power")
		wrapped := func() files {
			return &faulty{files: d, before: func(op, name string, n int) error {
				if cut > 0 {
					cut--
				}
				if cut == 0 {
					return lost
				}
				return nil
			}}
		}
		start := func() {
			var err error
			if s, err = open(c, wrapped(), zap.NewNop(), time.Now); err != nil {
				rt.Fatal(err)
			}
		}
		start()
		confirmed := map[string]uint64{} // by content
		acked := map[string]bool{}
		var order []string // as confirmed
		message := 0
		verify := func() {
			r := s.NewReader(0)
			seen := map[string]bool{}
			var got []string
			for {
				m, ok, err := r.Read(nil)
				if err != nil {
					rt.Fatal(err)
				}
				if !ok {
					break
				}
				var n int
				if _, err := fmt.Sscanf(string(m.Payload), "message %d ", &n); err != nil || !bytes.Equal(m.Payload, payload(n)) {
					rt.Fatalf("read %q, which was never appended", m.Payload)
				}
				key := string(m.Payload)
				if seq, ok := confirmed[key]; ok && !acked[key] {
					if seq != m.Sequence {
						rt.Fatalf("message %d changed its number from %d to %d", n, seq, m.Sequence)
					}
					got = append(got, key)
				}
				seen[key] = true
			}
			var want []string
			for _, key := range order {
				if !acked[key] {
					want = append(want, key)
				}
			}
			if fmt.Sprint(got) != fmt.Sprint(want) {
				rt.Fatalf("%d of %d confirmed messages came back, or in another order", len(got), len(want))
			}
			for _, g := range s.Stats().Gaps {
				for key, seq := range confirmed {
					if !acked[key] && seq >= g.From && seq <= g.To {
						rt.Fatalf("confirmed message %d reported lost", seq)
					}
				}
			}
		}
		appendSome := func() {
			var group [][]byte
			for range rapid.IntRange(1, 6).Draw(rt, "group") {
				message++
				group = append(group, payload(message))
			}
			first, err := s.Append(group...)
			if err != nil {
				return
			}
			for i, p := range group {
				confirmed[string(p)] = first + uint64(i)
				order = append(order, string(p))
			}
		}
		ackSome := func() {
			for key, seq := range oldest(order, confirmed, acked, rapid.IntRange(1, 12).Draw(rt, "acks")) {
				acked[key] = true // Asked for: it may be gone from now on.
				_ = s.Ack(seq)
			}
		}
		rt.Repeat(map[string]func(*rapid.T){
			"append": func(*rapid.T) { appendSome() },
			"ack":    func(*rapid.T) { ackSome() },
			"save":   func(*rapid.T) { _ = s.Save() },
			"reopen": func(*rapid.T) { s.Close(); start(); verify() },
			"power": func(*rapid.T) {
				cut = rapid.IntRange(1, 12).Draw(rt, "operations left")
				switch rapid.IntRange(0, 2).Draw(rt, "during") {
				case 0:
					appendSome()
				case 1:
					ackSome()
				case 2:
					s.Close()
				}
				cut = -1
				d = d.lose(rt)
				start()
				verify()
				// And once more right after.
				if rapid.Bool().Draw(rt, "again") {
					d = d.lose(rt)
					start()
					verify()
				}
			},
			"": func(*rapid.T) {},
		})
		verify()
	})
}

// oldest picks n of the confirmed messages not yet acknowledged, the first but
// for every third.
func oldest(order []string, confirmed map[string]uint64, acked map[string]bool, n int) map[string]uint64 {
	out := map[string]uint64{}
	for i, key := range order {
		if len(out) == n {
			break
		}
		if !acked[key] && i%3 != 2 {
			out[key] = confirmed[key]
		}
	}
	return out
}
