package e2e

import (
	"io"
	"net"
	"sync"
	"testing"
)

// link is the wire between the agents and the service: it can be cut and
// restored.
type link struct {
	listener net.Listener
	target   string

	mu    sync.Mutex
	cut   bool
	conns map[net.Conn]bool
}

func newLink(t *testing.T, target string) *link {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	k := &link{listener: l, target: target, conns: map[net.Conn]bool{}}
	go k.accept()
	t.Cleanup(func() { l.Close(); k.Cut() })
	return k
}

func (k *link) Addr() string { return k.listener.Addr().String() }

func (k *link) accept() {
	for {
		from, err := k.listener.Accept()
		if err != nil {
			return
		}
		go k.join(from)
	}
}

// keep notes a connection; it is false while the link is cut.
func (k *link) keep(c net.Conn) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.cut {
		c.Close()
		return false
	}
	k.conns[c] = true
	return true
}

func (k *link) drop(c net.Conn) {
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.conns, c)
	c.Close()
}

func (k *link) join(from net.Conn) {
	if !k.keep(from) {
		return
	}
	defer k.drop(from)
	to, err := net.Dial("tcp", k.target)
	if err != nil || !k.keep(to) {
		return
	}
	defer k.drop(to)
	back := make(chan struct{})
	go func() {
		defer close(back)
		_, _ = io.Copy(from, to)
		from.Close()
	}()
	_, _ = io.Copy(to, from)
	to.Close()
	<-back
}

// Cut breaks every connection and refuses new ones.
func (k *link) Cut() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.cut = true
	for c := range k.conns {
		c.Close()
	}
}

// Restore lets connections through again.
func (k *link) Restore() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.cut = false
}
