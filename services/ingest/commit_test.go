package ingest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/rpc"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// fakeStore is a Store whose Append does what the test says; ReadPull finds
// nothing.
type fakeStore struct {
	append func(store.Batch) error
}

func (f fakeStore) Append(_ context.Context, b store.Batch) error { return f.append(b) }

func (f fakeStore) ReadPull(context.Context, fleet.PullID) (store.RawPull, error) {
	return store.RawPull{}, nil
}

// One message the store cannot take is answered INTERNAL with an id that is in
// the log; its neighbours in the same commit are stored.
func TestOneBadMessage(t *testing.T) {
	checkLeaks(t)
	bad := hashOf("bad")
	var mu sync.Mutex
	stored := map[string]int{}
	s := start(t, fakeStore{func(b store.Batch) error {
		for _, r := range b.Blocks {
			if r.PullID == bad {
				return errors.New("secret of the database")
			}
		}
		mu.Lock()
		defer mu.Unlock()
		for _, r := range b.Blocks {
			stored[r.PullID]++
		}
		return nil
	}}, nil)
	a := greet(t, s.address, "north-1")
	var messages []*pb.StreamRequest
	for i, name := range []string{"a", "b", "bad", "c", "d"} {
		m := pullMessages(name, "north-1", 1, 1)[1]
		m.Sequence = uint64(i + 1)
		messages = append(messages, m)
	}
	for i, answer := range a.send(messages...) {
		if i != 2 {
			if answer.Code != pb.Code_CODE_OK {
				t.Errorf("a good neighbour: %v", answer)
			}
			continue
		}
		logged := s.logs.FilterMessage("store refused a message").All()
		if answer.Code != pb.Code_CODE_INTERNAL || len(logged) != 1 || !strings.Contains(answer.Reason, fmt.Sprint(logged[0].ContextMap()["error_id"])) ||
			strings.Contains(answer.Reason, "secret") {
			t.Errorf("the bad one: %v, log %v", answer, logged)
		}
	}
	for _, name := range []string{"a", "b", "c", "d"} {
		if stored[hashOf(name)] == 0 {
			t.Errorf("%s is not stored", name)
		}
	}
}

// When the store does not keep up, the server takes in no more than its queue
// holds and one message for each stream; everything goes through in the end.
func TestBackpressure(t *testing.T) {
	checkLeaks(t)
	release := make(chan struct{})
	s := start(t, fakeStore{func(b store.Batch) error {
		if len(b.Blocks) > 0 {
			<-release
		}
		return nil
	}}, func(c *Config, _ *rpc.Config) { c.QueueBytes, c.BatchBytes, c.Committers = 20000, 10000, 1 })
	const n = 200
	block := pullMessages("x", "north-1", 1, 1)[1]
	size := int64(rowSize + 4*100)
	a := greet(t, s.address, "north-1")
	sent := make(chan error, 1)
	go func() {
		for i := range n {
			m := &pb.StreamRequest{Sequence: uint64(i + 1), Body: block.Body}
			if err := a.stream.Send(m); err != nil {
				sent <- err
				return
			}
		}
		sent <- nil
	}()
	// The queue fills up and then stays so: nothing more fits.
	deadline := time.Now().Add(patience)
	for s.room.TryAcquire(size) {
		s.room.Release(size)
		if time.Now().After(deadline) {
			t.Fatal("the queue does not fill up")
		}
		time.Sleep(time.Millisecond)
	}
	close(release)
	for i := range n {
		answer, err := a.stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if answer.Code != pb.Code_CODE_OK || answer.Id != uint64(i+1) {
			t.Fatalf("answer %d: %v", i+1, answer)
		}
	}
	if err := <-sent; err != nil {
		t.Error(err)
	}
	// All room is given back.
	if !s.room.TryAcquire(s.config.QueueBytes) {
		t.Error("room is lost")
	}
}

// The end of a pull is appended only after every commit before it has ended,
// while the rest of its commit need not wait.
func TestEndWaitsForBlocks(t *testing.T) {
	checkLeaks(t)
	release, appended := make(chan struct{}), make(chan string, 10)
	s, err := New(DefaultConfig(), fakeStore{func(b store.Batch) error {
		switch {
		case len(b.Blocks) > 0:
			<-release
			appended <- "block"
		case len(b.Checks) > 0 && len(b.Ends) == 0:
			appended <- "check"
		case len(b.Ends) > 0 && len(b.Checks) == 0:
			appended <- "end"
		default:
			appended <- fmt.Sprintf("%+v", b)
		}
		return nil
	}}, registry, zap.NewNop(), prometheus.NewRegistry())
	if err != nil {
		t.Fatal(err)
	}
	done := func() chan struct{} { return make(chan struct{}) }
	none := done()
	close(none)
	first := &batch{items: []*item{{block: &store.BlockRow{}, done: done()}}, earlier: none, done: done()}
	second := &batch{items: []*item{{end: &store.PullEndRow{}, done: done()}, {check: &store.CheckRow{}, done: done()}}, earlier: first.done, done: done()}
	go s.commit(first)
	go s.commit(second)
	if got := <-appended; got != "check" {
		t.Fatalf("first appended: %s", got)
	}
	select {
	case <-second.items[1].done:
		t.Error("the check was answered before its commit was over")
	default:
	}
	close(release)
	if got := []string{<-appended, <-appended}; !slices.Equal(got, []string{"block", "end"}) {
		t.Errorf("then appended: %v", got)
	}
	<-second.done
}

func TestConfigValidate(t *testing.T) {
	if err := DefaultConfig().Validate(); err != nil {
		t.Error(err)
	}
	err := Config{RecentBytes: -1, Linger: -1}.Validate()
	for _, key := range []string{"batch_bytes", "linger", "committers", "commit_timeout", "recent_bytes", "retry_after", "clock_tolerance", "ahead"} {
		if err == nil || !strings.Contains(err.Error(), key) {
			t.Errorf("%s is not told: %v", key, err)
		}
	}
}

// Blocks are dropped from the pull touched longest ago; what is left is never
// half a pull.
func TestRecentIsBounded(t *testing.T) {
	r := newRecent(10000)
	now := time.Now()
	add := func(name string, n int) {
		var items []*item
		for i := range n {
			items = append(items, &item{size: 1000, block: &store.BlockRow{PullID: name, Channel: "load_cell", BlockIndex: uint32(i), SampleCount: 1}})
		}
		items = append(items, &item{pull: &store.PullRow{PullID: name, Kind: 1}})
		items = append(items, &item{end: endRow(name, items)})
		if got := r.add(items, now); len(got) != 1 || !got[0].whole || got[0].kind != fleet.KindPull {
			t.Fatalf("%s: %+v", name, got)
		}
	}
	add("a", 5)
	add("b", 5)
	if _, is := r.whole("a"); !is {
		t.Error("a was dropped too early")
	}
	add("c", 1)
	_, a := r.whole("a")
	_, b := r.whole("b")
	_, c := r.whole("c")
	if a || !b || !c {
		t.Errorf("a %v, b %v, c %v", a, b, c)
	}
	// A block of a dropped pull, sent again, does not make it whole.
	r.add([]*item{{size: 1000, block: &store.BlockRow{PullID: "a", Channel: "load_cell", SampleCount: 1}}}, now)
	if raw, is := r.whole("a"); is {
		t.Errorf("half a pull: %+v", raw)
	}
	add("large", 11)
	if _, is := r.whole("large"); is || r.bytes > r.limit {
		t.Errorf("%d bytes kept, limit %d", r.bytes, r.limit)
	}
	for i := range maxRecent + 10 {
		add(fmt.Sprint("many ", i), 1)
	}
	if len(r.pulls) > maxRecent || r.order.Len() != len(r.pulls) {
		t.Errorf("%d pulls remembered, %d in order", len(r.pulls), r.order.Len())
	}
	add("sums", maxSums+1)
	sums := 0
	for _, p := range r.pulls {
		sums += len(p.sums)
	}
	if len(r.pulls) != 1 || sums != r.sums {
		t.Errorf("%d pulls with %d sums, counted %d", len(r.pulls), sums, r.sums)
	}
}

func endRow(name string, items []*item) *store.PullEndRow {
	row := store.PullEndRow{PullID: name}
	p := newRecent(0)
	p.add(items, time.Time{})
	sums := p.pulls[fleet.PullID(name)].list()
	end := wire.NewEnd(fleet.PullID(name), "", sums)
	row.Blocks, row.Samples, row.Checksum = end.Blocks, end.Samples, end.Checksum
	return &row
}
