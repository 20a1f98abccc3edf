package access

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// Lives of certificates.
const (
	AuthorityLife   = 10 * 365 * 24 * time.Hour
	CertificateLife = 2 * 365 * 24 * time.Hour
	// backdate lets a machine whose clock is a little behind accept a new
	// certificate at once.
	backdate = 5 * time.Minute
)

// Names of the authority's files in its folder.
const (
	authorityCert = "ca.crt"
	authorityKey  = "ca.key"
)

// ErrExists: a file that would be written is there already.
var ErrExists = errors.New("file exists already")

// InitCA makes a certificate authority in dir: ca.crt, to be given to the
// service and every client, and ca.key, to be kept by whoever issues. ECDSA
// P-256; keys have mode 0600. Existing files are never overwritten (ErrExists).
func InitCA(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make folder for the certificate authority: %w", err)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return fmt.Errorf("make key: %w", err)
	}
	template, err := newTemplate("Rollcall certificate authority", AuthorityLife)
	if err != nil {
		return err
	}
	template.IsCA, template.BasicConstraintsValid, template.MaxPathLenZero = true, true, true
	template.KeyUsage = x509.KeyUsageCertSign | x509.KeyUsageCRLSign
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		return fmt.Errorf("sign authority certificate: %w", err)
	}
	return writePair(filepath.Join(dir, authorityCert), filepath.Join(dir, authorityKey), der, key)
}

// IssueServer makes server.crt and server.key in dir, for a service reached
// under hosts (names or IP addresses), signed by the authority in dir.
func IssueServer(dir string, hosts []string) error {
	if len(hosts) == 0 {
		return errors.New("name the hosts the service is reached under, such as rollcall.example.org or 10.0.0.5")
	}
	template, err := newTemplate("Rollcall service "+hosts[0], CertificateLife)
	if err != nil {
		return err
	}
	template.KeyUsage = x509.KeyUsageDigitalSignature
	template.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
			continue
		}
		if h == "" || strings.ContainsAny(h, "/:@ \t\n") {
			return fmt.Errorf("host %q is neither a name nor an IP address; give it without scheme and port", h)
		}
		template.DNSNames = append(template.DNSNames, h)
	}
	return issue(dir, "server", template)
}

// IssueCell makes cell-<id>.crt and .key in dir: the certificate of an agent
// that writes for this cell.
func IssueCell(dir string, cell fleet.CellID) error {
	if !wire.ValidID(string(cell)) {
		return fmt.Errorf("%q is no cell id; it has the letters a to z, digits and hyphens only", cell)
	}
	return issueClient(dir, "cell-"+string(cell), "Rollcall cell "+string(cell), cellPrefix+string(cell))
}

// IssuePerson makes person-<name>.crt and .key in dir: the certificate of a
// person with a role. In the file's name everything but letters, digits, dot
// and hyphen becomes a hyphen.
func IssuePerson(dir, name string, role Role) error {
	if strings.TrimSpace(name) == "" {
		return errors.New("the person's name is empty")
	}
	if !slices.Contains(Roles, role) {
		return fmt.Errorf("role %q is not known; it is one of %v", role, Roles)
	}
	file := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' || r == '-' {
			return r
		}
		return '-'
	}, name)
	return issueClient(dir, "person-"+file, "Rollcall person "+name, personPrefix+url.PathEscape(name), rolePrefix+string(role))
}

func issueClient(dir, file, subject string, names ...string) error {
	template, err := newTemplate(subject, CertificateLife)
	if err != nil {
		return err
	}
	template.KeyUsage = x509.KeyUsageDigitalSignature
	template.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}
	for _, n := range names {
		template.URIs = append(template.URIs, &url.URL{Scheme: scheme, Opaque: n})
	}
	return issue(dir, file, template)
}

// newTemplate fills in what all certificates have: subject, a random 127-bit
// serial number, and their life from now.
func newTemplate(subject string, life time.Duration) (*x509.Certificate, error) {
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return nil, fmt.Errorf("make serial number: %w", err)
	}
	now := time.Now()
	return &x509.Certificate{
		SerialNumber: serial.Add(serial, big.NewInt(1)),
		Subject:      pkix.Name{CommonName: subject},
		NotBefore:    now.Add(-backdate), NotAfter: now.Add(life),
	}, nil
}

// issue signs template with the authority in dir and writes certificate and
// key.
func issue(dir, file string, template *x509.Certificate) error {
	authority, err := tls.LoadX509KeyPair(filepath.Join(dir, authorityCert), filepath.Join(dir, authorityKey))
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("folder %s has no certificate authority; make one first: %w", dir, err)
	}
	if err != nil {
		return fmt.Errorf("read certificate authority in %s: %w", dir, err)
	}
	if template.NotAfter.After(authority.Leaf.NotAfter) {
		template.NotAfter = authority.Leaf.NotAfter
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return fmt.Errorf("make key: %w", err)
	}
	der, err := x509.CreateCertificate(rand.Reader, template, authority.Leaf, key.Public(), authority.PrivateKey)
	if err != nil {
		return fmt.Errorf("sign certificate: %w", err)
	}
	return writePair(filepath.Join(dir, file+".crt"), filepath.Join(dir, file+".key"), der, key)
}

// writePair writes certificate and key; neither when one of them exists.
func writePair(certFile, keyFile string, der []byte, key crypto.PrivateKey) error {
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return fmt.Errorf("encode key: %w", err)
	}
	for _, name := range []string{certFile, keyFile} {
		if _, err := os.Lstat(name); err == nil {
			return fmt.Errorf("write %s: %w; move it away to make a new one", name, ErrExists)
		}
	}
	if err := writeNew(keyFile, "PRIVATE KEY", keyDER, 0o600); err != nil {
		return err
	}
	if err := writeNew(certFile, "CERTIFICATE", der, 0o644); err != nil {
		// A key without its certificate is of no use and would block the next try.
		return errors.Join(err, os.Remove(keyFile))
	}
	return nil
}

func writeNew(name, kind string, der []byte, mode fs.FileMode) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("write %s: %w; move it away to make a new one", name, ErrExists)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	err = pem.Encode(f, &pem.Block{Type: kind, Bytes: der})
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}
