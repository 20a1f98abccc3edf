package ingest

import (
	"cmp"
	"container/list"
	"slices"
	"sync"
	"time"

	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// maxRecent bounds how many pulls are remembered, with or without their blocks,
// and maxSums the checksums of blocks remembered: some 10 MB.
const (
	maxRecent = 4096
	maxSums   = 100000
)

// recent remembers what came of the pulls touched last: the checksums of their
// blocks, to know a whole pull from an incomplete one, and as many of the
// blocks themselves as fit, so that the pipeline need not read them back. Only
// what is durable is in it.
type recent struct {
	limit int64 // bytes of blocks

	mu    sync.Mutex
	bytes int64
	sums  int // of all pulls
	pulls map[fleet.PullID]*progress
	order list.List // of *progress, touched last in front
}

// progress is what is known here of one pull.
type progress struct {
	id      fleet.PullID
	begin   *store.PullRow
	end     *store.PullEndRow
	sums    map[blockKey]wire.BlockSum
	blocks  map[blockKey]*store.BlockRow // fewer than sums: dropped, or only summed up
	bytes   int64
	touched time.Time
	asked   bool // the store was asked for an end since the last touch
	place   *list.Element
}

type blockKey struct {
	channel string
	index   uint32
}

// ended is a pull of which something new came, and whose end is known.
type ended struct {
	id    fleet.PullID
	kind  fleet.Kind // 0: not known
	whole bool
}

func newRecent(limit int64) *recent {
	return &recent{limit: limit, pulls: map[fleet.PullID]*progress{}}
}

// add takes in items that are durable now, and returns the pulls among them
// that have their end and of which something came that was not known here:
// each once.
func (r *recent) add(items []*item, now time.Time) []ended {
	r.mu.Lock()
	defer r.mu.Unlock()
	var changed []*progress
	note := func(p *progress) {
		if !slices.Contains(changed, p) {
			changed = append(changed, p)
		}
	}
	for _, it := range items {
		switch {
		case it.block != nil:
			p := r.touch(fleet.PullID(it.block.PullID), now)
			key := blockKey{it.block.Channel, it.block.BlockIndex}
			sum := wire.BlockSum{Channel: fleet.Channel(key.channel), BlockIndex: key.index, CRC: it.block.CRC, Samples: it.block.SampleCount}
			if r.sum(p, key, sum) {
				note(p)
			}
			r.keep(p, key, it.block, it.size)
		case it.pull != nil:
			p := r.touch(fleet.PullID(it.pull.PullID), now)
			if p.begin == nil {
				note(p)
			}
			p.begin = it.pull
		case it.end != nil:
			p := r.touch(fleet.PullID(it.end.PullID), now)
			p.end = it.end
			note(p)
		}
	}
	r.shrink()
	var out []ended
	for _, p := range changed {
		if p.end == nil {
			continue
		}
		e := ended{id: p.id, whole: p.whole()}
		if p.begin != nil {
			e.kind = fleet.Kind(p.begin.Kind)
		}
		out = append(out, e)
	}
	return out
}

// touch returns the progress of a pull, in front of all others.
func (r *recent) touch(id fleet.PullID, now time.Time) *progress {
	p := r.pulls[id]
	if p == nil {
		p = &progress{id: id, sums: map[blockKey]wire.BlockSum{}, blocks: map[blockKey]*store.BlockRow{}}
		p.place = r.order.PushFront(p)
		r.pulls[id] = p
	}
	p.touched, p.asked = now, false
	r.order.MoveToFront(p.place)
	return p
}

// sum notes a block's checksum and says whether it is news.
func (r *recent) sum(p *progress, key blockKey, sum wire.BlockSum) bool {
	before, is := p.sums[key]
	if !is {
		r.sums++
	}
	p.sums[key] = sum
	return before != sum
}

func (r *recent) keep(p *progress, key blockKey, block *store.BlockRow, size int64) {
	if r.limit == 0 {
		return
	}
	if _, is := p.blocks[key]; !is {
		p.bytes += size
		r.bytes += size
	}
	p.blocks[key] = block
}

// shrink drops blocks of the pulls touched longest ago until the rest fits,
// and forgets pulls beyond maxRecent and maxSums, the one in front never.
func (r *recent) shrink() {
	for e := r.order.Back(); e != nil && r.bytes > r.limit; e = e.Prev() {
		p := e.Value.(*progress)
		r.bytes -= p.bytes
		p.bytes = 0
		clear(p.blocks)
	}
	for len(r.pulls) > maxRecent || r.sums > maxSums && len(r.pulls) > 1 {
		p := r.order.Remove(r.order.Back()).(*progress)
		r.bytes -= p.bytes
		r.sums -= len(p.sums)
		delete(r.pulls, p.id)
	}
}

// whole says whether begin, end and all blocks were seen here.
func (p *progress) whole() bool {
	return p.begin != nil && p.end != nil && wire.Missing(endOf(*p.end), p.list()) == ""
}

func (p *progress) list() []wire.BlockSum {
	sums := make([]wire.BlockSum, 0, len(p.sums))
	for _, s := range p.sums {
		sums = append(sums, s)
	}
	return sums
}

func endOf(r store.PullEndRow) wire.End {
	return wire.End{Pull: fleet.PullID(r.PullID), Cell: fleet.CellID(r.CellID), Blocks: r.Blocks, Samples: r.Samples, Checksum: r.Checksum}
}

// whole returns a pull that is here in whole, its blocks by channel and index.
func (r *recent) whole(id fleet.PullID) (*store.RawPull, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	p := r.pulls[id]
	if p == nil || len(p.blocks) != len(p.sums) || !p.whole() {
		return nil, false
	}
	raw := &store.RawPull{Begin: *p.begin, HasBegin: true, End: *p.end, HasEnd: true, Blocks: make([]store.BlockRow, 0, len(p.blocks))}
	for _, b := range p.blocks {
		raw.Blocks = append(raw.Blocks, *b)
	}
	slices.SortFunc(raw.Blocks, func(a, b store.BlockRow) int {
		return cmp.Or(cmp.Compare(a.Channel, b.Channel), cmp.Compare(a.BlockIndex, b.BlockIndex))
	})
	return raw, true
}

// learn takes in what the store has of a pull, so that what comes of it later
// is judged here.
func (r *recent) learn(id fleet.PullID, raw store.RawPull, now time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	p := r.touch(id, now)
	p.asked = true
	if raw.HasBegin {
		p.begin = &raw.Begin
	}
	if raw.HasEnd {
		p.end = &raw.End
	}
	for _, b := range raw.Blocks {
		r.sum(p, blockKey{b.Channel, b.BlockIndex}, b.Block().Sum())
	}
	r.shrink()
}

// quiet returns the pulls without an end that nothing came of for a while, each
// once until something comes again.
func (r *recent) quiet(before time.Time) []fleet.PullID {
	r.mu.Lock()
	defer r.mu.Unlock()
	var ids []fleet.PullID
	for id, p := range r.pulls {
		if p.end == nil && !p.asked && p.touched.Before(before) {
			p.asked = true
			ids = append(ids, id)
		}
	}
	return ids
}
