package notice

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"strconv"
	"strings"

	smtp "github.com/wneessen/go-mail"
)

type email struct {
	config   Email
	password string
	client   *smtp.Client
}

func newEmail(c Email) (*email, error) {
	e := &email{config: c}
	host, port, err := net.SplitHostPort(c.Server)
	if err != nil {
		return nil, err
	}
	number, err := strconv.Atoi(port)
	if err != nil {
		return nil, err
	}
	trust, err := authority(c.CAFile, host)
	if err != nil {
		return nil, err
	}
	options := []smtp.Option{smtp.WithPort(number), smtp.WithTimeout(sendTimeout), smtp.WithTLSConfig(trust), smtp.WithoutNoop()}
	switch c.TLS {
	case tlsFull:
		options = append(options, smtp.WithSSL())
	case tlsNone:
		options = append(options, smtp.WithTLSPolicy(smtp.NoTLS))
	default:
		options = append(options, smtp.WithTLSPolicy(smtp.TLSMandatory))
	}
	if c.User != "" {
		if e.password, err = readSecret("the password", c.PasswordFile); err != nil {
			return nil, err
		}
		options = append(options, smtp.WithSMTPAuth(smtp.SMTPAuthAutoDiscover), smtp.WithUsername(c.User), smtp.WithPassword(e.password))
	}
	e.client, err = smtp.NewClient(host, options...)
	return e, err
}

// send sends one message to all addresses; where the server refuses one of them,
// nobody gets it, and `rollcall notices` says which. Its Message-ID is made of the
// notice's key: many mail systems show a message that comes twice once.
func (e *email) send(ctx context.Context, n Notice) (string, error) {
	m := smtp.NewMsg()
	if err := m.From(e.config.From); err != nil {
		return "", fmt.Errorf("from %s: %w", e.config.From, err)
	}
	if err := m.To(e.config.To...); err != nil {
		return "", fmt.Errorf("to: %w", err)
	}
	domain := "rollcall"
	if from, err := mail.ParseAddress(e.config.From); err == nil {
		if _, d, ok := strings.Cut(from.Address, "@"); ok {
			domain = d
		}
	}
	m.Subject(n.Subject())
	m.SetDateWithValue(n.SentAt)
	m.SetMessageIDWithValue(n.Key + "@" + domain)
	// No holiday notes back. Source: RFC 3834, 5.
	m.SetGenHeader("Auto-Submitted", "auto-generated")
	m.SetGenHeader(HeaderKey, n.Key)
	m.SetUserAgent("rollcall")
	m.SetBodyString(smtp.TypeTextPlain, n.Text())

	if err := e.client.DialAndSendWithContext(ctx, m); err != nil {
		var refused *smtp.SendError
		if errors.As(err, &refused) && refused.ErrorCode() > 0 {
			return "", &Refusal{Status: refused.ErrorCode(), Text: e.hide(short(err.Error()))}
		}
		return "", errors.New(e.hide(short(err.Error())))
	}
	if answer := short(m.ServerResponse()); answer != "" {
		return answer, nil
	}
	return "taken", nil
}

// hide takes the password out of a text.
func (e *email) hide(text string) string {
	if e.password == "" {
		return text
	}
	return strings.ReplaceAll(text, e.password, "xxxxx")
}
