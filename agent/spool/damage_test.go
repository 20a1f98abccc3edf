package spool

import (
	"encoding/binary"
	"hash/crc32"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The format, read by hand as doc.go draws it.
func TestFormat(t *testing.T) {
	// CRC-32C of "123456789" is e3069283 (RFC 3720 B.4 uses the same
	// polynomial; check value from the catalogue of parametrised CRC
	// algorithms, CRC-32/ISCSI, from memory).
	if c := crc32.Checksum([]byte("123456789"), castagnoli); c != 0xe3069283 {
		t.Fatalf("CRC-32C is %08x", c)
	}
	c := small(t)
	s := mustOpen(t, c)
	if _, err := s.Append([]byte("abc"), []byte("12345678")); err != nil {
		t.Fatal(err)
	}
	s.Close()
	b, err := os.ReadFile(filepath.Join(c.Dir, "00000000000000000001.seg"))
	if err != nil {
		t.Fatal(err)
	}
	if len(b) != 24+32+32 {
		t.Fatalf("segment of %d bytes, want 88", len(b))
	}
	u32, u64 := binary.LittleEndian.Uint32, binary.LittleEndian.Uint64
	if string(b[:8]) != "RCSPOOL1" || u64(b[8:]) != 1 || u32(b[16:]) != 0 || u32(b[20:]) != crc32.Checksum(b[:20], castagnoli) {
		t.Errorf("header % x", b[:24])
	}
	for i, want := range []string{"abc", "12345678"} {
		r := b[24+32*i:][:32]
		if n := u32(r); string(r[24:24+n]) != want {
			t.Errorf("record %d holds %q", i, r[24:24+n])
		}
		if u64(r[8:]) != uint64(i+1) || u64(r[16:]) == 0 {
			t.Errorf("record %d header % x", i, r[:24])
		}
		if c := crc32.Checksum(append(append([]byte{}, r[:4]...), r[8:]...), castagnoli); u32(r[4:]) != c {
			t.Errorf("record %d checksum %08x, want %08x", i, u32(r[4:]), c)
		}
	}
}

// pristine makes a spool of n messages and returns its files.
func pristine(t testing.TB, n int) (Config, map[string][]byte) {
	c := small(t)
	s := mustOpen(t, c)
	mustAppend(t, s, 1, n)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return c, snapshot(t, c.Dir)
}

func snapshot(t testing.TB, dir string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = b
	}
	return out
}

func restoreFiles(t testing.TB, dir string, files map[string][]byte) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if err := os.Remove(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// records returns where each record of a segment starts, and its end.
func records(b []byte) []int {
	var at []int
	off := segmentHeaderLen
	for off < len(b) {
		at = append(at, off)
		off += int(frameLen(int(binary.LittleEndian.Uint32(b[off:]))))
	}
	return append(at, off)
}

// TestTornTail cuts the last segment at every byte: rule 1.
func TestTornTail(t *testing.T) {
	const n = 6
	c, files := pristine(t, n)
	name := segmentName(1)
	whole := files[name]
	at := records(whole)
	for cut := 0; cut <= len(whole); cut++ {
		files[name] = whole[:cut]
		restoreFiles(t, c.Dir, files)
		s := quickOpen(t, c)
		intact := 0
		for intact < n && at[intact+1] <= cut {
			intact++
		}
		wantRange(t, drain(t, s), 1, intact)
		st := s.Stats()
		if want := int64(max(0, cut-at[intact])); cut >= segmentHeaderLen && st.TornBytes != want {
			t.Fatalf("cut at %d: %d bytes counted as torn, want %d", cut, st.TornBytes, want)
		}
		if len(st.Gaps) != 0 || len(st.Damaged) != 0 {
			t.Fatalf("cut at %d: called damage: %+v", cut, st)
		}
		// It goes on from there, and the next start finds nothing to mend.
		mustAppend(t, s, intact+1, intact+2)
		s.Close()
		s = quickOpen(t, c)
		wantRange(t, drain(t, s), 1, intact+2)
		if st := s.Stats(); st.TornBytes != 0 {
			t.Fatalf("cut at %d: torn again after mending", cut)
		}
		s.Close()
	}
}

// TestZeroTail puts zeros over the end from every byte on, at the old length
// and longer: rule 2.
func TestZeroTail(t *testing.T) {
	const n = 6
	c, files := pristine(t, n)
	name := segmentName(1)
	whole := files[name]
	at := records(whole)
	for cut := segmentHeaderLen; cut <= len(whole); cut++ {
		for _, more := range []int{0, 4096} {
			b := make([]byte, len(whole)+more)
			copy(b, whole[:cut])
			files[name] = b
			restoreFiles(t, c.Dir, files)
			s := quickOpen(t, c)
			intact := 0
			for intact < n && at[intact+1] <= cut {
				intact++
			}
			// A record whose last bytes were zeros anyway is intact.
			if intact < n && string(b[at[intact]:at[intact+1]]) == string(whole[at[intact]:at[intact+1]]) {
				intact++
			}
			wantRange(t, drain(t, s), 1, intact)
			if st := s.Stats(); len(st.Gaps) != 0 {
				t.Fatalf("zeros from %d: called a gap: %+v", cut, st.Gaps)
			}
			mustAppend(t, s, intact+1, intact+1)
			s.Close()
		}
	}
}

// TestEveryBit flips bits all over a spool of several segments, one at a time.
// Whatever it hits, at most one message is lost, it is reported, and no wrong
// byte is ever read.
func TestEveryBit(t *testing.T) {
	const n = 26
	c, files := pristine(t, n)
	if len(segmentsOf(t, c.Dir)) < 2 {
		t.Fatal("want several segments")
	}
	for name, whole := range files {
		first, ok := parseSegmentName(name)
		if !ok {
			continue
		}
		at := records(whole)
		last := int(first) + len(at) - 2
		isLast := last == n
		// Every third bit of the headers, every 31st of the rest: other places
		// in the byte each time.
		inHeader := func(at []int, i int) bool {
			if i < segmentHeaderLen {
				return true
			}
			for _, a := range at {
				if i >= a && i < a+frameHeaderLen {
					return true
				}
			}
			return false
		}
		for bit := range 8 * len(whole) {
			if bit%31 != 0 && (bit%3 != 0 || testing.Short() || !inHeader(at, bit/8)) {
				continue
			}
			b := append([]byte(nil), whole...)
			b[bit/8] ^= 1 << (bit % 8)
			files[name] = b
			restoreFiles(t, c.Dir, files)
			s := quickOpen(t, c)
			hit := 0 // the message hit; 0: the header
			for i := 0; i+1 < len(at); i++ {
				if bit/8 >= at[i] {
					hit = int(first) + i
				}
			}
			got := drain(t, s)
			st := s.Stats()
			switch {
			case hit == 0:
				wantRange(t, got, 1, n)
				if len(st.Gaps) != 0 {
					t.Fatalf("%s bit %d in the header: gaps %+v", name, bit, st.Gaps)
				}
			case isLast && hit == n:
				// The very end: cannot be told from a torn tail.
				wantRange(t, got, 1, n-1)
				if st.TornBytes == 0 {
					t.Fatalf("%s bit %d in the last record not counted", name, bit)
				}
			default:
				wantRange(t, got, 1, n, hit)
				if len(st.Gaps) != 1 || st.Gaps[0].From != uint64(hit) || st.Gaps[0].To != uint64(hit) || st.Gaps[0].Segment != name {
					t.Fatalf("%s bit %d in message %d: gaps %+v", name, bit, hit, st.Gaps)
				}
			}
			// Going on and draining sets the damaged file aside.
			next, err := s.Append(payload(n + 1))
			if err != nil {
				t.Fatal(err)
			}
			for _, q := range append(got, next) {
				if err := s.Ack(q); err != nil {
					t.Fatal(err)
				}
			}
			s.reclaim()
			if hit != 0 && !(isLast && hit == n) {
				if _, err := os.Stat(filepath.Join(c.Dir, name+".bad")); err != nil {
					t.Fatalf("%s bit %d: the damaged segment was not kept: %v", name, bit, err)
				}
			}
			s.Close()
		}
		files[name] = whole
	}
}

func TestDamageTable(t *testing.T) {
	const n = 120
	damage := func(name string, change func(dir string)) func(t *testing.T) (Config, *Spool) {
		return func(t *testing.T) (Config, *Spool) {
			c, _ := pristine(t, n)
			change(c.Dir)
			return c, mustOpen(t, c)
		}
	}
	firstOf := func(dir string, i int) uint64 {
		names, _ := filepath.Glob(filepath.Join(dir, "*.seg"))
		first, _ := parseSegmentName(filepath.Base(names[i]))
		return first
	}
	edit := func(dir string, i int, f func([]byte) []byte) {
		path := filepath.Join(dir, segmentName(firstOf(dir, i)))
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, f(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var second, third uint64
	note := func(dir string) { second, third = firstOf(dir, 1), firstOf(dir, 2) }
	for _, test := range []struct {
		name   string
		change func(dir string)
		// lost returns the messages lost, from the segments' first numbers.
		lost func() []int
		bad  bool // a .bad file after Open
	}{
		{"a middle segment all zeros", func(dir string) {
			note(dir)
			edit(dir, 1, func(b []byte) []byte { clear(b); return b })
		}, func() []int { return except(int(second), int(third)-1) }, true},
		{"a middle segment emptied", func(dir string) {
			note(dir)
			edit(dir, 1, func([]byte) []byte { return nil })
		}, func() []int { return except(int(second), int(third)-1) }, true},
		{"a middle segment missing", func(dir string) {
			note(dir)
			if err := os.Remove(filepath.Join(dir, segmentName(firstOf(dir, 1)))); err != nil {
				t.Fatal(err)
			}
		}, func() []int { return except(int(second), int(third)-1) }, false},
		{"a middle segment cut in half of its last record", func(dir string) {
			note(dir)
			edit(dir, 1, func(b []byte) []byte { at := records(b); return b[:at[len(at)-2]+30] })
		}, func() []int { return []int{int(third) - 1} }, false},
		{"a page of rubbish over the middle of a segment", func(dir string) {
			note(dir)
			edit(dir, 1, func(b []byte) []byte {
				at := records(b)
				for i := at[3] + 10; i < at[6]-10; i++ {
					b[i] = byte(i * 7)
				}
				return b
			})
		}, func() []int { return except(int(second)+3, int(second)+5) }, false},
		{"the header of the first segment gone", func(dir string) {
			edit(dir, 0, func(b []byte) []byte { clear(b[:24]); return b })
		}, func() []int { return nil }, false},
		{"two segments exchanged in name", func(dir string) {
			note(dir)
			a, b := filepath.Join(dir, segmentName(second)), filepath.Join(dir, segmentName(third))
			for _, r := range [][2]string{{a, a + "x"}, {b, a}, {a + "x", b}} {
				if err := os.Rename(r[0], r[1]); err != nil {
					t.Fatal(err)
				}
			}
		}, nil, true},
		{"a file that is none of ours", func(dir string) {
			if err := os.WriteFile(filepath.Join(dir, "0000.seg"), []byte("hello"), 0o600); err != nil {
				t.Fatal(err)
			}
		}, func() []int { return nil }, false},
		{"the cursor is rubbish", func(dir string) {
			if err := os.WriteFile(filepath.Join(dir, cursorName), []byte(`{"acked":50}`), 0o600); err != nil {
				t.Fatal(err)
			}
		}, func() []int { return nil }, false},
		{"the cursor is missing", func(dir string) { _ = os.Remove(filepath.Join(dir, cursorName)) }, func() []int { return nil }, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			c, s := damage(test.name, test.change)(t)
			got := drain(t, s)
			st := s.Stats()
			var gaps []int
			for _, g := range st.Gaps {
				for q := g.From; q <= g.To; q++ {
					gaps = append(gaps, int(q))
				}
			}
			if test.lost != nil {
				lost := test.lost()
				wantRange(t, got, 1, n, lost...)
				if len(gaps) != len(lost) || (len(lost) > 0 && (gaps[0] != lost[0] || gaps[len(gaps)-1] != lost[len(lost)-1])) {
					t.Errorf("gaps %v, want %v", gaps, lost)
				}
			}
			// Read or reported, every message is accounted for.
			if len(got)+len(gaps) != n {
				t.Errorf("%d read and %d reported lost of %d", len(got), len(gaps), n)
			}
			bad, _ := filepath.Glob(filepath.Join(c.Dir, "*.bad"))
			if (len(bad) > 0) != test.bad {
				t.Errorf(".bad files %v", bad)
			}
			if first, err := s.Append(payload(n + 1)); err != nil || first != n+1 {
				t.Errorf("append after damage: %d, %v", first, err)
			}
		})
	}
}

// TestRotWhileOpen damages a record after Open has read it.
func TestRotWhileOpen(t *testing.T) {
	c := small(t)
	s := mustOpen(t, c)
	mustAppend(t, s, 1, 60)
	path := filepath.Join(c.Dir, segmentName(1))
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := records(b)
	for _, i := range []int{4, 7, len(at) - 2} {
		b[at[i]+26] ^= 0x10
	}
	// In place, as rot would.
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt(b, 0); err != nil {
		t.Fatal(err)
	}
	f.Close()
	last := len(at) - 1
	got := drain(t, s)
	wantRange(t, got, 1, 60, 5, 8, last)
	if st := s.Stats(); len(st.Gaps) != 3 || st.Messages != 57 {
		t.Errorf("stats %+v", st)
	}
	for _, q := range got {
		if err := s.Ack(q); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := os.Stat(path + ".bad"); err != nil {
		t.Error(err)
	}
}

// TestTornKept: a complete record with a wrong checksum at the very end may
// have been a message; its bytes are kept.
func TestTornKept(t *testing.T) {
	c, files := pristine(t, 10)
	name := segmentName(1)
	at := records(files[name])
	tail := files[name][at[9]:]
	tail[30] ^= 1
	restoreFiles(t, c.Dir, files)
	s := mustOpen(t, c)
	wantRange(t, drain(t, s), 1, 9)
	b, err := os.ReadFile(filepath.Join(c.Dir, name+".torn"))
	if err != nil || string(b) != string(tail) {
		t.Errorf("kept % x, %v", b, err)
	}
	if st := s.Stats(); len(st.Damaged) != 1 || !strings.HasSuffix(st.Damaged[0], ".torn") {
		t.Errorf("stats %+v", st)
	}
}

// TestDamageAnywhere: any number of changed stretches; what is read is right,
// and every message is read, reported or in the torn tail.
func TestDamageAnywhere(t *testing.T) {
	const n = 60
	c, files := pristine(t, n)
	rapid.Check(t, func(rt *rapid.T) {
		changed := map[string][]byte{}
		for name, b := range files {
			changed[name] = append([]byte(nil), b...)
		}
		var names []string
		for name := range files {
			if strings.HasSuffix(name, ".seg") {
				names = append(names, name)
			}
		}
		for range rapid.IntRange(1, 4).Draw(rt, "stretches") {
			b := changed[rapid.SampledFrom(names).Draw(rt, "segment")]
			at := rapid.IntRange(0, len(b)-1).Draw(rt, "at")
			stretch := b[at:min(len(b), at+rapid.IntRange(1, 600).Draw(rt, "length"))]
			for i := range stretch {
				stretch[i] = rapid.Byte().Draw(rt, "byte")
			}
		}
		restoreFiles(t, c.Dir, changed)
		s := quickOpen(t, c)
		defer s.Close()
		got := drain(t, s)
		st := s.Stats()
		seen := uint64(len(got))
		for _, g := range st.Gaps {
			seen += g.To - g.From + 1
		}
		if st.Last < n && st.TornBytes == 0 {
			rt.Fatalf("messages after %d vanished without a torn tail", st.Last)
		}
		if seen != st.Last {
			rt.Fatalf("%d of %d read or reported lost; gaps %+v", seen, st.Last, st.Gaps)
		}
	})
}

// FuzzDecoder: whatever the bytes, the decoder ends, and each record it finds
// encodes to the same bytes again.
func FuzzDecoder(f *testing.F) {
	_, files := pristine(f, 8)
	whole := files[segmentName(1)]
	f.Add(whole)
	f.Add(whole[:len(whole)-5])
	f.Add(append(append([]byte(nil), whole...), make([]byte, 100)...))
	f.Add([]byte{})
	f.Add([]byte("RCSPOOL1"))
	f.Fuzz(func(t *testing.T, b []byte) {
		var d decoder
		r := strings.NewReader(string(b))
		d.reset(r, int64(len(b)), maxPayload)
		for off := int64(0); off+8 <= int64(len(b)); off += 8 {
			fr, err := d.check(off)
			if err != nil {
				continue
			}
			p, err := d.payload(nil, fr)
			if err != nil {
				t.Fatal(err)
			}
			again := encode(fr, p)
			if string(again) != string(b[off:off+int64(len(again))]) {
				t.Fatalf("record at %d encodes differently", off)
			}
		}
		sc := scanSegment(r, int64(len(b)), 1, ^uint64(0), maxPayload)
		if sc.bytes > int64(len(b)) || sc.bytes+sc.tail > int64(len(b)) {
			t.Fatalf("scan went beyond the end: %+v", sc)
		}
	})
}

// encode is a record as it is on disk.
func encode(fr frame, p []byte) []byte {
	b := make([]byte, frameHeaderLen, frameLen(len(p)))
	binary.LittleEndian.PutUint32(b, uint32(len(p)))
	binary.LittleEndian.PutUint64(b[8:], fr.sequence)
	binary.LittleEndian.PutUint64(b[16:], uint64(fr.at))
	b = append(b, p...)
	b = append(b, make([]byte, cap(b)-len(b))...)
	c := crc32.Checksum(append(append([]byte{}, b[:4]...), b[8:]...), castagnoli)
	binary.LittleEndian.PutUint32(b[4:], c)
	return b
}
