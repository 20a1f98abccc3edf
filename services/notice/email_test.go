package notice

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/base64"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/http/httptest"
	"net/mail"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// mailServer speaks as much of SMTP as a client needs. Source: RFC 5321, 4; RFC
// 3207 (STARTTLS); RFC 4954 and RFC 4616 (AUTH PLAIN).
type mailServer struct {
	t        *testing.T
	listener net.Listener
	tls      *tls.Config // nil: no STARTTLS
	full     bool        // TLS from the first byte
	user     string      // empty: no sign-in is asked for
	answers  map[string]string
	stall    string // verb that is never answered

	mu       sync.Mutex
	messages []string
	secured  []bool
	rcpt     []string
	ended    sync.WaitGroup
}

func newMailServer(t *testing.T, m *mailServer) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m.t, m.listener = t, l
	if m.full {
		m.listener = tls.NewListener(l, m.tls)
	}
	m.ended.Go(func() {
		for {
			c, err := m.listener.Accept()
			if err != nil {
				return
			}
			m.ended.Go(func() { defer c.Close(); m.talk(c, m.full) })
		}
	})
	t.Cleanup(func() { l.Close(); m.ended.Wait() })
	return l.Addr().String()
}

func (m *mailServer) talk(c net.Conn, secure bool) {
	_ = c.SetDeadline(time.Now().Add(10 * time.Second))
	in := bufio.NewReader(c)
	say := func(s string) { fmt.Fprint(c, s+"\r\n") }
	say("220 mail.example ready")
	signedIn := false
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimRight(line, "\r\n")
		verb, rest, _ := strings.Cut(line, " ")
		verb = strings.ToUpper(verb)
		if verb == m.stall {
			_, _ = io.Copy(io.Discard, in)
			return
		}
		if a := m.answers[verb]; a != "" {
			say(a)
			if strings.HasPrefix(a, "421") {
				return
			}
			continue
		}
		switch verb {
		case "EHLO", "HELO":
			say("250-mail.example")
			if m.tls != nil && !secure {
				say("250-STARTTLS")
			}
			if m.user != "" && secure {
				say("250-AUTH PLAIN")
			}
			say("250 8BITMIME")
		case "STARTTLS":
			say("220 go ahead")
			s := tls.Server(c, m.tls)
			if s.Handshake() != nil {
				return
			}
			c, in, secure = s, bufio.NewReader(s), true
		case "AUTH":
			_, text, _ := strings.Cut(rest, " ")
			plain, _ := base64.StdEncoding.DecodeString(text)
			if string(plain) != "\x00"+m.user+"\x00hunter2" {
				say("535 5.7.8 wrong")
				continue
			}
			signedIn = true
			say("235 2.7.0 welcome")
		case "MAIL":
			if m.user != "" && !signedIn {
				say("530 5.7.0 sign in first")
				continue
			}
			say("250 ok")
		case "RCPT":
			m.mu.Lock()
			m.rcpt = append(m.rcpt, rest)
			m.mu.Unlock()
			say("250 ok")
		case "DATA":
			say("354 go on")
			var b strings.Builder
			for {
				line, err := in.ReadString('\n')
				if err != nil {
					return
				}
				if line == ".\r\n" {
					break
				}
				b.WriteString(strings.TrimPrefix(line, "."))
			}
			m.mu.Lock()
			m.messages, m.secured = append(m.messages, b.String()), append(m.secured, secure)
			m.mu.Unlock()
			say("250 2.0.0 queued as 4711")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}

// certificate returns a server's TLS configuration for 127.0.0.1 and the file
// of its authority.
func certificate(t *testing.T) (*tls.Config, string) {
	s := httptest.NewTLSServer(nil)
	defer s.Close()
	file := filepath.Join(t.TempDir(), "ca.crt")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	return &tls.Config{Certificates: s.TLS.Certificates}, file
}

func digest() Notice {
	r := flagOf("w", "fen-2", "recalibrate", -0.019)
	items := []Item{
		itemOf(changeOf(r, 1), "", "https://rollcall.example"),
		itemOf(changeOf(flagOf("d", "fen-1", "drifting", 0.006), 1), "", "https://rollcall.example"),
	}
	n := newNotice("mail", "fen", "Fenwater\r\nBcc: thief@example", items, start)
	n.Items[0].Detail = ".a line that begins with a dot\r\n.\r\nQUIT"
	return n
}

func TestEmail(t *testing.T) {
	trust, ca := certificate(t)
	password := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(password, []byte("hunter2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	wrong := filepath.Join(t.TempDir(), "wrong")
	if err := os.WriteFile(wrong, []byte("hunter3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		server *mailServer
		config Email
		says   string // in the error; empty: it is taken
		status int    // of the refusal
		secure bool
	}{
		{"plain on loopback", &mailServer{}, Email{TLS: "none"}, "", 0, false},
		{"starttls", &mailServer{tls: trust}, Email{CAFile: ca}, "", 0, true},
		{"starttls, signed in", &mailServer{tls: trust, user: "rollcall"}, Email{TLS: "starttls", CAFile: ca, User: "rollcall", PasswordFile: password}, "", 0, true},
		{"tls, signed in", &mailServer{tls: trust, full: true, user: "rollcall"}, Email{TLS: "tls", CAFile: ca, User: "rollcall", PasswordFile: password}, "", 0, true},
		{"no starttls there", &mailServer{}, Email{CAFile: ca}, "STARTTLS", 0, false},
		{"a stranger's certificate", &mailServer{tls: trust}, Email{}, "certificate", 0, false},
		{"wrong password", &mailServer{tls: trust, user: "rollcall"}, Email{CAFile: ca, User: "rollcall", PasswordFile: wrong}, "535", 0, false},
		{"not signed in", &mailServer{tls: trust, user: "rollcall"}, Email{CAFile: ca}, "530", 530, false},
		{"no such person", &mailServer{answers: map[string]string{"RCPT": "550 5.1.1 no such user"}}, Email{TLS: "none"}, "no such user", 550, false},
		{"full", &mailServer{answers: map[string]string{"DATA": "452 4.3.1 no room"}}, Email{TLS: "none"}, "no room", 452, false},
		{"closing", &mailServer{answers: map[string]string{"MAIL": "421 4.3.2 going down"}}, Email{TLS: "none"}, "going down", 421, false},
		{"stalls", &mailServer{stall: "RCPT"}, Email{TLS: "none"}, "", -1, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.config.Server = newMailServer(t, c.server)
			c.config.From, c.config.To = "Rollcall <rollcall@chain.example>", []string{"quality@chain.example", "B. Moss <moss@chain.example>"}
			e, err := newEmail(c.config)
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			n := digest()
			answer, err := e.send(ctx, n)
			c.server.mu.Lock()
			defer c.server.mu.Unlock()
			if c.says != "" || c.status != 0 {
				var refused *Refusal
				if err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "hunter") {
					t.Fatalf("%q, %v; want an error with %q", answer, err, c.says)
				}
				if errors.As(err, &refused) != (c.status > 0) || refused != nil && refused.Status != c.status {
					t.Errorf("refusal %v, want status %d", refused, c.status)
				}
				if len(c.server.messages) > 0 {
					t.Errorf("%d messages were taken all the same", len(c.server.messages))
				}
				return
			}
			if err != nil || !strings.Contains(answer, "queued as 4711") {
				t.Fatalf("%q, %v", answer, err)
			}
			if len(c.server.messages) != 1 || c.server.secured[0] != c.secure || len(c.server.rcpt) != 2 {
				t.Fatalf("%d messages, secure %v, to %v", len(c.server.messages), c.server.secured, c.server.rcpt)
			}
			m, err := mail.ReadMessage(strings.NewReader(c.server.messages[0]))
			if err != nil {
				t.Fatal(err)
			}
			subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
			if err != nil || subject != n.Subject() || !strings.Contains(subject, "2 changes, 2 to act on; first: Cell fen-2") {
				t.Errorf("subject %q, want %q, %v", subject, n.Subject(), err)
			}
			if m.Header.Get("Message-Id") != "<"+n.Key+"@chain.example>" || m.Header.Get("Auto-Submitted") != "auto-generated" || m.Header.Get(HeaderKey) != n.Key || m.Header.Get("Bcc") != "" {
				t.Errorf("headers %v", m.Header)
			}
			if at, err := m.Header.Date(); err != nil || !at.Equal(start) {
				t.Errorf("date %v, %v", at, err)
			}
			body, err := io.ReadAll(quotedprintable.NewReader(m.Body))
			if err != nil || strings.TrimRight(strings.ReplaceAll(string(body), "\r\n", "\n"), "\n") != strings.TrimRight(n.Text(), "\n") {
				t.Errorf("body %v\n%s\nwant\n%s", err, body, n.Text())
			}
		})
	}
}
