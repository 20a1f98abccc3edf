package access

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"
)

// Config names the files of mutual TLS. All three or none: without them the
// service listens on loopback only.
type Config struct {
	CertFile     string `yaml:"cert_file"`      // the service's certificate, PEM, with its chain
	KeyFile      string `yaml:"key_file"`       // its private key, PEM
	ClientCAFile string `yaml:"client_ca_file"` // authority of the clients' certificates, PEM
}

// Enabled says whether TLS is configured.
func (c Config) Enabled() bool { return c != Config{} }

// Validate returns everything wrong with c, the files' being readable not
// included.
func (c Config) Validate() error {
	if !c.Enabled() {
		return nil
	}
	var errs []error
	for _, f := range []struct{ key, value string }{
		{"cert_file", c.CertFile}, {"key_file", c.KeyFile}, {"client_ca_file", c.ClientCAFile},
	} {
		if f.value == "" {
			errs = append(errs, fmt.Errorf("%s is empty; mutual TLS needs cert_file, key_file and client_ca_file", f.key))
		}
	}
	return errors.Join(errs...)
}

// IsLoopback says whether an address, host:port or a host alone, is of this
// machine only. An empty host is every interface and so is not.
func IsLoopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		host = address
	}
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// ServerTLS returns the TLS configuration of a service that demands a client
// certificate: TLS 1.3 only. Certificate, key and authority are read again
// when their files change, so that renewing needs no restart; files that
// cannot be read then leave the last good ones in force.
func ServerTLS(c Config) (*tls.Config, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if !c.Enabled() {
		return nil, errors.New("no TLS files are configured")
	}
	files := &tlsFiles{config: c}
	if _, err := files.current(); err != nil {
		return nil, err
	}
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		NextProtos: []string{"h2"},
		ClientAuth: tls.RequireAndVerifyClientCert,
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
			return files.current()
		},
	}, nil
}

// PagesTLS returns the TLS configuration of the pages: TLS 1.3, no certificate is
// asked of the browser. The files are read again as ServerTLS does.
func PagesTLS(c PagesConfig) (*tls.Config, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if !c.Enabled() {
		return nil, errors.New("no TLS files are configured")
	}
	files := &tlsFiles{config: Config{CertFile: c.CertFile, KeyFile: c.KeyFile}}
	if _, err := files.current(); err != nil {
		return nil, err
	}
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		NextProtos: browserProtocols,
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
			return files.current()
		},
	}, nil
}

// browserProtocols are those that browsers speak to us.
var browserProtocols = []string{"h2", "http/1.1"}

// ClientTLS returns the TLS configuration of a client with its certificate and
// key; caFile is the authority of the service's certificate.
func ClientTLS(certFile, keyFile, caFile string) (*tls.Config, error) {
	cert, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return nil, fmt.Errorf("read client certificate %s and key %s: %w", certFile, keyFile, err)
	}
	pool, err := readPool(caFile)
	if err != nil {
		return nil, err
	}
	return &tls.Config{MinVersion: tls.VersionTLS13, NextProtos: []string{"h2"}, Certificates: []tls.Certificate{cert}, RootCAs: pool}, nil
}

func readPool(file string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("read certificate authority: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("read certificate authority: %s holds no certificate in PEM form", file)
	}
	return pool, nil
}

// tlsFiles holds the server configuration made from the files as they were
// last read. Without an authority no client certificate is asked for.
type tlsFiles struct {
	config Config

	mu     sync.Mutex
	stamps [3]stamp
	last   *tls.Config
}

type stamp struct {
	at   time.Time
	size int64
}

// current returns the configuration of the files as they are now, or as they
// were last good.
func (f *tlsFiles) current() (*tls.Config, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	stamps, err := f.stat()
	if err == nil && f.last != nil && stamps == f.stamps {
		return f.last, nil
	}
	fresh, err := f.read()
	if err != nil {
		if f.last != nil {
			return f.last, nil
		}
		return nil, err
	}
	f.last, f.stamps = fresh, stamps
	return fresh, nil
}

func (f *tlsFiles) stat() (stamps [3]stamp, err error) {
	for i, name := range []string{f.config.CertFile, f.config.KeyFile, f.config.ClientCAFile} {
		if name == "" {
			continue
		}
		info, err := os.Stat(name)
		if err != nil {
			return stamps, err
		}
		stamps[i] = stamp{info.ModTime(), info.Size()}
	}
	return stamps, nil
}

func (f *tlsFiles) read() (*tls.Config, error) {
	cert, err := tls.LoadX509KeyPair(f.config.CertFile, f.config.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("read service certificate %s and key %s: %w", f.config.CertFile, f.config.KeyFile, err)
	}
	if f.config.ClientCAFile == "" {
		return &tls.Config{MinVersion: tls.VersionTLS13, NextProtos: browserProtocols, Certificates: []tls.Certificate{cert}}, nil
	}
	pool, err := readPool(f.config.ClientCAFile)
	if err != nil {
		return nil, err
	}
	return &tls.Config{
		MinVersion: tls.VersionTLS13, NextProtos: []string{"h2"},
		Certificates: []tls.Certificate{cert}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool,
	}, nil
}
