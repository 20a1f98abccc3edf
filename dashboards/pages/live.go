package pages

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"sync"
	"time"

	"go.uber.org/zap"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/show"
)

// underWay is a pull that runs, in words.
type underWay struct {
	PullId, CellId, Cell, Words string
}

// underWayOf returns what has begun and is not computed.
func underWayOf(pulls []*rollcallv1.PullUnderWay, cells []*rollcallv1.CellStatus) []underWay {
	names := map[string]string{}
	for _, c := range cells {
		names[c.GetCellId()] = nameOf(c)
	}
	var out []underWay
	for _, p := range pulls {
		u := underWay{PullId: p.GetPullId(), CellId: p.GetCellId(), Cell: cmp.Or(names[p.GetCellId()], p.GetCellId())}
		u.Words = p.GetKind()
		if car := cmp.Or(p.GetCarId(), p.GetCustomerCar()); car != "" {
			u.Words += " of " + show.Clean(car)
		}
		switch {
		case p.GetEnded():
			u.Words += ", all of it is here and is being computed"
		case p.GetBlocks() == 0:
			u.Words += ", announced"
		default:
			u.Words += fmt.Sprintf(", %.1f s recorded so far in %s of samples", p.GetRecordedS(), show.Count(int(p.GetBlocks()), "block", "blocks"))
		}
		out = append(out, u)
	}
	return out
}

// mostWatching bounds how many browsers are told live at once.
const mostWatching = 200

// watch looks for what is under way while somebody watches, once for all of them.
type watch struct {
	look func(context.Context) ([]byte, error)

	mu      sync.Mutex
	readers map[chan []byte]bool
	last    []byte
	stop    context.CancelFunc
}

// join returns a channel that has the newest state, now and whenever it changes;
// nil: too many watch already.
func (w *watch) join(every time.Duration, log *zap.Logger) chan []byte {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.readers) >= mostWatching {
		return nil
	}
	if w.readers == nil {
		w.readers = map[chan []byte]bool{}
	}
	c := make(chan []byte, 1)
	w.readers[c] = true
	if len(w.readers) == 1 {
		// This machine's own right to read, for all who watch have it too.
		ctx, cancel := context.WithCancel(access.NewContext(context.Background(), access.Identity{Loopback: true}))
		w.stop, w.last = cancel, nil
		go w.run(ctx, every, log)
	} else if w.last != nil {
		c <- w.last
	}
	return c
}

func (w *watch) leave(c chan []byte) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.readers, c)
	if len(w.readers) == 0 {
		w.stop()
	}
}

func (w *watch) run(ctx context.Context, every time.Duration, log *zap.Logger) {
	again := time.NewTicker(every)
	defer again.Stop()
	for {
		now, err := w.look(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			log.Warn("what is under way cannot be read", zap.Error(err))
		default:
			w.tell(ctx, now)
		}
		select {
		case <-ctx.Done():
			return
		case <-again.C:
		}
	}
}

// tell gives every reader the newest state where it is news.
func (w *watch) tell(ctx context.Context, now []byte) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if ctx.Err() != nil || w.last != nil && string(w.last) == string(now) {
		return
	}
	w.last = now
	for c := range w.readers {
		select {
		case <-c: // what was not taken is old
		default:
		}
		c <- now
	}
}

// look returns what is under way as an event's data.
func (h *handler) look(ctx context.Context) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, h.Timeout)
	defer cancel()
	r, err := h.fleet.ListUnderWay(ctx, &rollcallv1.ListUnderWayRequest{})
	if err != nil {
		return nil, err
	}
	var cells []*rollcallv1.CellStatus
	if len(r.GetPulls()) > 0 {
		all, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{})
		if err != nil {
			return nil, err
		}
		cells = all.GetCells()
	}
	type event struct {
		Pull  string `json:"pull"`
		Cell  string `json:"cell"`
		Name  string `json:"name"`
		Words string `json:"words"`
	}
	events := []event{}
	for _, u := range underWayOf(r.GetPulls(), cells) {
		events = append(events, event{u.PullId, u.CellId, u.Cell, u.Words})
	}
	return json.Marshal(struct {
		UnderWay []event   `json:"under_way"`
		Work     *progress `json:"work,omitempty"`
	}{events, h.working.now()})
}

// live tells a browser what is under way, as server-sent events (HTML Living
// Standard, section 9.2).
func (h *handler) live(w http.ResponseWriter, r *http.Request) {
	c := h.watch.join(h.Poll, h.Log)
	if c == nil {
		w.Header().Set("Retry-After", "60")
		http.Error(w, "Too many browsers watch already; open the page again to see what is new.", http.StatusServiceUnavailable)
		return
	}
	defer h.watch.leave(c)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	control := http.NewResponseController(w)
	send := func(text string) bool {
		_ = control.SetWriteDeadline(time.Now().Add(20 * time.Second))
		if _, err := w.Write([]byte(text)); err != nil {
			return false
		}
		return control.Flush() == nil
	}
	if !send("retry: 5000\n\n") {
		return
	}
	alive := time.NewTicker(25 * time.Second)
	defer alive.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-h.Closing:
			return
		case state := <-c:
			if !send("event: state\ndata: " + string(state) + "\n\n") {
				return
			}
		case <-alive.C:
			if !send(": still here\n\n") {
				return
			}
		}
	}
}

// progress is how far long work is.
type progress struct {
	Stage   string `json:"stage"`
	Done    uint64 `json:"done"`
	Total   uint64 `json:"total"`
	Running bool   `json:"running"`
	Outcome string `json:"outcome,omitempty"` // once it ended
}

// Percent is the share of the stage that is done.
func (p progress) Percent() int {
	if p.Total == 0 {
		return 0
	}
	return int(100 * min(p.Done, p.Total) / p.Total)
}

// working is long work that was begun on a page: one at a time.
type working struct {
	mu     sync.Mutex
	state  *progress
	cancel context.CancelFunc
}

func (w *working) now() *progress {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.state == nil {
		return nil
	}
	p := *w.state
	return &p
}

// begin runs work, unless some runs already, and reports whether it did.
func (w *working) begin(ctx context.Context, work func(context.Context, func(stage string, done, total uint64) error) error, log *zap.Logger) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.state != nil && w.state.Running {
		return false
	}
	ctx, cancel := context.WithCancel(ctx)
	w.state, w.cancel = &progress{Stage: "begun", Running: true}, cancel
	go func() {
		defer cancel()
		err := work(ctx, func(stage string, done, total uint64) error {
			w.mu.Lock()
			defer w.mu.Unlock()
			w.state.Stage, w.state.Done, w.state.Total = stage, done, total
			return ctx.Err()
		})
		w.mu.Lock()
		defer w.mu.Unlock()
		w.state.Running = false
		switch {
		case ctx.Err() != nil:
			w.state.Outcome = "cancelled; what was not computed anew follows by itself within minutes"
		case err != nil:
			w.state.Outcome = "failed; the service's log says why"
			log.Error("recompute failed", zap.Error(err))
		default:
			w.state.Outcome = "done"
		}
	}()
	return true
}

func (w *working) stop() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.cancel != nil {
		w.cancel()
	}
}

// recomputePage is the data of the page of long work.
type recomputePage struct {
	Progress  *progress
	MayChange bool
	Wrong     string
	Token     string
}

func (p recomputePage) seal(token string) any {
	p.Token = token
	return p
}

func (h *handler) showRecompute(ctx context.Context, _ *http.Request) (answer, error) {
	if h.Recompute == nil {
		return answer{}, errNoPage
	}
	return answer{page: "recompute", title: "Recompute", data: recomputePage{Progress: h.working.now(), MayChange: offersChange(ctx)}, scripts: []string{"/page.js"}}, nil
}

// changeRecompute begins to compute everything anew, or cancels it.
func (h *handler) changeRecompute(w http.ResponseWriter, r *http.Request) {
	if h.Recompute == nil {
		h.write(w, r, answer{}, errNoPage)
		return
	}
	if !h.form(w, r) {
		return
	}
	if err := mayChange(r); err != nil {
		h.write(w, r, answer{}, err)
		return
	}
	if r.PostForm.Get("do") == "cancel" {
		h.working.stop()
	} else if !h.working.begin(context.WithoutCancel(r.Context()), h.Recompute, h.Log) {
		h.write(w, r, answer{page: "recompute", title: "Recompute", code: http.StatusConflict, data: recomputePage{Progress: h.working.now(), MayChange: true, Wrong: "It runs already; one at a time."}, scripts: []string{"/page.js"}}, nil)
		return
	}
	http.Redirect(w, r, "/recompute", http.StatusSeeOther)
}
