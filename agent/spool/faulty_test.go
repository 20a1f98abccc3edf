package spool

import (
	"testing"
	"time"

	"go.uber.org/zap"
)

// faulty is a folder in which operations can be made to fail. before is asked
// ahead of each: op is create, openwrite, openread, read, write, sync,
// truncate, reserve, rename, remove, syncdir; n the bytes. An error of type
// short lets a write write that much first.
type faulty struct {
	files
	before func(op, name string, n int) error
	// noSync leaves fsync out, where a test is not about it and would wait for
	// the disk thousands of times.
	noSync bool
}

type short struct {
	n   int
	err error
}

func (s short) Error() string { return s.err.Error() }
func (s short) Unwrap() error { return s.err }

func (f *faulty) ask(op, name string, n int) error {
	if f.before == nil {
		return nil
	}
	return f.before(op, name, n)
}

func (f *faulty) wrap(op, name string, open func(string) (file, error)) (file, error) {
	if err := f.ask(op, name, 0); err != nil {
		return nil, err
	}
	g, err := open(name)
	if err != nil {
		return nil, err
	}
	return &faultyFile{g, f, name}, nil
}

func (f *faulty) create(name string) (file, error) { return f.wrap("create", name, f.files.create) }
func (f *faulty) openWrite(name string) (file, error) {
	return f.wrap("openwrite", name, f.files.openWrite)
}
func (f *faulty) openRead(name string) (file, error) {
	return f.wrap("openread", name, f.files.openRead)
}
func (f *faulty) rename(from, to string) error {
	if err := f.ask("rename", from, 0); err != nil {
		return err
	}
	return f.files.rename(from, to)
}
func (f *faulty) remove(name string) error {
	if err := f.ask("remove", name, 0); err != nil {
		return err
	}
	return f.files.remove(name)
}
func (f *faulty) syncDir() error {
	if err := f.ask("syncdir", "", 0); err != nil {
		return err
	}
	if f.noSync {
		return nil
	}
	return f.files.syncDir()
}

type faultyFile struct {
	file
	f    *faulty
	name string
}

func (g *faultyFile) ReadAt(p []byte, off int64) (int, error) {
	if err := g.f.ask("read", g.name, int(off)); err != nil {
		return 0, err
	}
	return g.file.ReadAt(p, off)
}
func (g *faultyFile) WriteAt(p []byte, off int64) (int, error) {
	if err := g.f.ask("write", g.name, len(p)); err != nil {
		n := 0
		if s, ok := err.(short); ok {
			n, _ = g.file.WriteAt(p[:min(s.n, len(p))], off)
		}
		return n, err
	}
	return g.file.WriteAt(p, off)
}
func (g *faultyFile) Sync() error {
	if err := g.f.ask("sync", g.name, 0); err != nil {
		return err
	}
	if g.f.noSync {
		return nil
	}
	return g.file.Sync()
}
func (g *faultyFile) Truncate(n int64) error {
	if err := g.f.ask("truncate", g.name, int(n)); err != nil {
		return err
	}
	return g.file.Truncate(n)
}
func (g *faultyFile) reserve(off, n int64) error {
	if err := g.f.ask("reserve", g.name, int(n)); err != nil {
		return err
	}
	return g.file.reserve(off, n)
}

func openWith(t testing.TB, c Config, f files) *Spool {
	t.Helper()
	s, err := open(c, f, zap.NewNop(), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// quickOpen is mustOpen without fsync and lock.
func quickOpen(t testing.TB, c Config) *Spool {
	return openWith(t, c, &faulty{files: osFiles{c.Dir}, noSync: true})
}
