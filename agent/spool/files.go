package spool

import (
	"errors"
	"io"
	"os"
	"path/filepath"
)

// files is the folder a spool lives in. Names are plain file names. The tests
// put their own in its place, which cut writes, run out of space, fail to sync
// or lose power.
type files interface {
	// list returns the plain files' names.
	list() ([]string, error)
	// create makes a new empty file; it is an error that it exists.
	create(name string) (file, error)
	// openWrite opens an existing file for reading and writing.
	openWrite(name string) (file, error)
	openRead(name string) (file, error)
	rename(from, to string) error
	remove(name string) error
	// syncDir makes created, renamed and removed names durable.
	syncDir() error
}

// file is an open file of a spool's folder.
type file interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
	Sync() error
	Truncate(size int64) error
	size() (int64, error)
	// reserve makes sure there is space for bytes off…off+n without changing
	// the file's size. Where the system cannot it does nothing.
	reserve(off, n int64) error
}

type osFiles struct{ dir string }

func (o osFiles) path(name string) string { return filepath.Join(o.dir, name) }

func (o osFiles) list() ([]string, error) {
	entries, err := os.ReadDir(o.dir)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		if e.Type().IsRegular() {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

func (o osFiles) open(name string, flag int) (file, error) {
	f, err := os.OpenFile(o.path(name), flag, 0o600)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

func (o osFiles) create(name string) (file, error) {
	return o.open(name, os.O_RDWR|os.O_CREATE|os.O_EXCL)
}
func (o osFiles) openWrite(name string) (file, error) { return o.open(name, os.O_RDWR) }
func (o osFiles) openRead(name string) (file, error)  { return o.open(name, os.O_RDONLY) }
func (o osFiles) rename(from, to string) error        { return os.Rename(o.path(from), o.path(to)) }
func (o osFiles) remove(name string) error            { return os.Remove(o.path(name)) }
func (o osFiles) syncDir() error                      { return SyncDir(o.dir) }

type osFile struct{ *os.File }

func (f osFile) size() (int64, error) {
	i, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return i.Size(), nil
}

func (f osFile) reserve(off, n int64) error { return reserve(f.File, off, n) }

// writeWhole replaces a file so that after a crash it is the old or the new
// one: temporary file, fsync, rename, fsync of the folder.
func writeWhole(fs files, name string, data []byte) error {
	temporary := name + ".tmp"
	if err := fs.remove(temporary); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	f, err := fs.create(temporary)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(data, 0)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = fs.rename(temporary, name)
	}
	if err != nil {
		_ = fs.remove(temporary)
		return err
	}
	return fs.syncDir()
}

// WriteFile replaces the file at path whole: after a crash it is the old or
// the new one, never a part (on Windows: as far as a rename is).
func WriteFile(path string, data []byte) error {
	return writeWhole(osFiles{filepath.Dir(path)}, filepath.Base(path), data)
}

// readWhole reads a small file.
func readWhole(fs files, name string, most int64) ([]byte, error) {
	f, err := fs.openRead(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	n, err := f.size()
	if err != nil {
		return nil, err
	}
	if n > most {
		return nil, errors.New("file is too large")
	}
	data := make([]byte, n)
	if got, err := f.ReadAt(data, 0); int64(got) < n {
		return nil, err
	}
	return data, nil
}
