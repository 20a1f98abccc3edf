package csvfolder

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"

	"google.golang.org/protobuf/types/known/timestamppb"

	"rollcall/agent/source"
	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/unit"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// Limits of the messages made.
const (
	// blockSamples is the most samples of a block.
	blockSamples = 16384
	// bufferedValues bounds the samples held at once, over all channels; with
	// many channels blocks are shorter.
	bufferedValues = 131072
	// uniformTolerance is how far a time may be from a uniform clock, s; below
	// the microsecond by what rounding needs.
	uniformTolerance = 0.99e-6
)

// content is a file's bytes, read twice.
type content interface {
	io.Reader
	io.Seeker
	io.ReaderAt
}

// errChanged says that a file was written to while it was read.
var errChanged = errors.New("the file changed while it was read")

// bound is a mapped column of a file.
type bound struct {
	*Column
	field int
	unit  unit.Unit
	low   float64 // plausible, in the column's unit
	high  float64
	limit limit

	n        int64                // values
	decimals uint8                // most of any value
	large    [maxDigits + 1]int64 // largest size of the digits, by decimals
	float    bool                 // some value is no plain decimal
	clock    clockFit
	own      bool // has blanks: its clock is its own
}

// note remembers what a value needs to be sent as a whole number.
func (b *bound) note(digits int64, decimals uint8) {
	if digits < 0 {
		digits = -digits
	}
	if digits > b.large[decimals] {
		b.large[decimals] = digits
	}
	if decimals > b.decimals {
		b.decimals = decimals
	}
}

// counts reports whether all values fit 32-bit counts of 10^−decimals.
func (b *bound) counts() bool {
	if b.float || b.decimals > 9 {
		return false
	}
	for d, n := range b.large[:b.decimals+1] {
		if n > math.MaxInt32/pow10i[int(b.decimals)-d] {
			return false
		}
	}
	return true
}

// clockFit finds whether times t[i] all lie within uniformTolerance of a
// uniform clock through the first one, t[0] + i·step. Each time narrows the
// range of steps that do.
type clockFit struct {
	n           int64
	first, last float64
	low, high   float64 // range of the step
}

func (c *clockFit) add(t float64) {
	if c.n == 0 {
		c.first, c.low, c.high = t, 0, math.Inf(1)
	} else {
		i := float64(c.n)
		d := t - c.first
		c.low = max(c.low, (d-uniformTolerance)/i)
		c.high = min(c.high, (d+uniformTolerance)/i)
	}
	c.last = t
	c.n++
}

// step returns the step of the uniform clock, the roundest one that fits; ok is
// false when there is none.
func (c *clockFit) step() (step float64, ok bool) {
	if c.n < 2 || c.low > c.high {
		return 0, false
	}
	step = (c.last - c.first) / float64(c.n-1)
	if step < c.low || step > c.high {
		step = (c.low + c.high) / 2
	}
	for digits := 1; digits < 12; digits++ {
		p := math.Pow10(digits - 1 - int(math.Floor(math.Log10(step))))
		if round := math.Round(step*p) / p; round > c.low && round < c.high {
			return round, true
		}
	}
	return step, step > 0
}

// samplesReader reads a pull or coast-down.
type samplesReader struct {
	mapping *Mapping
	head    *head
	begin   *rollcallv1.PullBegin
	columns []*bound
	rows    *rowReader
	ended   bool // the last line read has a line end

	timeSlot             int // of a running time
	timeField, dateField int // of a clock's texts
	joined               []byte

	count    int64 // rows
	zero     stamp // time of the first row
	decimals uint8 // most of any time
	last     float64
	fit      clockFit
	exact    bool // all times are whole counts of 10^−decimals
	midnight bool // the clock passed midnight

	group []*rollcallv1.StreamRequest // what emit left to be appended
}

// stamp is a row's time in its column's unit: digits·10^−decimals, or float.
type stamp struct {
	digits   int64
	decimals uint8
	float    float64 // used when decimals is cellFloat
}

func (s stamp) value() float64 {
	if s.decimals == cellFloat {
		return s.float
	}
	return float64(s.digits) / pow10[s.decimals]
}

// newSamplesReader binds the columns of a file.
func newSamplesReader(m *Mapping, h *head, cell fleet.CellID, version string) (*samplesReader, error) {
	s := &samplesReader{mapping: m, head: h, timeSlot: -1, dateField: -1, exact: true}
	if err := s.announce(cell, version); err != nil {
		return nil, err
	}
	if h.names != nil {
		if err := s.bind(len(h.names)); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// announce makes the PullBegin, as far as the head tells.
func (s *samplesReader) announce(cell fleet.CellID, version string) error {
	h, r := s.head, s.head.rule
	b := &rollcallv1.PullBegin{CellId: string(cell), AgentVersion: version, Header: h.header}
	switch r.Kind {
	case kindPull:
		b.Kind = rollcallv1.PullKind_PULL_KIND_PULL
	case kindCoastDown:
		b.Kind = rollcallv1.PullKind_PULL_KIND_COAST_DOWN
	case kindEmptyCoastDown:
		b.Kind = rollcallv1.PullKind_PULL_KIND_EMPTY_COAST_DOWN
	}
	if _, taken := b.Header["file_name"]; !taken {
		b.Header["file_name"] = h.file
	}
	for _, t := range []struct {
		what string
		take *Take
		to   *string
	}{{"the reference car", r.Car, &b.CarId}, {"the label", r.Label, &b.Label}, {"the session", r.Session, &b.Session}, {"the customer's car", r.CustomerCar, &b.CustomerCar}, {"the set-up", r.SetUp, &b.SetUp}} {
		text, _, err := h.take(t.what, t.take)
		if err != nil {
			return err
		}
		*t.to = text
	}
	var err *Rejection
	mark := s.mapping.Format.mark
	if b.RampRateRadS2, err = h.number("the ramp rate", r.RampRate, unit.AngularAcceleration, mark); err != nil {
		return err
	}
	if b.RotatingMassKg, err = h.number("the rotating mass", r.RotatingMass, unit.Mass, mark); err != nil {
		return err
	}
	if b.CoastingMassKg, err = h.number("the coasting mass", r.CoastingMass, unit.Mass, mark); err != nil {
		return err
	}
	if b.DisplacementM3, err = h.number("the displacement", r.Displacement, unit.Volume, mark); err != nil {
		return err
	}
	if b.Charging, err = h.word("the charging", r.Charging, chargingWords); err != nil {
		return err
	}
	if b.Correction, err = h.word("the correction", r.Correction, correctionWords); err != nil {
		return err
	}
	if at := s.mapping.startedAt(r); len(at.From) > 0 {
		t, err := h.started(at)
		if err != nil {
			return err
		}
		b.StartedAt = timestamppb.New(t)
	}
	s.begin = b
	return nil
}

// bind finds the mapped columns in the header row (fields of it, or of the
// first data row).
func (s *samplesReader) bind(fields int) error {
	h, m := s.head, s.mapping
	slots := make([]int, fields)
	for i := range slots {
		slots[i] = slotIgnored
	}
	var missing []string
	find := func(name string, index int, optional bool) (int, *Rejection) {
		if !m.Format.headerRow {
			if index > fields {
				missing = append(missing, fmt.Sprintf("number %d", index))
				return -1, nil
			}
			return index - 1, nil
		}
		i, err := h.find(name)
		if err == nil && i < 0 && !optional {
			missing = append(missing, name)
		}
		return i, err
	}
	t := m.Samples.Time
	i, err := find(t.Column, t.Index, false)
	if err != nil {
		return err
	}
	next := 0
	s.timeField = i
	if i >= 0 {
		if t.pattern == nil {
			slots[i], s.timeSlot = 0, 0
			next = 1
			if _, err := h.unitOf(i, t.Column, t.unit, true, func(u string) (unit.Unit, error) { return unit.ParseAs(u, unit.Time) }); err != nil {
				return err
			}
		} else {
			slots[i] = slotText
		}
	}
	if t.Date != "" || t.DateIndex != 0 {
		if s.dateField, err = find(t.Date, t.DateIndex, false); err != nil {
			return err
		}
		if s.dateField >= 0 {
			slots[s.dateField] = slotText
		}
	}
	for j := range m.Samples.Columns {
		col := &m.Samples.Columns[j]
		if !col.of(h.rule.Kind) {
			continue
		}
		i, err := find(col.Name, col.Index, col.Optional)
		if err != nil {
			return err
		}
		if i < 0 {
			continue
		}
		parse := func(u string) (unit.Unit, error) { return unit.ParseFor(u, col.Channel) }
		if col.Scale != nil {
			parse = unit.Parse // of another quantity than the channel's
		}
		u, err := h.unitOf(i, col.label(), col.raw, col.given, parse)
		if err != nil {
			return err
		}
		if col.Scale != nil {
			u = col.unit
		}
		l := limitOf(col.Channel)
		slots[i] = next
		next++
		low, high := u.FromSI(l.low), u.FromSI(l.high)
		if low > high { // wired the other way round
			low, high = high, low
		}
		s.columns = append(s.columns, &bound{Column: col, field: i, unit: u, limit: l, low: low, high: high})
	}
	if len(missing) > 0 {
		return h.missing(missing, "let it be optional there")
	}
	if len(s.columns) == 0 {
		return &Rejection{What: "the file has none of the mapped columns", Line: h.row, Mend: "mend the column names in the mapping"}
	}
	s.rows = newRowReader(&m.Format, slots, next)
	return nil
}

// slot returns the slot of column j: they follow the time's.
func (s *samplesReader) slot(j int) int {
	if s.timeSlot >= 0 {
		return j + 1
	}
	return j
}

// nextRow reads the next row of data into s.rows; io.EOF at the end.
func (s *samplesReader) nextRow(l *lines) error {
	for {
		line, ended, err := l.next()
		if err != nil {
			return err
		}
		s.ended = ended
		if len(line) == 0 || len(bytes.TrimSpace(line)) == 0 || (len(line) == 1 && line[0] == 0x1a) {
			continue
		}
		if c := s.mapping.Format.Comment; c != "" && bytes.HasPrefix(line, []byte(c)) {
			continue
		}
		if !ended && s.mapping.Format.LastLineEnd == "required" {
			return torn(l.number)
		}
		if s.rows == nil {
			if err := s.bind(s.fields(line)); err != nil { // No header row.
				return err
			}
		}
		if err := s.rows.read(line); err != nil {
			if !ended {
				return torn(l.number)
			}
			err.Line = l.number
			if err.Field > 0 {
				err.Column = s.head.fieldName(err.Field)
			}
			return err
		}
		return nil
	}
}

// fields is how many fields a row has.
func (s *samplesReader) fields(line []byte) int {
	if s.head.names != nil {
		return len(s.head.names)
	}
	n := len(splitFields(line, s.mapping.Format.separator))
	if n > 1 && line[len(line)-1] == s.mapping.Format.separator {
		n-- // a separator too many
	}
	return n
}

// time returns the row's time.
func (s *samplesReader) time(line int) (stamp, *Rejection) {
	t := &s.mapping.Samples.Time
	at := func(what, mend string) *Rejection {
		return &Rejection{What: what, Line: line, Field: s.timeField + 1, Column: s.head.fieldName(s.timeField + 1), Mend: mend}
	}
	if t.pattern == nil {
		if s.rows.decimals[0] == cellBlank {
			return stamp{}, at("the time is blank", "every line needs its time; export the file again")
		}
		d := s.rows.decimals[0]
		if d == cellFloat {
			return stamp{decimals: cellFloat, float: s.rows.floats[0]}, nil
		}
		return stamp{digits: s.rows.digits[0], decimals: d}, nil
	}
	text := s.rows.texts[s.timeField]
	if s.dateField >= 0 {
		s.joined = append(append(append(s.joined[:0], s.rows.texts[s.dateField]...), ' '), text...)
		text = s.joined
	}
	m, ok := t.pattern.parse(text)
	if !ok {
		return stamp{}, at(fmt.Sprintf("%s is no time of the form %s", show(string(text)), t.Format),
			"set samples.time.format in the mapping to the form the file uses, or mend the line")
	}
	if s.count == 0 && s.begin.StartedAt == nil {
		began, err := t.pattern.in(m, s.mapping.startedAt(s.head.rule).zone)
		if err != nil {
			return stamp{}, at("the first time: "+err.Error(), "set the clock of the logger, or started_at.zone in the mapping")
		}
		s.begin.StartedAt = timestamppb.New(began)
	}
	seconds := m.seconds - int64(m.offset)
	if s.midnight {
		seconds += 86400
	}
	return stamp{digits: seconds*pow10i[m.digits] + m.fraction, decimals: uint8(m.digits)}, nil
}

// since returns how long after the first row's time t is, s. The difference is
// taken in whole digits where both are whole digits.
func (s *samplesReader) since(t stamp) float64 {
	scale := s.mapping.Samples.Time.unit.Scale
	if t.decimals == cellFloat || s.zero.decimals == cellFloat {
		return (t.value() - s.zero.value()) * scale
	}
	a, b := t.digits, s.zero.digits
	d := t.decimals
	if d != s.zero.decimals {
		var ok bool
		d = max(d, s.zero.decimals)
		if a, ok = widen(a, d-t.decimals); !ok {
			return (t.value() - s.zero.value()) * scale
		}
		if b, ok = widen(b, d-s.zero.decimals); !ok {
			return (t.value() - s.zero.value()) * scale
		}
	}
	return float64(a-b) * scale / pow10[d]
}

// widen returns n·10^d, and whether it fits.
func widen(n int64, d uint8) (int64, bool) {
	if d > maxDigits || n > math.MaxInt64/2/pow10i[d] || n < -math.MaxInt64/2/pow10i[d] {
		return 0, false
	}
	return n * pow10i[d], true
}

// scan is the first pass: it checks every row and finds how each channel is
// sent. l stands before the data.
func (s *samplesReader) scan(ctx context.Context, l *lines) error {
	for {
		if s.count&0xfff == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		err := s.nextRow(l)
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		t, rejection := s.time(l.number)
		if rejection != nil {
			return rejection
		}
		since := 0.0
		if s.count == 0 {
			s.zero = t
		} else {
			since = s.since(t)
			if p := s.mapping.Samples.Time.pattern; p != nil && !p.dated() && !s.midnight && since-s.last < -43200 {
				s.midnight = true
				t.digits += 86400 * pow10i[t.decimals]
				since = s.since(t)
			}
			if !(since > s.last) {
				what := fmt.Sprintf("time goes backwards: %.6f s after the first line, the line before was at %.6f s", since, s.last)
				if since == s.last {
					what = fmt.Sprintf("time stands still: this line is at %.6f s like the one before", since)
				}
				return &Rejection{What: what, Line: l.number, Field: s.timeField + 1, Column: s.head.fieldName(s.timeField + 1),
					Mend: "times must rise from line to line; look at the logger's clock, or cut the file where it was started anew"}
			}
			if since > wire.MaxPullSeconds {
				return &Rejection{What: fmt.Sprintf("this line is %.0f s after the first; a record lasts at most a day", since), Line: l.number,
					Field: s.timeField + 1, Column: s.head.fieldName(s.timeField + 1), Mend: "check the unit of the time column, or cut the file"}
			}
		}
		s.last = since
		if t.decimals == cellFloat {
			s.exact = false
		} else {
			s.decimals = max(s.decimals, t.decimals)
		}
		for j, b := range s.columns {
			slot := s.slot(j)
			d := s.rows.decimals[slot]
			if d == cellBlank {
				if !b.own {
					b.own = true
					b.clock = s.fit
				}
				continue
			}
			x := s.rows.value(slot)
			if !(x >= b.low && x <= b.high) {
				return s.implausible(b, x, l.number)
			}
			if d == cellFloat || d > maxDigits {
				b.float = true
			} else {
				b.note(s.rows.digits[slot], d)
			}
			b.n++
			if b.own {
				b.clock.add(since)
			}
		}
		s.fit.add(since)
		s.count++
	}
	if s.count == 0 {
		return headerOnly(l.number)
	}
	kept := s.columns[:0]
	for _, b := range s.columns {
		if b.n > 0 {
			kept = append(kept, b)
			continue
		}
		if !b.Optional {
			return &Rejection{What: "the column has no value in any line", Field: b.field + 1, Column: b.label(),
				Mend: "look why the logger wrote none, or let the column be optional in the mapping"}
		}
		s.rows.slots[b.field] = slotIgnored
	}
	if len(kept) == 0 {
		return &Rejection{What: "no mapped column has a value", Mend: "look why the logger wrote none"}
	}
	s.drop(kept)
	return nil
}

// drop keeps the columns that have values and numbers their slots anew.
func (s *samplesReader) drop(kept []*bound) {
	s.columns = kept
	for j, b := range kept {
		s.rows.slots[b.field] = s.slot(j)
		if !b.own {
			b.clock = s.fit
		}
		s.begin.Channels = append(s.begin.Channels, string(b.Channel))
	}
}

func (s *samplesReader) implausible(b *bound, x float64, line int) *Rejection {
	r := &Rejection{Line: line, Field: b.field + 1, Column: b.label(),
		What: fmt.Sprintf("%g %s is not possible for channel %s: it takes %.6g to %.6g %s (%s)", x, b.unit.Symbol, b.Channel, b.low, b.high, b.unit.Symbol, b.limit.why),
		Mend: "check the column's unit and channel in the mapping; when the logger is at fault, mend or blank the cell"}
	return r
}

// begun returns the PullBegin once its id is known, checked as the service
// will check it.
func (s *samplesReader) begun(id string) (*rollcallv1.PullBegin, *Rejection) {
	s.begin.PullId = id
	if _, err := wire.FromPullBegin(s.begin); err != nil {
		_, reason, ok := wire.Explain(err)
		if !ok {
			reason = err.Error()
		}
		return nil, &Rejection{What: "what the file says of itself would be refused: " + reason, Mend: "mend the file's header, its name, or the mapping"}
	}
	return s.begin, nil
}

// block gathers samples of one channel.
type block struct {
	message rollcallv1.SampleBlock
	request rollcallv1.StreamRequest
	samples rollcallv1.Packed
	times   rollcallv1.Packed
	uniform rollcallv1.UniformClock
	even    bool
	step    float64
	done    int64 // samples in blocks before
	n       int

	counts []int32
	values []float64
	when   []int64   // times as whole counts after the first row
	whenF  []float64 // times after the first row, s
	whenC  []int32   // times as whole counts after the block's first
}

// emit is the second pass: it makes the messages and gives them to the sink,
// but for the last blocks, which it leaves in s.group, and the PullEnd, which
// it returns. l stands before the data.
func (s *samplesReader) emit(ctx context.Context, l *lines, sink source.Sink) (*rollcallv1.PullEnd, error) {
	size := max(min(blockSamples, bufferedValues/len(s.columns)), 64)
	blocks := make([]*block, len(s.columns))
	for j, b := range s.columns {
		k := &block{}
		n := min(int64(size), b.n)
		if b.counts() {
			k.counts = make([]int32, n)
		} else {
			k.values = make([]float64, n)
		}
		k.step, k.even = b.clock.step()
		if !k.even {
			k.when, k.whenF, k.whenC = make([]int64, n), make([]float64, n), make([]int32, n)
		}
		k.message.PullId, k.message.CellId, k.message.Channel = s.begin.PullId, s.begin.CellId, string(b.Channel)
		k.message.Samples = &k.samples
		k.request.Body = &rollcallv1.StreamRequest_SampleBlock{SampleBlock: &k.message}
		blocks[j] = k
	}
	group := []*rollcallv1.StreamRequest{{Body: &rollcallv1.StreamRequest_PullBegin{PullBegin: s.begin}}}
	var sums []wire.BlockSum
	var samples uint64
	close := func(j int) {
		k := blocks[j]
		s.fill(s.columns[j], k)
		sums = append(sums, wire.BlockSum{Channel: s.columns[j].Channel, BlockIndex: k.message.BlockIndex, CRC: k.message.Crc32C, Samples: uint32(k.n)})
		samples += uint64(k.n)
		group = append(group, &k.request)
	}
	midnight := s.midnight
	s.midnight = false
	var row int64
	last := 0.0
	full := false // some block is
	for ; ; row++ {
		if row&0xfff == 0 {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
		}
		err := s.nextRow(l)
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%w: %w", errChanged, err)
		}
		t, rejection := s.time(l.number)
		if rejection != nil {
			return nil, fmt.Errorf("%w: %w", errChanged, rejection)
		}
		since := s.since(t)
		if midnight && !s.midnight && since-last < -43200 {
			s.midnight = true
			t.digits += 86400 * pow10i[t.decimals]
			since = s.since(t)
		}
		last = since
		for j, b := range s.columns {
			slot := s.slot(j)
			d := s.rows.decimals[slot]
			if d == cellBlank {
				continue
			}
			k := blocks[j]
			if row >= s.count || k.done+int64(k.n) >= b.n {
				return nil, errChanged
			}
			if k.counts != nil {
				if d > b.decimals {
					return nil, errChanged
				}
				k.counts[k.n] = int32(s.rows.digits[slot] * pow10i[b.decimals-d])
			} else {
				k.values[k.n] = b.unit.ToSI(s.rows.value(slot))
			}
			if !k.even {
				k.whenF[k.n] = since
				k.when[k.n] = s.counted(t)
			}
			k.n++
			if k.n == size {
				close(j)
				full = true
			}
		}
		if full {
			full = false
			if err := sink.Append(ctx, group...); err != nil {
				return nil, &sinkError{err}
			}
			group = group[:0]
			for _, k := range blocks {
				if k.n == size {
					k.done += int64(k.n)
					k.n = 0
					k.message.BlockIndex++
				}
			}
		}
	}
	for j, k := range blocks {
		if k.done+int64(k.n) != s.columns[j].n {
			return nil, errChanged
		}
		if k.n > 0 {
			close(j)
		}
	}
	if row != s.count {
		return nil, errChanged
	}
	end := &rollcallv1.PullEnd{PullId: s.begin.PullId, CellId: s.begin.CellId, Blocks: uint32(len(sums)), Samples: samples, Checksum: wire.PullChecksum(sums)}
	s.group = group
	return end, nil
}

// counted returns a time as whole counts after the first row.
func (s *samplesReader) counted(t stamp) int64 {
	if !s.exact {
		return 0
	}
	a, ok := widen(t.digits, s.decimals-t.decimals)
	b, ok2 := widen(s.zero.digits, s.decimals-s.zero.decimals)
	if !ok || !ok2 {
		s.exact = false
		return 0
	}
	return a - b
}

// fill makes a block's message of what was gathered.
func (s *samplesReader) fill(b *bound, k *block) {
	if k.counts != nil {
		k.samples.Scale, k.samples.Offset, k.samples.Counts = b.unit.Scale/pow10[b.decimals], b.unit.Offset, k.counts[:k.n]
	} else {
		k.samples.Values = k.values[:k.n]
	}
	if k.even {
		k.uniform.StartS, k.uniform.StepS = b.clock.first+float64(k.done)*k.step, k.step
		k.message.Clock = &rollcallv1.SampleBlock_Uniform{Uniform: &k.uniform}
	} else {
		k.times.Scale, k.times.Offset, k.times.Counts, k.times.Values = 0, 0, nil, nil
		if counts := s.timeCounts(k); counts != nil {
			k.times.Scale, k.times.Offset, k.times.Counts = s.mapping.Samples.Time.unit.Scale/pow10[s.decimals], k.whenF[0], counts
		} else {
			k.times.Values = k.whenF[:k.n]
		}
		k.message.Clock = &rollcallv1.SampleBlock_Times{Times: &k.times}
	}
	k.message.Crc32C = wire.BlockCRC(&k.message)
}

// timeCounts returns a block's times as counts after its first, or nil when
// they do not fit.
func (s *samplesReader) timeCounts(k *block) []int32 {
	if !s.exact || s.decimals > 9 {
		return nil
	}
	for i, t := range k.when[:k.n] {
		t -= k.when[0]
		if t > math.MaxInt32 {
			return nil
		}
		k.whenC[i] = int32(t)
	}
	return k.whenC[:k.n]
}
