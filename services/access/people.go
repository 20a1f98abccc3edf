package access

import (
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"golang.org/x/crypto/bcrypt"
)

// Entry is somebody who may sign in to the pages.
type Entry struct {
	Name string `yaml:"name"`
	Role Role   `yaml:"role"`
	// Password is its bcrypt hash.
	Password string `yaml:"password"`
}

// peopleFile is what a people file holds. Key signs the sessions of all replicas
// that read the file.
type peopleFile struct {
	Key    string  `yaml:"key"`
	People []Entry `yaml:"people"`
}

// Bounds of passwords. LeastPassword is common practice, no source; MostPassword
// is what bcrypt takes into account, in bytes (golang.org/x/crypto/bcrypt).
const (
	LeastPassword = 12
	MostPassword  = 72
)

// bcryptCost makes one attempt cost some tenths of a second; common practice, no
// source. Tests make it cheap.
var bcryptCost = 12

// keyBytes is the length of the key that signs sessions.
const keyBytes = 32

const peopleHead = "# Who may sign in to the pages; written by `rollcall people`. Keep it readable by\n# the service only: whoever has the key can make sessions.\n"

// ErrNoPerson: the file names nobody of that name.
var ErrNoPerson = errors.New("is not in the file")

// errPeople says what is wrong with a people file.
func errPeople(file, format string, args ...any) error {
	return fmt.Errorf("people file %s: %s", file, fmt.Sprintf(format, args...))
}

// readPeople reads a people file whole. It returns an error that wraps
// fs.ErrNotExist where there is none.
func readPeople(file string) (peopleFile, []byte, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return peopleFile{}, nil, fmt.Errorf("read the people file: %w", err)
	}
	var p peopleFile
	if err := yaml.UnmarshalWithOptions(data, &p, yaml.Strict()); err != nil {
		// The library's text quotes the file, which holds the key.
		return peopleFile{}, nil, errPeople(file, "is no list of people; make it with `rollcall people add`")
	}
	key, err := base64.StdEncoding.DecodeString(p.Key)
	if err != nil || len(key) != keyBytes {
		return peopleFile{}, nil, errPeople(file, "has no key, or one that is damaged; make the file anew with `rollcall people add`")
	}
	seen := map[string]bool{}
	for _, e := range p.People {
		if err := checkName(e.Name); err != nil {
			return peopleFile{}, nil, errPeople(file, "%v", err)
		}
		if seen[e.Name] {
			return peopleFile{}, nil, errPeople(file, "%q is there twice; remove one", e.Name)
		}
		seen[e.Name] = true
		if !slices.Contains(Roles, e.Role) {
			return peopleFile{}, nil, errPeople(file, "%q has the role %q; it has to be one of %v", e.Name, e.Role, Roles)
		}
		if _, err := bcrypt.Cost([]byte(e.Password)); err != nil {
			return peopleFile{}, nil, errPeople(file, "the password of %q is no bcrypt hash; set it with `rollcall people password`", e.Name)
		}
	}
	return p, data, nil
}

// checkName says what is wrong with a person's name.
func checkName(name string) error {
	switch {
	case strings.TrimSpace(name) == "":
		return errors.New("a person's name is empty")
	case name != strings.TrimSpace(name) || !utf8.ValidString(name) || strings.ContainsFunc(name, unicode.IsControl):
		return fmt.Errorf("the name %q has spaces around it or signs that do not print; write it plainly", name)
	case utf8.RuneCountInString(name) > 100:
		return fmt.Errorf("the name %.20q… has more than 100 signs", name)
	}
	return nil
}

// checkPassword says what is wrong with a password that is to be set.
func checkPassword(name, password string) error {
	switch {
	case utf8.RuneCountInString(password) < LeastPassword:
		return fmt.Errorf("the password has %d signs; use %d or more, as some words in a row", utf8.RuneCountInString(password), LeastPassword)
	case len(password) > MostPassword:
		return fmt.Errorf("the password has %d bytes; bcrypt takes %d at most", len(password), MostPassword)
	case strings.EqualFold(password, name):
		return errors.New("the password is the name; choose another")
	}
	return nil
}

// changePeople changes a people file, made where there is none and missing is
// true. It is written beside and then renamed, so that a reader sees the old or
// the new one.
func changePeople(file string, missing bool, change func(*peopleFile) error) error {
	p, _, err := readPeople(file)
	if errors.Is(err, fs.ErrNotExist) && missing {
		key := make([]byte, keyBytes)
		if _, err := rand.Read(key); err != nil {
			return fmt.Errorf("make a key: %w", err)
		}
		p, err = peopleFile{Key: base64.StdEncoding.EncodeToString(key)}, nil
	}
	if err != nil {
		return err
	}
	if err := change(&p); err != nil {
		return err
	}
	slices.SortFunc(p.People, func(a, b Entry) int { return strings.Compare(a.Name, b.Name) })
	text, err := yaml.Marshal(p)
	if err != nil {
		return fmt.Errorf("write the people file: %w", err)
	}
	f, err := os.CreateTemp(filepath.Dir(file), ".people-*") // mode 0600
	if err != nil {
		return fmt.Errorf("write the people file: %w", err)
	}
	_, err = f.WriteString(peopleHead + string(text))
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		// Who may read the file stays as it was set.
		if info, old := os.Stat(file); old == nil {
			err = os.Chmod(f.Name(), info.Mode().Perm())
		}
	}
	if err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("write the people file: %w", err), os.Remove(f.Name()))
	}
	return nil
}

// AddPerson adds somebody to a people file, which is made where there is none.
func AddPerson(file, name string, role Role, password string) error {
	if err := errors.Join(checkName(name), checkPassword(name, password)); err != nil {
		return err
	}
	if !slices.Contains(Roles, role) {
		return fmt.Errorf("role %q is not known; it is one of %v", role, Roles)
	}
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcryptCost)
	if err != nil {
		return fmt.Errorf("hash the password: %w", err)
	}
	return changePeople(file, true, func(p *peopleFile) error {
		if slices.ContainsFunc(p.People, func(e Entry) bool { return e.Name == name }) {
			return errPeople(file, "%q is there already; change the password with `rollcall people password`, or remove them first", name)
		}
		p.People = append(p.People, Entry{name, role, string(hash)})
		return nil
	})
}

// SetPassword sets somebody's password, which ends their sessions.
func SetPassword(file, name, password string) error {
	if err := checkPassword(name, password); err != nil {
		return err
	}
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcryptCost)
	if err != nil {
		return fmt.Errorf("hash the password: %w", err)
	}
	return changePeople(file, false, func(p *peopleFile) error {
		i := slices.IndexFunc(p.People, func(e Entry) bool { return e.Name == name })
		if i < 0 {
			return fmt.Errorf("people file %s: %q %w", file, name, ErrNoPerson)
		}
		p.People[i].Password = string(hash)
		return nil
	})
}

// RemovePerson takes somebody out of a people file, which ends their sessions.
func RemovePerson(file, name string) error {
	return changePeople(file, false, func(p *peopleFile) error {
		n := len(p.People)
		p.People = slices.DeleteFunc(p.People, func(e Entry) bool { return e.Name == name })
		if len(p.People) == n {
			return fmt.Errorf("people file %s: %q %w", file, name, ErrNoPerson)
		}
		return nil
	})
}

// ListPeople returns who is in a people file, by name, without their passwords.
func ListPeople(file string) ([]Entry, error) {
	p, _, err := readPeople(file)
	for i := range p.People {
		p.People[i].Password = ""
	}
	return p.People, err
}

// People is a people file as it is now: it is read again when it changes. A file
// that cannot be read then leaves the last good one in force.
type People struct {
	file string

	mu    sync.Mutex
	stamp stamp
	key   []byte
	all   map[string]Entry
}

// OpenPeople reads a people file.
func OpenPeople(file string) (*People, error) {
	p := &People{file: file}
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.read(); err != nil {
		return nil, err
	}
	if len(p.all) == 0 {
		return nil, errPeople(file, "names nobody; add somebody with `rollcall people add`")
	}
	return p, nil
}

func (p *People) read() error {
	info, err := os.Stat(p.file)
	if err != nil {
		return fmt.Errorf("read the people file: %w", err)
	}
	if mode := info.Mode().Perm(); mode&0o007 != 0 {
		return errPeople(p.file, "is open to everybody on the machine (mode %#o), and the key that makes sessions is in it; chmod o= it", mode)
	}
	f, _, err := readPeople(p.file)
	if err != nil {
		return err
	}
	all := map[string]Entry{}
	for _, e := range f.People {
		all[e.Name] = e
	}
	p.stamp, p.all = stamp{info.ModTime(), info.Size()}, all
	p.key, _ = base64.StdEncoding.DecodeString(f.Key) // readPeople has looked
	return nil
}

// now returns the key and the people as they are.
func (p *People) now() ([]byte, map[string]Entry) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if info, err := os.Stat(p.file); err == nil && (stamp{info.ModTime(), info.Size()}) != p.stamp {
		_ = p.read()
	}
	return p.key, p.all
}

// nobody's hash: an attempt on a name that is not there takes as long as one on
// a name that is.
var nobodyHash = sync.OnceValue(func() []byte {
	h, _ := bcrypt.GenerateFromPassword([]byte("nobody at all"), bcryptCost)
	return h
})

// check says whether somebody of the name has the password.
func (p *People) check(name, password string) (Entry, bool) {
	_, all := p.now()
	e, known := all[name]
	hash := []byte(e.Password)
	if !known {
		hash = nobodyHash()
	}
	return e, bcrypt.CompareHashAndPassword(hash, []byte(password)) == nil && known
}
