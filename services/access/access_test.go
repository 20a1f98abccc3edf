package access

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"

	"rollcall/services/fleet"
	"rollcall/services/wire"
)

func readCert(t *testing.T, file string) *x509.Certificate {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	block, rest := pem.Decode(data)
	if block == nil || len(rest) > 0 {
		t.Fatalf("%s is not one PEM block", file)
	}
	cert, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	return cert
}

// authority makes an authority with a certificate of each kind.
func authority(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "certs")
	for _, err := range []error{
		InitCA(dir), IssueServer(dir, []string{"localhost", "127.0.0.1"}), IssueCell(dir, "north-1"),
		IssuePerson(dir, "Zoë O'Neil, Ltd.", RoleQualityManager), IssuePerson(dir, "viv", RoleViewer),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestIssuedCertificates(t *testing.T) {
	dir := authority(t)
	roots := x509.NewCertPool()
	roots.AddCert(readCert(t, filepath.Join(dir, "ca.crt")))
	for _, c := range []struct {
		file  string
		usage x509.ExtKeyUsage
		want  Identity
	}{
		{"cell-north-1", x509.ExtKeyUsageClientAuth, Identity{Cells: []fleet.CellID{"north-1"}}},
		{"person-Zo--O-Neil--Ltd.", x509.ExtKeyUsageClientAuth, Identity{Person: "Zoë O'Neil, Ltd.", Role: RoleQualityManager}},
		{"person-viv", x509.ExtKeyUsageClientAuth, Identity{Person: "viv", Role: RoleViewer}},
		{"server", x509.ExtKeyUsageServerAuth, Identity{}},
	} {
		t.Run(c.file, func(t *testing.T) {
			cert := readCert(t, filepath.Join(dir, c.file+".crt"))
			if _, err := cert.Verify(x509.VerifyOptions{Roots: roots, KeyUsages: []x509.ExtKeyUsage{c.usage}}); err != nil {
				t.Error(err)
			}
			info, err := os.Stat(filepath.Join(dir, c.file+".key"))
			if err != nil || info.Mode().Perm() != 0o600 {
				t.Errorf("key: %v, %v", info.Mode(), err)
			}
			got, err := FromCertificate(cert)
			if c.file == "server" {
				if !errors.Is(err, ErrUnauthenticated) || cert.VerifyHostname("127.0.0.1") != nil || cert.VerifyHostname("localhost") != nil {
					t.Errorf("server certificate: %v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// Nothing is ever overwritten: neither keys nor certificates change.
func TestNeverOverwrites(t *testing.T) {
	dir := authority(t)
	before := contents(t, dir)
	for name, err := range map[string]error{
		"authority": InitCA(dir), "server": IssueServer(dir, []string{"other"}), "cell": IssueCell(dir, "north-1"), "person": IssuePerson(dir, "viv", RoleTechnician),
	} {
		if !errors.Is(err, ErrExists) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if diff := cmp.Diff(before, contents(t, dir)); diff != "" {
		t.Error(diff)
	}
	// One of the two files is enough to refuse, and the other is not made.
	if err := os.Remove(filepath.Join(dir, "server.key")); err != nil {
		t.Fatal(err)
	}
	if err := IssueServer(dir, []string{"other"}); !errors.Is(err, ErrExists) {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "server.key")); !os.IsNotExist(err) {
		t.Errorf("server.key: %v", err)
	}
}

func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		all[f] = string(data)
	}
	return all
}

func TestIssueRefuses(t *testing.T) {
	dir := authority(t)
	for name, err := range map[string]error{
		"no hosts": IssueServer(dir, nil), "host with port": IssueServer(dir, []string{"a:1"}), "cell id": IssueCell(dir, "../x"),
		"no name": IssuePerson(dir, " ", RoleViewer), "role": IssuePerson(dir, "ann", "king"),
		"no authority": IssueCell(t.TempDir(), "north-1"),
	} {
		if err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestFromCertificate(t *testing.T) {
	for _, c := range []struct {
		name string
		uris []string
		want Identity
		says string
	}{
		{"as the agent looks for it", []string{wire.CellURI("a")}, Identity{Cells: []fleet.CellID{"a"}}, ""},
		{"two cells", []string{"rollcall:cell:a", "rollcall:cell:b"}, Identity{Cells: []fleet.CellID{"a", "b"}}, ""},
		{"others' names beside", []string{"spiffe://example.org/x", "rollcall:cell:a"}, Identity{Cells: []fleet.CellID{"a"}}, ""},
		{"nobody", []string{"https://example.org"}, Identity{}, "neither a cell nor a person"},
		{"cell id", []string{"rollcall:cell:A"}, Identity{}, "no id"},
		{"person without role", []string{"rollcall:person:ann"}, Identity{}, "no role"},
		{"role without person", []string{"rollcall:role:viewer", "rollcall:cell:a"}, Identity{}, "names no person"},
		{"unknown role", []string{"rollcall:person:ann", "rollcall:role:king"}, Identity{}, "king"},
		{"two roles", []string{"rollcall:person:ann", "rollcall:role:viewer", "rollcall:role:quality-manager"}, Identity{}, "once"},
		{"two persons", []string{"rollcall:person:ann", "rollcall:person:bob", "rollcall:role:viewer"}, Identity{}, "one person"},
		{"unknown name", []string{"rollcall:site:x"}, Identity{}, "not understood"},
	} {
		t.Run(c.name, func(t *testing.T) {
			cert := &x509.Certificate{}
			for _, u := range c.uris {
				uri, err := url.Parse(u)
				if err != nil {
					t.Fatal(err)
				}
				cert.URIs = append(cert.URIs, uri)
			}
			got, err := FromCertificate(cert)
			if c.says != "" {
				if !errors.Is(err, ErrUnauthenticated) || !strings.Contains(err.Error(), c.says) {
					t.Errorf("got %v, want %q", err, c.says)
				}
				return
			}
			if diff := cmp.Diff(c.want, got); diff != "" || err != nil {
				t.Error(diff, err)
			}
		})
	}
}

func TestMay(t *testing.T) {
	for _, c := range []struct {
		id                      Identity
		write, read, administer bool
	}{
		{Identity{}, false, false, false},
		{Identity{Loopback: true}, true, true, true},
		{Identity{Cells: []fleet.CellID{"a"}}, true, false, false},
		{Identity{Cells: []fleet.CellID{"b"}}, false, false, false},
		{Identity{Person: "p", Role: RoleViewer}, false, true, false},
		{Identity{Person: "p", Role: RoleTechnician}, false, true, false},
		{Identity{Person: "p", Role: RoleQualityManager}, false, true, true},
	} {
		if w, r, a := c.id.MayWrite("a"), c.id.MayRead(), c.id.MayAdminister(); w != c.write || r != c.read || a != c.administer {
			t.Errorf("%s: write %v, read %v, administer %v", c.id, w, r, a)
		}
	}
}

func TestFromPeer(t *testing.T) {
	address := func(s string) net.Addr {
		a, err := net.ResolveTCPAddr("tcp", s)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	with := func(p *peer.Peer) error { _, err := FromPeer(peer.NewContext(context.Background(), p)); return err }
	if err := with(&peer.Peer{Addr: address("192.0.2.7:5")}); !errors.Is(err, ErrUnauthenticated) {
		t.Errorf("a remote peer without TLS: %v", err)
	}
	if err := with(&peer.Peer{Addr: address("127.0.0.1:5"), AuthInfo: credentials.TLSInfo{}}); !errors.Is(err, ErrUnauthenticated) {
		t.Errorf("TLS without certificate: %v", err)
	}
	if _, err := FromPeer(context.Background()); !errors.Is(err, ErrUnauthenticated) {
		t.Errorf("no peer: %v", err)
	}
	if id, err := FromPeer(peer.NewContext(context.Background(), &peer.Peer{Addr: address("[::1]:5")})); err != nil || !id.Loopback {
		t.Errorf("loopback: %v, %v", id, err)
	}
	if id := FromContext(context.Background()); id.MayRead() || id.MayWrite("a") || id.MayAdminister() {
		t.Errorf("nobody may something: %v", id)
	}
}

func TestIsLoopback(t *testing.T) {
	for address, want := range map[string]bool{
		"127.0.0.1:7443": true, "127.9.9.9:1": true, "[::1]:7443": true, "localhost:7443": true, "localhost": true, "::1": true,
		":7443": false, "0.0.0.0:7443": false, "[::]:7443": false, "10.0.0.1:7443": false, "example.org:1": false, "": false,
	} {
		if got := IsLoopback(address); got != want {
			t.Errorf("%q: %v", address, got)
		}
	}
}

func TestConfigValidate(t *testing.T) {
	if err := (Config{}).Validate(); err != nil {
		t.Error(err)
	}
	err := Config{CertFile: "x"}.Validate()
	if err == nil || !strings.Contains(err.Error(), "key_file") || !strings.Contains(err.Error(), "client_ca_file") {
		t.Errorf("half a configuration: %v", err)
	}
}

// handshake connects once over a pipe and returns the service certificate's
// serial number as the client saw it.
func handshake(t *testing.T, server, client *tls.Config) (string, error) {
	t.Helper()
	a, b := net.Pipe()
	defer a.Close()
	defer b.Close()
	deadline := time.Now().Add(10 * time.Second)
	for _, c := range []net.Conn{a, b} {
		if err := c.SetDeadline(deadline); err != nil {
			t.Fatal(err)
		}
	}
	s := tls.Server(a, server)
	failed := make(chan error, 1)
	go func() {
		err := s.Handshake()
		if err == nil {
			_, err = s.Write([]byte("x"))
		}
		if err != nil {
			a.Close()
		}
		failed <- err
	}()
	client = client.Clone()
	client.ServerName = "localhost"
	c := tls.Client(b, client)
	// With TLS 1.3 the client learns of its refusal at its first read.
	_, err := io.ReadFull(c, make([]byte, 1))
	if serverErr := <-failed; serverErr != nil {
		return "", serverErr
	}
	if err != nil {
		return "", err
	}
	return c.ConnectionState().PeerCertificates[0].SerialNumber.String(), nil
}

func TestMutualTLS(t *testing.T) {
	dir, stranger := authority(t), authority(t)
	file := func(dir, name string) string { return filepath.Join(dir, name) }
	server, err := ServerTLS(Config{file(dir, "server.crt"), file(dir, "server.key"), file(dir, "ca.crt")})
	if err != nil {
		t.Fatal(err)
	}
	client := func(certs, ca string) *tls.Config {
		c, err := ClientTLS(file(certs, "cell-north-1.crt"), file(certs, "cell-north-1.key"), file(ca, "ca.crt"))
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	first, err := handshake(t, server, client(dir, dir))
	if err != nil {
		t.Fatalf("a proper client: %v", err)
	}
	if _, err := handshake(t, server, client(stranger, dir)); err == nil {
		t.Error("a certificate of another authority was accepted")
	}
	none := client(dir, dir)
	none.Certificates = nil
	if _, err := handshake(t, server, none); err == nil {
		t.Error("a client without certificate was accepted")
	}
	old := client(dir, dir)
	old.MinVersion, old.MaxVersion = tls.VersionTLS12, tls.VersionTLS12
	if _, err := handshake(t, server, old); err == nil {
		t.Error("TLS 1.2 was accepted")
	}
	// A person's certificate has no use as a service's.
	if _, err := ServerTLS(Config{file(dir, "server.crt"), file(dir, "cell-north-1.key"), file(dir, "ca.crt")}); err == nil {
		t.Error("a key that is not the certificate's was accepted")
	}

	// A renewed certificate is taken without a restart; a damaged one is not.
	for _, name := range []string{"server.crt", "server.key"} {
		if err := os.Remove(file(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := handshake(t, server, client(dir, dir)); err != nil || got != first {
		t.Errorf("while the files are away: %s, %v", got, err)
	}
	if err := IssueServer(dir, []string{"localhost"}); err != nil {
		t.Fatal(err)
	}
	second, err := handshake(t, server, client(dir, dir))
	if err != nil || second == first {
		t.Errorf("after renewal: %s, %v", second, err)
	}
	if err := os.WriteFile(file(dir, "server.crt"), []byte("no certificate"), 0o644); err != nil {
		t.Fatal(err)
	}
	if got, err := handshake(t, server, client(dir, dir)); err != nil || got != second {
		t.Errorf("with a damaged file: %s, %v", got, err)
	}
}
