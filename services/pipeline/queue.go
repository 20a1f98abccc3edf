package pipeline

import "sync"

// queue holds ids in the order they came, each once. Its zero value is empty
// and ready; its methods may be called from any goroutine.
type queue[T comparable] struct {
	mu    sync.Mutex
	order []T
	has   map[T]bool
}

// add puts an id at the end unless it is waiting already.
func (q *queue[T]) add(id T) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.has[id] {
		return
	}
	if q.has == nil {
		q.has = map[T]bool{}
	}
	q.has[id] = true
	q.order = append(q.order, id)
}

// take removes and returns up to n ids from the front.
func (q *queue[T]) take(n int) []T {
	q.mu.Lock()
	defer q.mu.Unlock()
	n = min(n, len(q.order))
	out := make([]T, n)
	copy(out, q.order)
	q.order = q.order[n:]
	if len(q.order) == 0 {
		q.order = nil
	}
	for _, id := range out {
		delete(q.has, id)
	}
	return out
}

func (q *queue[T]) len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.order)
}
