package grafana

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"

	"github.com/grafana-tools/sdk"
)

// PushError is what Grafana, or something before it, answered instead of doing
// what was asked.
type PushError struct {
	Doing   string // what was being done
	Status  int    // of HTTP
	Message string // Grafana's words, if it had any
}

// Error says what was answered and what to do about it.
func (e *PushError) Error() string {
	advice := ""
	switch {
	case e.Status == http.StatusUnauthorized:
		advice = "; the token is wrong or has ended"
	case e.Status == http.StatusForbidden:
		advice = "; the token's role must be Editor"
	case e.Status == http.StatusConflict:
		advice = "; the rules there are provisioned from a file, or somebody changed them at the same moment"
	case e.Status == http.StatusPreconditionFailed:
		advice = "; another dashboard or folder there has the same name or uid, a newer version is there, or it is provisioned from a file"
	case e.Status >= 500:
		advice = "; Grafana, or a proxy before it, is not well: try again later"
	}
	said := ""
	if e.Message != "" {
		said = ": " + e.Message
	}
	return fmt.Sprintf("%s: Grafana answered %d %s%s%s", e.Doing, e.Status, http.StatusText(e.Status), said, advice)
}

// Push creates or replaces the dashboards and the group of alert rules in the
// Grafana at address, in the folder Rollcall, which it makes when it is not
// there. token is that of a service account with the role Editor. Pushing again
// is harmless. The data source is not pushed; Write makes its provisioning file.
func Push(ctx context.Context, address, token string) error {
	if u, err := url.Parse(address); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return fmt.Errorf("push dashboards: %q is not an address such as https://grafana.example.org", address)
	}
	last := &recorder{transport: http.DefaultTransport.(*http.Transport).Clone()}
	defer last.transport.CloseIdleConnections()
	client, err := sdk.NewClient(address, token, &http.Client{Transport: last})
	if err != nil {
		return fmt.Errorf("push dashboards: %w", err)
	}
	folder, err := sdkCall(last, "look for the folder "+FolderTitle, func() (sdk.Folder, error) { return client.GetFolderByUID(ctx, FolderUID) })
	if last.status == http.StatusNotFound {
		folder, err = sdkCall(last, "make the folder "+FolderTitle, func() (sdk.Folder, error) {
			return client.CreateFolder(ctx, sdk.Folder{UID: FolderUID, Title: FolderTitle})
		})
	}
	if err != nil {
		return err
	}
	for _, d := range Dashboards() {
		_, err := sdkCall(last, "push the dashboard "+d.UID, func() (sdk.StatusMessage, error) {
			return client.SetRawDashboardWithParam(ctx, sdk.RawBoardRequest{Dashboard: d.JSON, Parameters: sdk.SetDashboardParams{FolderID: folder.ID, Overwrite: true}})
		})
		if err != nil {
			return err
		}
	}
	return pushAlerts(ctx, last, address, token)
}

// pushAlerts replaces the group of alert rules, by one call of the provisioning
// API that the client library does not know. Source: Grafana documentation,
// "Alerting provisioning HTTP API", PUT
// /api/v1/provisioning/folder/:folderUid/rule-groups/:group.
func pushAlerts(ctx context.Context, last *recorder, address, token string) error {
	body, err := json.Marshal(Alerts())
	if err != nil {
		return fmt.Errorf("write the alert rules: %w", err)
	}
	_, err = sdkCall(last, "push the alert rules", func() (struct{}, error) {
		request, err := http.NewRequestWithContext(ctx, http.MethodPut, strings.TrimRight(address, "/")+"/api/v1/provisioning/folder/"+FolderUID+"/rule-groups/"+AlertGroup, bytes.NewReader(body))
		if err != nil {
			return struct{}{}, err
		}
		request.Header.Set("Authorization", "Bearer "+token)
		request.Header.Set("Content-Type", "application/json")
		response, err := (&http.Client{Transport: last}).Do(request)
		if err != nil {
			return struct{}{}, err
		}
		defer response.Body.Close()
		if answer, err := io.ReadAll(response.Body); err != nil || !json.Valid(answer) {
			return struct{}{}, errors.Join(err, errors.New("the answer is no JSON; is this Grafana's address?"))
		}
		return struct{}{}, nil
	})
	return err
}

// sdkCall runs one call of the client library. The library takes errors of
// HTTP in different ways, and panics on an error without a message; what was
// answered is taken from the transport instead.
func sdkCall[T any](last *recorder, doing string, call func() (T, error)) (result T, err error) {
	last.status, last.message = 0, ""
	defer func() {
		p := recover()
		switch {
		case last.status >= 300:
			err = &PushError{Doing: doing, Status: last.status, Message: last.message}
		case p != nil:
			err = fmt.Errorf("%s: the answer cannot be understood (%v)", doing, p)
		case err != nil:
			err = fmt.Errorf("%s: %w", doing, err)
		}
	}()
	return call()
}

// recorder is a transport that remembers the last answer.
type recorder struct {
	transport *http.Transport
	status    int
	message   string
}

// maxAnswer is how much of an answer is read.
const maxAnswer = 4 << 20

// RoundTrip asks and remembers.
func (r *recorder) RoundTrip(request *http.Request) (*http.Response, error) {
	response, err := r.transport.RoundTrip(request)
	if err != nil {
		return nil, err
	}
	body, err := io.ReadAll(io.LimitReader(response.Body, maxAnswer))
	_ = response.Body.Close()
	if err != nil {
		return nil, err
	}
	response.Body = io.NopCloser(bytes.NewReader(body))
	r.status = response.StatusCode
	var words struct{ Message string }
	if json.Unmarshal(body, &words) == nil {
		r.message = strings.TrimSpace(words.Message)
	}
	return response, nil
}
