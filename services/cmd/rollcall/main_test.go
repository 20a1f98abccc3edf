package main

import (
	"bytes"
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rollcall/deploy/engine"
	"rollcall/services/store/storetest"
)

// programEnv makes the test binary the program itself.
const programEnv = "ROLLCALL_COMMAND_TEST"

// TestMain lets the test binary be an engine, which the service starts as
// itself with the argument engine, or the whole program.
func TestMain(m *testing.M) {
	if os.Getenv(programEnv) != "" || len(os.Args) > 1 && os.Args[1] == "engine" {
		main()
	}
	os.Exit(storetest.Main(m))
}

// patience is how long a test waits for what takes a second.
const patience = time.Minute

// command runs one command line in this process.
func command(t testing.TB, args ...string) (code int, out, errs string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	var o, e bytes.Buffer
	code = Main{Out: &o, Err: &e}.Run(ctx, args)
	return code, o.String(), e.String()
}

// need fails the test unless the command line gives the exit code, and text on
// standard output or error with every part; it returns standard output.
func need(t testing.TB, code int, args []string, parts ...string) string {
	t.Helper()
	got, out, errs := command(t, args...)
	if got != code {
		t.Fatalf("rollcall %s: exit code %d, want %d\n%s%s", strings.Join(args, " "), got, code, out, errs)
	}
	for _, part := range parts {
		if !strings.Contains(out+errs, part) {
			t.Errorf("rollcall %s does not say %q:\n%s%s", strings.Join(args, " "), part, out, errs)
		}
	}
	if code != 0 && errs == "" {
		t.Errorf("rollcall %s ends with %d and says nothing", strings.Join(args, " "), code)
	}
	return out
}

// needEngine skips the test on a machine without the engine's library, unless
// it has to be there.
func needEngine(t testing.TB) {
	t.Helper()
	_, err := engine.Find("")
	required := os.Getenv("ROLLCALL_REQUIRE_ENGINE") == "1" || strings.EqualFold(os.Getenv("CI"), "true")
	if errors.Is(err, engine.ErrNoLibrary) && !required {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// lockedBuffer is a log that is read while it is written.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// taken returns an address somebody listens on.
func taken(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l.Addr().String()
}

// free returns a loopback address nobody listens on.
func free(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func TestExitCodes(t *testing.T) {
	nobody := free(t)
	dir := t.TempDir()
	for _, test := range []struct {
		name string
		args []string
		code int
		says []string
	}{
		{"help", nil, 0, []string{"serve", "cells"}},
		{"version", []string{"--version"}, 0, []string{"go1."}},
		{"help of a group", []string{"certs"}, 0, []string{"init", "person"}},
		{"unknown command", []string{"sells"}, 2, []string{`"sells"`, "rollcall --help"}},
		{"unknown command below", []string{"certs", "make"}, 2, []string{`"make"`, "rollcall certs --help"}},
		{"unknown dashboards command", []string{"dashboards", "draw"}, 2, []string{`"draw"`}},
		{"unknown fleet command", []string{"fleet", "aply", "x.yaml"}, 2, []string{`"aply"`}},
		{"unknown flag", []string{"--loud"}, 2, []string{"--loud"}},
		{"unknown flag of serve", []string{"serve", "--loud"}, 2, []string{"--loud"}},
		{"unknown flag of cells", []string{"cells", "--loud"}, 2, []string{"--loud"}},
		{"flag without its value", []string{"cells", "--server"}, 2, []string{"--server"}},
		{"argument too many", []string{"serve", "now"}, 2, []string{"now"}},
		{"argument too few", []string{"pull"}, 2, []string{"pull"}},
		{"engine after a flag", []string{"--server", nobody, "engine"}, 2, []string{"put `engine` first"}},
		{"no service", []string{"cells", "--server", nobody}, 4, []string{"not reachable", nobody, "rollcall serve"}},
		{"no service to apply to", []string{"fleet", "apply", filepath.Join("..", "..", "..", "deploy", "demo", "registry.yaml"), "--server", nobody}, 4, []string{"not reachable"}},
		{"no file to apply", []string{"fleet", "apply", filepath.Join(dir, "none.yaml"), "--server", nobody}, 1, []string{"none.yaml"}},
		{"another machine without a certificate", []string{"cells", "--server", "dyno.example:7443"}, 2, []string{"dyno.example:7443", "--cert-file"}},
		{"certificate without its key", []string{"cells", "--cert-file", "a.crt"}, 2, []string{"--key-file", "together"}},
		{"certificate that is not there", []string{"cells", "--cert-file", filepath.Join(dir, "a.crt"), "--key-file", filepath.Join(dir, "a.key"), "--ca-file", filepath.Join(dir, "ca.crt")}, 1, []string{"a.crt"}},
		{"push without an address", []string{"dashboards", "push"}, 2, []string{"--url", "--token-file"}},
		{"push without the token's file", []string{"dashboards", "push", "--url", "http://127.0.0.1:1", "--token-file", filepath.Join(dir, "token")}, 1, []string{"token"}},
		{"no configuration file", []string{"serve", "--config", filepath.Join(dir, "none.yaml")}, 2, []string{"none.yaml"}},
	} {
		t.Run(test.name, func(t *testing.T) { need(t, test.code, test.args, test.says...) })
	}
}

func TestWriteDashboards(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "grafana")
	args := []string{"dashboards", "write", dir, "--clickhouse-host", "db.example", "--clickhouse-port", "9440", "--clickhouse-tls", "--dashboards-at", "/var/lib/dashboards"}
	need(t, 0, args, dir)
	for file, parts := range map[string][]string{
		"provisioning/datasources/rollcall.yaml": {"db.example", "9440", "secure: true", "$ROLLCALL_GRAFANA_PASSWORD"},
		"provisioning/dashboards/rollcall.yaml":  {"/var/lib/dashboards"},
		"dashboards/fleet.json":                  {`"uid"`},
	} {
		text, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			t.Error(err)
		}
		for _, part := range parts {
			if !strings.Contains(string(text), part) {
				t.Errorf("%s has no %s", file, part)
			}
		}
	}
	need(t, 1, []string{"dashboards", "write", dir, "--clickhouse-port", "0"}, "port from 1 to 65535")
	need(t, 2, []string{"dashboards", "write"}, "arg")
}
