package access

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// The people file is made, changed and refused as its commands promise; no
// message repeats a password, a hash or the key.
func TestPeopleFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "people.yaml")
	const password = "four rollers in a row"
	if err := AddPerson(file, "K. Alder", RoleQualityManager, password); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v; want 0600", info.Mode(), err)
	}
	if err := AddPerson(file, "Åsa Brook", RoleViewer, "another long password"); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil || strings.Contains(string(text), password) {
		t.Errorf("the password is in the file: %v", err)
	}
	all, err := ListPeople(file)
	if err != nil || len(all) != 2 || all[0] != (Entry{Name: "K. Alder", Role: RoleQualityManager}) || all[1].Name != "Åsa Brook" {
		t.Errorf("people %v, %v", all, err)
	}
	for _, c := range []struct {
		name string
		err  error
		says string
	}{
		{"again", AddPerson(file, "K. Alder", RoleViewer, password), "there already"},
		{"role", AddPerson(file, "B", "boss", password), "quality-manager"},
		{"short", AddPerson(file, "B", RoleViewer, "short"), "12 or more"},
		{"long", AddPerson(file, "B", RoleViewer, strings.Repeat("x", 73)), "72 at most"},
		{"the name", AddPerson(file, "K. Alder is here", RoleViewer, "k. alder is here"), "is the name"},
		{"no name", AddPerson(file, " ", RoleViewer, password), "is empty"},
		{"line end", AddPerson(file, "a\nb", RoleViewer, password), "do not print"},
		{"nobody's password", SetPassword(file, "B", password), "is not in the file"},
		{"nobody removed", RemovePerson(file, "B"), "is not in the file"},
		{"no file", RemovePerson(file+"x", "B"), "no such file"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.says) || strings.Contains(c.err.Error(), password) {
			t.Errorf("%s: %v, want it to say %q", c.name, c.err, c.says)
		}
	}
	if got, _ := os.ReadFile(file); string(got) != string(text) {
		t.Error("a refused change changed the file")
	}
	if err := RemovePerson(file, "Åsa Brook"); err != nil {
		t.Fatal(err)
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(file), ".people-*")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
	good, _ := os.ReadFile(file)
	for name, bad := range map[string]string{
		"no list": "hello", "unknown key": string(good) + "\nbosses: []", "no key": strings.Replace(string(good), "key:", "key: c2hvcnQ= #", 1),
		"no hash": strings.Replace(string(good), "$2a$", "plain$", 1), "role": strings.Replace(string(good), "quality-manager", "boss", 1),
	} {
		broken := filepath.Join(t.TempDir(), "people.yaml")
		if err := os.WriteFile(broken, []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := OpenPeople(broken)
		if err == nil || !strings.Contains(err.Error(), broken) || strings.Contains(err.Error(), "$12$") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := OpenPeople(file + "x"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	if err := os.Chmod(file, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenPeople(file); err == nil || !strings.Contains(err.Error(), "open to everybody") {
		t.Errorf("a file that everybody reads: %v", err)
	}
	if err := os.Chmod(file, 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenPeople(file); err != nil {
		t.Errorf("a file that a group reads: %v", err)
	}
	if err := RemovePerson(file, "K. Alder"); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o640 {
		t.Errorf("a change changed who may read the file: %v, %v", info.Mode(), err)
	}
	if _, err := OpenPeople(file); err == nil || !strings.Contains(err.Error(), "names nobody") {
		t.Errorf("an empty file: %v", err)
	}
}

// writePeople writes a people file whose hashes cost little.
func writePeople(t *testing.T, file string, people map[string]Role) {
	t.Helper()
	var p peopleFile
	p.Key = base64.StdEncoding.EncodeToString([]byte(strings.Repeat("k", keyBytes)))
	err := changePeople(file, true, func(to *peopleFile) error {
		for name, role := range people {
			hash, err := bcrypt.GenerateFromPassword([]byte("password of "+name), bcrypt.MinCost)
			if err != nil {
				return err
			}
			p.People = append(p.People, Entry{name, role, string(hash)})
		}
		*to = p
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	// A clock's tick may be longer than a test between two changes.
	later := time.Now().Add(time.Duration(len(people)) * time.Second)
	if err := os.Chtimes(file, later, later); err != nil {
		t.Fatal(err)
	}
}

// A session holds for who it is of, on every door with the same file, until its
// time, its owner's signing out, or the file says otherwise.
func TestDoor(t *testing.T) {
	file := filepath.Join(t.TempDir(), "people.yaml")
	writePeople(t, file, map[string]Role{"Ann": RoleViewer, "Ben": RoleQualityManager, "Cas": RoleTechnician})
	people, err := OpenPeople(file)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 6, 29, 9, 0, 0, 0, time.UTC)
	clock := func() time.Time { return now }
	door, other := NewDoor(people, clock), NewDoor(people, clock)
	signIn := func(name string) string {
		t.Helper()
		text, ends, err := door.SignIn(t.Context(), "192.0.2.7:1234", name, "password of "+name)
		if err != nil || !ends.Equal(now.Add(SessionLife)) {
			t.Fatalf("%s: %v, ends %v", name, err, ends)
		}
		return text
	}
	ann, ben, cas := signIn("Ann"), signIn("Ben"), signIn("Cas")
	for _, d := range []*Door{door, other} {
		if id, ends, ok := d.Known(ben); !ok || id.Person != "Ben" || id.Role != RoleQualityManager || id.Loopback || !ends.Equal(now.Add(SessionLife)) {
			t.Errorf("Ben is %v until %v, %v", id, ends, ok)
		}
	}
	if strings.Contains(ben, "password") {
		t.Error("a session tells a password")
	}
	// Nothing of it can be changed.
	body, sum, _ := strings.Cut(ann, ".")
	data, _ := base64.RawURLEncoding.DecodeString(body)
	var s session
	if err := json.Unmarshal(data, &s); err != nil {
		t.Fatal(err)
	}
	s.Role = RoleQualityManager
	data, _ = json.Marshal(s)
	forged := base64.RawURLEncoding.EncodeToString(data) + "." + sum
	for _, bad := range []string{"", ".", forged, ann[:len(ann)-1], ann + "x", body, strings.Repeat("x", 5000)} {
		if id, _, ok := door.Known(bad); ok {
			t.Errorf("%.40q is known as %v", bad, id)
		}
	}
	for _, c := range [][2]string{{"Ann", "password of Ben"}, {"Dan", "password of Dan"}, {"Ann", ""}, {"", ""}} {
		if _, _, err := door.SignIn(t.Context(), "192.0.2.8:1", c[0], c[1]); !errors.Is(err, ErrSignIn) {
			t.Errorf("%q: %v", c, err)
		}
	}
	other.SignOut(cas)
	if _, _, ok := other.Known(cas); ok {
		t.Error("who signed out is known")
	}
	if again := signIn("Cas"); again == cas {
		t.Error("two sessions are the same")
	} else if _, _, ok := other.Known(again); !ok {
		t.Error("who signed out cannot sign in again")
	}
	// Ben has another role and password, Ann is gone, Cas is as before.
	writePeople(t, file, map[string]Role{"Ben": RoleViewer, "Cas": RoleTechnician})
	for text, name := range map[string]string{ben: "Ben", ann: "Ann"} {
		if _, _, ok := door.Known(text); ok {
			t.Errorf("%s is still known", name)
		}
	}
	// A file that cannot be read leaves the last good one in force.
	ben = signIn("Ben")
	if err := os.WriteFile(file, []byte("damaged"), 0o600); err != nil {
		t.Fatal(err)
	}
	if id, _, ok := door.Known(ben); !ok || id.Role != RoleViewer {
		t.Errorf("a damaged file: %v, %v", id, ok)
	}
	now = now.Add(SessionLife)
	if _, _, ok := door.Known(ben); ok {
		t.Error("a session goes on after its time")
	}
	door.SignOut(ben) // of a session that has ended: nothing
}

// After some wrong attempts an address has to wait, and so has a name; what went
// well does not count, and another address is not held up.
func TestDoorAttempts(t *testing.T) {
	file := filepath.Join(t.TempDir(), "people.yaml")
	writePeople(t, file, map[string]Role{"Ann": RoleViewer})
	people, err := OpenPeople(file)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 6, 29, 9, 0, 0, 0, time.UTC)
	door := NewDoor(people, func() time.Time { return now })
	try := func(address, password string) error {
		_, _, err := door.SignIn(t.Context(), address, "Ann", password)
		return err
	}
	for range 30 {
		if err := try("192.0.2.7:1", "password of Ann"); err != nil {
			t.Fatal(err)
		}
	}
	for i := range addressBurst {
		if err := try("192.0.2.7:1", "wrong"); !errors.Is(err, ErrSignIn) {
			t.Fatalf("attempt %d: %v", i, err)
		}
	}
	var many *TooManyError
	if err := try("192.0.2.7:99", "password of Ann"); !errors.As(err, &many) || !errors.Is(err, ErrTooMany) || many.Wait <= 0 || many.Wait > addressPause {
		t.Errorf("after %d wrong attempts: %v", addressBurst, err)
	}
	if err := try("192.0.2.9:1", "password of Ann"); err != nil {
		t.Errorf("another address: %v", err)
	}
	now = now.Add(many.Wait)
	if err := try("192.0.2.7:1", "password of Ann"); err != nil {
		t.Errorf("after the wait: %v", err)
	}
	// One /64 is one address.
	for i := range addressBurst {
		if err := try("[2001:db8::"+string(rune('1'+i))+"]:1", "wrong"); !errors.Is(err, ErrSignIn) {
			t.Fatal(err)
		}
	}
	if err := try("[2001:db8::ffff]:1", "wrong"); !errors.Is(err, ErrTooMany) {
		t.Errorf("the same /64: %v", err)
	}
	// Many addresses at one name.
	refused := 0
	for i := range 40 {
		if errors.Is(try("198.51.100."+string(rune('1'+i%9))+string(rune('0'+i/9))+":1", "wrong"), ErrTooMany) {
			refused++
		}
	}
	if refused < 40-nameBurst {
		t.Errorf("%d of 40 attempts at one name from many addresses were refused", refused)
	}
	// What is remembered stays bounded.
	for i := range 3 * mostLimited {
		door.mu.Lock()
		door.take("address "+string(rune(i+256)), addressBurst, addressPause, now)
		n := len(door.limits)
		door.mu.Unlock()
		if n > mostLimited {
			t.Fatalf("%d are remembered", n)
		}
	}
}

// Without all of its files sign-in is refused; with them the pages' TLS follows a
// renewed certificate.
func TestPagesTLS(t *testing.T) {
	dir := t.TempDir()
	if err := errors.Join(InitCA(dir), IssueServer(dir, []string{"localhost"})); err != nil {
		t.Fatal(err)
	}
	c := PagesConfig{CertFile: filepath.Join(dir, "server.crt"), KeyFile: filepath.Join(dir, "server.key"), PeopleFile: "people.yaml"}
	config, err := PagesTLS(c)
	if err != nil {
		t.Fatal(err)
	}
	now, err := config.GetConfigForClient(nil)
	if err != nil || len(now.Certificates) != 1 || now.ClientAuth != 0 || now.NextProtos[1] != "http/1.1" {
		t.Errorf("%+v, %v", now, err)
	}
	for name, change := range map[string]func(*PagesConfig){"cert_file": func(c *PagesConfig) { c.CertFile = "" }, "key_file": func(c *PagesConfig) { c.KeyFile = "" }, "people_file": func(c *PagesConfig) { c.PeopleFile = "" }} {
		bad := c
		change(&bad)
		if err := bad.Validate(); err == nil || !strings.Contains(err.Error(), name+" is empty") {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := PagesTLS(bad); err == nil {
			t.Errorf("%s is missing and taken", name)
		}
	}
	if _, err := PagesTLS(PagesConfig{}); err == nil {
		t.Error("nothing is configured and taken")
	}
	first := now.Certificates[0].Leaf.SerialNumber
	if err := errors.Join(os.Remove(c.CertFile), os.Remove(c.KeyFile), IssueServer(dir, []string{"localhost"})); err != nil {
		t.Fatal(err)
	}
	later := time.Now().Add(time.Second)
	if err := os.Chtimes(c.CertFile, later, later); err != nil {
		t.Fatal(err)
	}
	if now, err = config.GetConfigForClient(nil); err != nil || now.Certificates[0].Leaf.SerialNumber.Cmp(first) == 0 {
		t.Errorf("the renewed certificate is not served: %v", err)
	}
}
