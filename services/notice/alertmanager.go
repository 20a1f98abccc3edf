package notice

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"
)

// alert is one entry of the body of POST /api/v2/alerts. Source: Alertmanager's
// published OpenAPI description, postableAlert.
type alert struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations"`
	StartsAt     time.Time         `json:"startsAt"`
	EndsAt       time.Time         `json:"endsAt"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

// alertLife is how long an alert lasts that is not posted again: long enough for
// an update of this service, short enough that a service that is gone does not
// alert for ever.
const alertLife = 24 * time.Hour

const defaultRefresh = 5 * time.Minute

type alertmanager struct {
	config          Alertmanager
	password, token string
	client          *http.Client
}

func newAlertmanager(c Alertmanager) (*alertmanager, error) {
	a := &alertmanager{config: c}
	var err error
	if c.PasswordFile != "" {
		if a.password, err = readSecret("the password", c.PasswordFile); err != nil {
			return nil, err
		}
	}
	if c.TokenFile != "" {
		if a.token, err = readSecret("the token", c.TokenFile); err != nil {
			return nil, err
		}
	}
	a.client, err = httpClient(c.CAFile)
	return a, err
}

func (a *alertmanager) refreshEvery() time.Duration {
	if a.config.Refresh == 0 {
		return defaultRefresh
	}
	return a.config.Refresh
}

// alertNames are the labels alertname by the subject's first part.
var alertNames = map[string]string{subjectFlag: "RollcallFlag", subjectAgent: "RollcallAgentSilent", subjectCheck: "RollcallCheckOverdue", subjectSpool: "RollcallSpoolGrowing", subjectTest: "RollcallTest"}

// alertOf returns an item as an alert. Alertmanager knows an alert by its
// labels, so they hold what stays for the life of the state and nothing else: not
// a flag's id, which a run that arrives late can change.
func alertOf(i Item, state string, now time.Time) alert {
	kind, _, _ := strings.Cut(i.Subject, "/")
	labels := map[string]string{"alertname": alertNames[kind], "state": state}
	for name, value := range map[string]string{"site": i.Site, "cell": i.Cell, "car": i.Car} {
		if value != "" {
			labels[name] = oneLine(value)
		}
	}
	notes := map[string]string{"summary": oneLine(i.Headline), "key": i.Key}
	for name, value := range map[string]string{"description": i.Detail, "cause": i.Cause, "next_check": i.Next, "caution": i.Caution, "flag": i.Flag} {
		if value != "" {
			notes[name] = oneLine(value)
		}
	}
	return alert{Labels: labels, Annotations: notes, StartsAt: i.Since.UTC(), EndsAt: now.Add(alertLife).UTC(), GeneratorURL: i.URL}
}

// alertsOf returns what is to be posted of an item: the state that holds now,
// and the end of the one that was told before.
func alertsOf(i Item, now time.Time) []alert {
	var out []alert
	if i.Was != "" && i.Was != i.State && i.WasOpen {
		ended := alertOf(i, i.Was, now)
		ended.EndsAt = now.UTC()
		if ended.StartsAt.After(ended.EndsAt) {
			ended.StartsAt = ended.EndsAt
		}
		out = append(out, ended)
	}
	if i.Open {
		out = append(out, alertOf(i, i.State, now))
	}
	return out
}

func (a *alertmanager) send(ctx context.Context, n Notice) (string, error) {
	var alerts []alert
	for _, i := range n.Items {
		alerts = append(alerts, alertsOf(i, n.SentAt)...)
	}
	if n.Test {
		// It ends by itself.
		for i := range alerts {
			alerts[i].EndsAt = n.SentAt.Add(time.Minute).UTC()
		}
	}
	if len(alerts) == 0 {
		return "nothing to post: what ended was never posted", nil
	}
	return a.post(ctx, alerts)
}

func (a *alertmanager) refresh(ctx context.Context, open []Item, now time.Time) error {
	alerts := make([]alert, len(open))
	for i, item := range open {
		alerts[i] = alertOf(item, item.State, now)
	}
	if len(alerts) == 0 {
		return nil
	}
	_, err := a.post(ctx, alerts)
	return err
}

func (a *alertmanager) post(ctx context.Context, alerts []alert) (string, error) {
	body, err := json.Marshal(alerts)
	if err != nil {
		return "", fmt.Errorf("write the alerts: %w", err)
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, strings.TrimRight(a.config.URL, "/")+"/api/v2/alerts", bytes.NewReader(body))
	if err != nil {
		return "", err
	}
	request.Header.Set("Content-Type", "application/json")
	switch {
	case a.token != "":
		request.Header.Set("Authorization", "Bearer "+a.token)
	case a.config.User != "":
		request.SetBasicAuth(a.config.User, a.password)
	}
	return post(a.client, request, time.Now())
}
