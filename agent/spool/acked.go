package spool

import "sort"

// span is a closed range of sequence numbers.
type span struct{ from, to uint64 }

func (s span) len() uint64 { return s.to - s.from + 1 }

// ackedSet is what has been acknowledged: everything up to prefix, and spans
// beyond it, sorted, apart from each other by at least one number.
type ackedSet struct {
	prefix uint64
	spans  []span
	beyond uint64 // numbers in spans
}

// add marks from…to.
func (a *ackedSet) add(from, to uint64) {
	if from <= a.prefix {
		from = a.prefix + 1
	}
	if to < from {
		return
	}
	// i: first span that touches or follows from; j: first one clear of to.
	i := sort.Search(len(a.spans), func(k int) bool { return a.spans[k].to+1 >= from })
	j := i
	for ; j < len(a.spans) && a.spans[j].from <= to+1; j++ {
		from, to = min(from, a.spans[j].from), max(to, a.spans[j].to)
		a.beyond -= a.spans[j].len()
	}
	if from == a.prefix+1 {
		a.prefix = to
		a.spans = append(a.spans[:0], a.spans[j:]...)
		return
	}
	a.beyond += to - from + 1
	if i == j {
		a.spans = append(a.spans, span{})
		copy(a.spans[i+1:], a.spans[i:])
	} else {
		a.spans = append(a.spans[:i+1], a.spans[j:]...)
	}
	a.spans[i] = span{from, to}
}

// has says whether all of from…to is marked.
func (a *ackedSet) has(from, to uint64) bool {
	if to <= a.prefix {
		return true
	}
	from = max(from, a.prefix+1)
	i := sort.Search(len(a.spans), func(k int) bool { return a.spans[k].to >= from })
	return i < len(a.spans) && a.spans[i].from <= from && to <= a.spans[i].to
}
