package notice

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"
)

// The headers of a webhook.
const (
	// HeaderKey is the notice's idempotency key.
	HeaderKey = "Rollcall-Notice-Key"
	// HeaderTimestamp is when this attempt was signed, seconds since 1970 UTC.
	HeaderTimestamp = "Rollcall-Timestamp"
	// HeaderSignature is hmac-sha256= and Sign's result.
	HeaderSignature = "Rollcall-Signature"
)

// leastSecret is how many bytes a webhook's secret has at least (common
// practice, no source).
const leastSecret = 16

// Sign returns the signature of a webhook's body, hexadecimal:
//
//	HMAC-SHA256(secret, timestamp "." body)
//
// timestamp as it stands in HeaderTimestamp. A receiver computes the same from
// the bytes it got, compares in constant time, and refuses a timestamp that is
// more than some minutes old, so that nobody sends it again. Source of HMAC:
// RFC 2104.
func Sign(secret []byte, timestamp string, body []byte) string {
	m := hmac.New(sha256.New, secret)
	m.Write([]byte(timestamp + "."))
	m.Write(body)
	return hex.EncodeToString(m.Sum(nil))
}

type webhook struct {
	config Webhook
	secret []byte
	client *http.Client
}

func newWebhook(c Webhook) (*webhook, error) {
	secret, err := readSecret("the webhook's secret", c.SecretFile)
	if err != nil {
		return nil, err
	}
	if len(secret) < leastSecret {
		return nil, fmt.Errorf("the secret in %s has %d bytes; use %d at least", c.SecretFile, len(secret), leastSecret)
	}
	client, err := httpClient(c.CAFile)
	if err != nil {
		return nil, err
	}
	return &webhook{config: c, secret: []byte(secret), client: client}, nil
}

func (w *webhook) send(ctx context.Context, n Notice) (string, error) {
	body, err := json.Marshal(n)
	if err != nil {
		return "", fmt.Errorf("write the notice: %w", err)
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, w.config.URL, bytes.NewReader(body))
	if err != nil {
		return "", err
	}
	timestamp := strconv.FormatInt(n.SentAt.Unix(), 10)
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set(HeaderKey, n.Key)
	request.Header.Set(HeaderTimestamp, timestamp)
	request.Header.Set(HeaderSignature, "hmac-sha256="+Sign(w.secret, timestamp, body))
	return post(w.client, request, time.Now())
}
