package uplink

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
)

// Config says where to send and how.
type Config struct {
	// Cell is the id of the cell this agent writes for.
	Cell string
	// Server is the service's gRPC address, host:port.
	Server string
	// Version is this program's.
	Version string
	// TLS names the files of mutual TLS. All empty: plaintext, which is
	// allowed to this machine only.
	TLS TLS
	// AsideDir is the folder of messages set aside.
	AsideDir string

	// WindowBytes and WindowMessages bound what is sent and not yet answered.
	// Default 32 MiB and 8192: the service makes what is under way durable in
	// one insert, and a database is the faster the larger its inserts. None of
	// it is held in memory.
	WindowBytes    int
	WindowMessages int
	// HeldMost is after how many messages that the registry does not know a
	// pass stops. Default 256.
	HeldMost int
	// Heartbeat is the time between heartbeats. Default 10 s.
	Heartbeat time.Duration
	// BackoffMin and BackoffMax bound the wait after "later" and after a
	// broken stream; it doubles from one to the other, and half of it is left
	// to chance. Default 500 ms and 30 s.
	BackoffMin, BackoffMax time.Duration
	// SlowMin and SlowMax bound the same where somebody has to mend something
	// first. Default 5 s and 2 min.
	SlowMin, SlowMax time.Duration
	// AnswerTimeout is how long the service may be silent with messages
	// waiting for answers before the stream is given up. Default 60 s.
	AnswerTimeout time.Duration
	// LastWait is how long Run waits for answers when it is told to stop.
	// Default 3 s.
	LastWait time.Duration
}

// TLS names the files of mutual TLS, PEM. They are read again at every
// connection, so renewing needs no restart.
type TLS struct {
	CertFile string // this cell's certificate with its chain
	KeyFile  string // its private key
	CAFile   string // authority of the service's certificate
}

// Enabled says whether mutual TLS is configured.
func (t TLS) Enabled() bool { return t != TLS{} }

// DefaultConfig returns the defaults; Cell, Server, Version, AsideDir are left
// to the caller.
func DefaultConfig() Config {
	return Config{
		WindowBytes: 32 << 20, WindowMessages: 8192, HeldMost: 256,
		Heartbeat:  10 * time.Second,
		BackoffMin: 500 * time.Millisecond, BackoffMax: 30 * time.Second,
		SlowMin: 5 * time.Second, SlowMax: 2 * time.Minute,
		AnswerTimeout: time.Minute, LastWait: 3 * time.Second,
	}
}

// Validate returns all that is wrong with a configuration. It does not read
// the TLS files.
func (c Config) Validate() error {
	var errs []error
	add := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if c.Cell == "" {
		add("cell is empty: name the cell this agent writes for, as in the registry")
	}
	host, port, err := net.SplitHostPort(c.Server)
	switch {
	case c.Server == "":
		add("server is empty: give the service's gRPC address as host:port")
	case err != nil || host == "" || port == "":
		add("server %q is not host:port", c.Server)
	case !c.TLS.Enabled() && !loopback(host):
		add("server %q is not this machine and no certificate is configured: set tls.cert, tls.key and tls.ca (the chain's `rollcall certs` makes them); plaintext is allowed to loopback only", c.Server)
	}
	if c.TLS.Enabled() {
		for _, f := range []struct{ key, value string }{{"cert", c.TLS.CertFile}, {"key", c.TLS.KeyFile}, {"ca", c.TLS.CAFile}} {
			if f.value == "" {
				add("tls.%s is empty: mutual TLS needs tls.cert, tls.key and tls.ca", f.key)
			}
		}
	}
	if c.AsideDir == "" {
		add("the folder of messages set aside is not said")
	}
	if c.WindowBytes < 1 || c.WindowMessages < 1 || c.HeldMost < 1 {
		add("window of %d bytes, %d messages, %d held: each has to be 1 or more", c.WindowBytes, c.WindowMessages, c.HeldMost)
	}
	for _, d := range []struct {
		key   string
		value time.Duration
	}{
		{"heartbeat", c.Heartbeat}, {"backoff", c.BackoffMin}, {"longest backoff", c.BackoffMax - c.BackoffMin + 1},
		{"slow backoff", c.SlowMin}, {"longest slow backoff", c.SlowMax - c.SlowMin + 1}, {"answer timeout", c.AnswerTimeout}, {"last wait", c.LastWait + 1},
	} {
		if d.value <= 0 {
			add("%s is too short", d.key)
		}
	}
	return errors.Join(errs...)
}

// loopback says whether a host is this machine.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// credentials reads the TLS files.
func (c Config) credentials() (credentials.TransportCredentials, error) {
	if !c.TLS.Enabled() {
		return insecure.NewCredentials(), nil
	}
	pair, err := tls.LoadX509KeyPair(c.TLS.CertFile, c.TLS.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("read tls.cert and tls.key: %w", err)
	}
	text, err := os.ReadFile(c.TLS.CAFile)
	if err != nil {
		return nil, fmt.Errorf("read tls.ca: %w", err)
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(text) {
		return nil, fmt.Errorf("read tls.ca %s: no certificate in it", c.TLS.CAFile)
	}
	return credentials.NewTLS(&tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{pair}, RootCAs: roots}), nil
}
