package notice

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// sendTimeout bounds one sending, from the dial to the answer.
const sendTimeout = 15 * time.Second

// sender takes a notice to a receiver and returns what came back, in a few
// words.
type sender interface {
	send(ctx context.Context, n Notice) (answer string, err error)
}

// refreshed is a sender that must be told again of what stands.
type refreshed interface {
	sender
	refreshEvery() time.Duration
	// refresh posts what stands open again; nobody is told anew by it.
	refresh(ctx context.Context, open []Item, now time.Time) error
}

// Refusal is what a receiver answered instead of taking a notice.
type Refusal struct {
	Status     int           // of HTTP, or SMTP's reply code
	Text       string        // its words, cut short
	RetryAfter time.Duration // it asked to be left alone for so long; 0: it did not
}

// Error returns status and words.
func (r *Refusal) Error() string {
	return strings.TrimRight(fmt.Sprintf("it answered %d: %s", r.Status, r.Text), ": ")
}

// sender reads the receiver's files and returns what sends to it. It is made
// anew for each notice, so that a secret that was changed holds at once.
func (r Receiver) sender() (sender, error) {
	switch {
	case r.Webhook != nil:
		return newWebhook(*r.Webhook)
	case r.Email != nil:
		return newEmail(*r.Email)
	case r.Alertmanager != nil:
		return newAlertmanager(*r.Alertmanager)
	}
	return nil, errors.New("it has no way to be reached")
}

// kind names the receiver's way.
func (r Receiver) kind() string {
	switch {
	case r.Webhook != nil:
		return "webhook"
	case r.Email != nil:
		return "e-mail"
	}
	return "alertmanager"
}

// authority returns the TLS configuration that trusts a CA file, or the
// machine's authorities when there is none.
func authority(file, host string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if file == "" {
		return c, nil
	}
	pem, err := readSecret("the authority's certificate", file)
	if err != nil {
		return nil, err
	}
	c.RootCAs = x509.NewCertPool()
	if !c.RootCAs.AppendCertsFromPEM([]byte(pem)) {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", file)
	}
	return c, nil
}

// httpClient returns a client of one request: it follows no redirect, because
// what is signed or secret goes to the address that was configured and no other.
func httpClient(caFile string) (*http.Client, error) {
	t, err := authority(caFile, "")
	if err != nil {
		return nil, err
	}
	return &http.Client{
		Transport: &http.Transport{
			Proxy: http.ProxyFromEnvironment, TLSClientConfig: t, DisableKeepAlives: true, ForceAttemptHTTP2: true,
			DialContext: (&net.Dialer{Timeout: sendTimeout / 2}).DialContext,
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Timeout:       sendTimeout,
	}, nil
}

// post does a request and returns status and the first words of the answer, or
// a *Refusal for any status but 2xx.
func post(client *http.Client, request *http.Request, now time.Time) (string, error) {
	request.Header.Set("User-Agent", "rollcall")
	response, err := client.Do(request)
	if err != nil {
		// The library's error repeats method and address.
		var u interface{ Unwrap() error }
		if errors.As(err, &u) && u.Unwrap() != nil {
			err = u.Unwrap()
		}
		return "", err
	}
	defer response.Body.Close()
	data, _ := io.ReadAll(io.LimitReader(response.Body, 4096))
	words := short(string(data))
	if response.StatusCode/100 != 2 {
		r := &Refusal{Status: response.StatusCode, Text: words, RetryAfter: retryAfter(response.Header.Get("Retry-After"), now)}
		if r.Text == "" {
			r.Text = http.StatusText(r.Status)
		}
		if to := response.Header.Get("Location"); response.StatusCode/100 == 3 && to != "" {
			r.Text += "; it points to " + short(to) + ", and redirects are not followed: configure that address"
		}
		return "", r
	}
	return strings.TrimRight(fmt.Sprintf("%d %s", response.StatusCode, words), " "), nil
}

// retryAfter reads the header of that name: seconds or a date. Source: RFC 9110,
// 10.2.3.
func retryAfter(value string, now time.Time) time.Duration {
	if s, err := strconv.ParseUint(value, 10, 31); err == nil {
		return time.Duration(s) * time.Second
	}
	if t, err := http.ParseTime(value); err == nil {
		return max(t.Sub(now), 0)
	}
	return 0
}

// short is text in one line, cut to what a list can show.
func short(s string) string {
	s = oneLine(s)
	if r := []rune(s); len(r) > 200 {
		return string(r[:199]) + "…"
	}
	return s
}

// oneLine replaces everything that is not print by spaces, and runs of them by
// one.
func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool {
		return r <= ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == 0x2028 || r == 0x2029 || r == 0xfffd
	}), " ")
}

func readFull(r io.Reader, data []byte) (int, error) {
	n, err := io.ReadFull(r, data)
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		err = nil
	}
	return n, err
}
