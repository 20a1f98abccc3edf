package csvfolder

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strconv"
	"strings"
	"testing"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// generated is a file made while it is read, so that a test of memory holds
// none of it.
type generated struct {
	head string
	row  []byte // a row without its time
	rows int

	next   int
	buffer []byte
}

func (g *generated) Seek(int64, int) (int64, error) {
	g.next, g.buffer = 0, append(g.buffer[:0], g.head...)
	return 0, nil
}

func (g *generated) ReadAt(p []byte, _ int64) (int, error) { return copy(p, g.head), nil }

func (g *generated) Read(p []byte) (int, error) {
	for len(g.buffer) < len(p) && g.next < g.rows {
		g.buffer = strconv.AppendInt(g.buffer, int64(g.next/100), 10)
		g.buffer = append(g.buffer, '.', byte('0'+g.next/10%10), byte('0'+g.next%10))
		g.buffer = append(g.buffer, g.row...)
		g.next++
	}
	if len(g.buffer) == 0 {
		return 0, io.EOF
	}
	n := copy(p, g.buffer)
	g.buffer = g.buffer[:copy(g.buffer, g.buffer[n:])]
	return n, nil
}

// wide returns a mapping and a file of n channels.
func wide(n, rows int, cell string) (string, *generated) {
	var columns, names, units, row strings.Builder
	for i := range n {
		fmt.Fprintf(&columns, "    - {name: C%d, channel: x_c%d, unit: N}\n", i, i)
		fmt.Fprintf(&names, ",C%d", i)
		units.WriteString(",N")
		row.WriteString("," + cell)
	}
	text := plainMapping[:strings.Index(plainMapping, "samples:")] + "samples:\n  time: {column: Time, unit: s}\n  columns:\n" + columns.String() +
		"readings: {reading: Reading, unit: N}\n"
	g := &generated{head: "Started: 2027-03-04 09:15:00\n\nTime" + names.String() + "\ns" + units.String() + "\n", row: []byte(row.String() + "\n"), rows: rows}
	_, _ = g.Seek(0, io.SeekStart)
	return text, g
}

// heap is a sink that looks how much memory is in use.
type heap struct{ most uint64 }

func (h *heap) Append(context.Context, ...*rollcallv1.StreamRequest) error {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	h.most = max(h.most, m.HeapAlloc)
	return nil
}

// TestMemoryIsBounded takes files of 30 MB with twenty channels; in use are
// never 5 MB more than before.
func TestMemoryIsBounded(t *testing.T) {
	if testing.Short() {
		t.Skip("takes files of 30 MB")
	}
	for _, c := range []struct {
		name, cell string
		rows       int
	}{{"whole numbers", "1234", 300_000}, {"float64", "1.25e3", 200_000}} {
		t.Run(c.name, func(t *testing.T) {
			text, g := wide(20, c.rows, c.cell)
			m := mapping(t, text)
			runtime.GC()
			var before runtime.MemStats
			runtime.ReadMemStats(&before)
			h := &heap{}
			if err := m.Take(t.Context(), "pull_a.csv", g, "fen-1", "", h); err != nil {
				t.Fatal(err)
			}
			used := float64(h.most-before.HeapAlloc) / 1e6
			t.Logf("%.0f MB of file, %.2f MB of memory", float64(c.rows*len(g.row))/1e6, used)
			if used > 5 {
				t.Errorf("%.1f MB were in use", used)
			}
		})
	}
}

// TestRowsAllocateNothing counts what reading a row allocates.
func TestRowsAllocateNothing(t *testing.T) {
	r := newRowReader(&Format{separator: ',', mark: '.'}, []int{0, 1, slotIgnored, 2, slotText}, 3)
	line := []byte("12.5,-3.25,ignored,,09:15:00")
	if n := testing.AllocsPerRun(100, func() {
		if err := r.read(line); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations a row", n)
	}
	if r.digits[0] != 125 || r.decimals[0] != 1 || r.digits[1] != -325 || r.decimals[2] != cellBlank || string(r.texts[4]) != "09:15:00" {
		t.Errorf("row %+v", r)
	}
}

// nowhere is a sink that counts.
type nowhere struct{ values int }

func (n *nowhere) Append(_ context.Context, requests ...*rollcallv1.StreamRequest) error {
	for _, r := range requests {
		s := r.GetSampleBlock().GetSamples()
		n.values += len(s.GetCounts()) + len(s.GetValues())
	}
	return nil
}

// BenchmarkTake takes a file of eight channels and 60 000 rows, both passes.
func BenchmarkTake(b *testing.B) {
	for _, c := range []struct{ name, cell string }{{"decimals", "1234.5"}, {"exponents", "1.2345e3"}} {
		b.Run(c.name, func(b *testing.B) {
			text, g := wide(8, 60_000, c.cell)
			m := mapping(b, text)
			file, err := io.ReadAll(g)
			if err != nil {
				b.Fatal(err)
			}
			s := &nowhere{}
			b.SetBytes(int64(len(file)))
			for b.Loop() {
				if err := m.Take(context.Background(), "pull_a.csv", bytes.NewReader(file), "fen-1", "", s); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(s.values)/b.Elapsed().Seconds()/1e6, "Mvalues/s")
		})
	}
}

// FuzzTake gives any bytes as a file. What is accepted is valid by the wire's
// own checks, in whole (assemble), and written out again as CSV and taken
// again it is the same numbers.
func FuzzTake(f *testing.F) {
	for _, c := range bad {
		f.Add([]byte(strings.NewReplacer("km/h", "m/s", "rpm\n", "rad/s\n").Replace(c.text)))
	}
	f.Add([]byte(siHead + plainBody))
	f.Add([]byte(siHead + "0,1,2,3\n1e-1,1.5,,3\n0.25,,2e0,3.000000001\n"))
	f.Add([]byte("Started: 2027-03-04 09:15:00\n\nTime,Engine,Force,Speed\n,,,\n-1,\"1\",2,3\n+5.,1,2,3,\n"))
	text := strings.NewReplacer("unit: km/h", "unit: m/s", "unit: rpm", "unit: rad/s", "unit: hPa", "unit: Pa").Replace(plainMapping)
	m, err := ParseMapping("mapping.yaml", []byte(text))
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		s := &memory{}
		if err := m.Take(t.Context(), "pull_a.csv", bytes.NewReader(file), "fen-1", "", s); err != nil {
			var r *Rejection
			if !errors.As(err, &r) || r.What == "" || r.Mend == "" {
				t.Fatalf("%v is no rejection with a reason and a way to mend it", err)
			}
			if len(s.requests) != 0 {
				t.Fatalf("a rejected file sent %d messages", len(s.requests))
			}
			return
		}
		w := assemble(t, s.requests)
		if !w.ended {
			t.Fatal("an accepted file got no PullEnd")
		}
		for channel, x := range w.channels {
			again, err := take(t, m, "pull_b.csv", encode(string(channel), x))
			if err != nil {
				t.Fatalf("channel %s written out again: %v", channel, err)
			}
			y := assemble(t, again.requests).channels[channel]
			if len(y.values) != len(x.values) {
				t.Fatalf("channel %s: %d values, again %d", channel, len(x.values), len(y.values))
			}
			for i := range x.values {
				if x.values[i] != y.values[i] {
					t.Fatalf("channel %s, value %d: %v, again %v", channel, i, x.values[i], y.values[i])
				}
				if d := x.times[i] - x.times[0] - y.times[i]; d > 1e-6 || d < -1e-6 {
					t.Fatalf("channel %s, time %d: %v, again %v", channel, i, x.times[i]-x.times[0], y.times[i])
				}
			}
		}
	})
}

const siHead = "Started: 2027-03-04 09:15:00\n\nTime,Speed,Force,Engine\ns,m/s,N,rad/s\n"

// encode writes one channel as a file of the fuzz test's mapping, all others
// given a zero that is possible for them.
func encode(channel string, s series) string {
	column := map[string]int{"roller_speed": 0, "load_cell": 1, "engine_speed": 2, "air_pressure": 3}[channel]
	decimals := 0
	for x := 1.0; s.counts != nil && x/1.5 > s.scale; x /= 10 {
		decimals++
	}
	var b strings.Builder
	b.WriteString("Started: 2027-03-04 09:15:00\n\nTime,Speed,Force,Engine,Pressure\ns,m/s,N,rad/s,Pa\n")
	for i := range s.values {
		cells := []string{"0", "0", "0", "100000"}
		if s.counts != nil {
			cells[column] = fixed(int64(s.counts[i]), decimals)
		} else {
			// With an exponent it is taken as float64 again, not as counts,
			// whose product with the scale rounds once more.
			cells[column] = strconv.FormatFloat(s.values[i], 'e', -1, 64)
		}
		b.WriteString(strconv.FormatFloat(s.times[i], 'g', -1, 64) + "," + strings.Join(cells, ",") + "\n")
	}
	return b.String()
}

// fixed writes n·10^−decimals.
func fixed(n int64, decimals int) string {
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	text := strconv.FormatInt(n, 10)
	if decimals == 0 {
		return sign + text
	}
	if len(text) <= decimals {
		text = strings.Repeat("0", decimals-len(text)+1) + text
	}
	return sign + text[:len(text)-decimals] + "." + text[len(text)-decimals:]
}
