package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
)

// The configuration file's receivers are tested and listed through the service,
// and what is wrong with them is said before it starts.
func TestNotices(t *testing.T) {
	needEngine(t)
	var got atomic.Int32
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Rollcall-Signature") == "" {
			w.WriteHeader(403)
			return
		}
		got.Add(1)
		fmt.Fprint(w, "noted")
	}))
	defer hook.Close()
	secret := writeFile(t, "secret", "a secret of thirty-two characters\n")
	receivers := func(more string) string {
		return "notices:\n  gather: 0s\n  receivers:\n    - name: hook\n      webhook:\n        url: " + hook.URL + "\n        secret_file: " + secret + "\n" + more
	}
	s := start(t, "--data-dir", filepath.Join(t.TempDir(), "data"), "--config", writeFile(t, "rollcall.yaml", receivers("")))
	at := []string{"--server", s.grpc}
	need(t, 0, append([]string{"notices", "test"}, at...), "hook", "webhook", "yes", "200 noted")
	if got.Load() != 1 {
		t.Errorf("%d tests arrived", got.Load())
	}
	need(t, 0, append([]string{"notices", "test", "hook"}, at...), "yes")
	need(t, 1, append([]string{"notices", "test", "nobody"}, at...), "nobody", "hook")
	need(t, 0, append([]string{"notices"}, at...), "Nothing was told yet")
	var list struct {
		Receivers []struct{ Name string }
	}
	if err := json.Unmarshal([]byte(need(t, 0, append([]string{"notices", "--json"}, at...))), &list); err != nil || len(list.Receivers) != 1 {
		t.Errorf("list %+v, %v", list, err)
	}
	hook.Close()
	need(t, 1, append([]string{"notices", "test"}, at...), "NO", "refused", "not every receiver")
	s.stop()

	plain := start(t, "--data-dir", filepath.Join(t.TempDir(), "data"))
	need(t, 3, []string{"notices", "test", "--server", plain.grpc}, "no receivers are configured")
	need(t, 0, []string{"notices", "--server", plain.grpc}, "No receivers are configured", "notices")
	plain.stop()
	need(t, 2, []string{"notices", "tst"}, "tst")
	need(t, 4, []string{"notices", "--server", free(t)}, "not reachable")

	need(t, 0, []string{"check-config", "--config", writeFile(t, "rollcall.yaml", receivers(""))}, "name: hook")
	for text, says := range map[string]string{
		receivers("    - name: hook\n      webhook: {url: \"http://far.example\", secret_file: x}\n"): "receivers[1] (hook)",
		receivers("      colour: red\n"):                           `unknown key "colour"`,
		strings.Replace(receivers(""), secret, "/no/such/file", 1): "no such file",
		"notices: {agent_silent_after: 1s}\n":                      "agent_silent_after is 1s",
		"notices: {gather: soon}\n":                                "rollcall.yaml:1:",
	} {
		need(t, 2, []string{"check-config", "--config", writeFile(t, "rollcall.yaml", text)}, says)
	}
}
