package main

import (
	"os"
	"path/filepath"
	"testing"
)

// certs makes an authority and certificates for the service, a cell and three
// people in a new folder.
func certs(t testing.TB) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "certs")
	for _, args := range [][]string{
		{"init"}, {"server", "localhost", "127.0.0.1"}, {"cell", "fen-1"},
		{"person", "Vera", "viewer"}, {"person", "Tom", "technician"}, {"person", "Quin", "quality-manager"},
	} {
		need(t, 0, append([]string{"certs", "--dir", dir}, args...), "written to "+dir)
	}
	return dir
}

func TestCerts(t *testing.T) {
	dir := certs(t)
	for _, name := range []string{"ca", "server", "cell-fen-1", "person-Vera", "person-Quin"} {
		info, err := os.Stat(filepath.Join(dir, name+".key"))
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s.key: %v, %v; want mode 0600", name, info, err)
		}
		if _, err := os.Stat(filepath.Join(dir, name+".crt")); err != nil {
			t.Error(err)
		}
	}
	before, err := os.ReadFile(filepath.Join(dir, "ca.key"))
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name string
		args []string
		code int
		says string
	}{
		{"authority again", []string{"init"}, 1, "exists already"},
		{"cell again", []string{"cell", "fen-1"}, 1, "exists already"},
		{"cell id", []string{"cell", "Fen 1"}, 1, "is no cell id"},
		{"role", []string{"person", "Ann", "boss"}, 1, "quality-manager"},
		{"host with a port", []string{"server", "dyno.example:7443"}, 1, "without scheme and port"},
		{"no host", []string{"server"}, 2, "arg"},
		{"no role", []string{"person", "Ann"}, 2, "arg"},
	} {
		t.Run(test.name, func(t *testing.T) {
			need(t, test.code, append([]string{"certs", "--dir", dir}, test.args...), test.says)
		})
	}
	t.Run("no authority", func(t *testing.T) {
		need(t, 1, []string{"certs", "--dir", t.TempDir(), "cell", "fen-1"}, "ca.")
	})
	after, err := os.ReadFile(filepath.Join(dir, "ca.key"))
	if err != nil || string(after) != string(before) {
		t.Errorf("the authority's key was overwritten, %v", err)
	}
}

// With mutual TLS everybody may do what their certificate says and no more.
func TestMutualTLS(t *testing.T) {
	needEngine(t)
	dir, other := certs(t), certs(t)
	file := func(dir, name string) string { return filepath.Join(dir, name) }
	tls := []string{"--tls-cert-file", file(dir, "server.crt"), "--tls-key-file", file(dir, "server.key"), "--tls-client-ca-file", file(dir, "ca.crt")}
	checked(t, tls...)
	s := start(t, append(tls, "--data-dir", t.TempDir())...)
	as := func(dir, name, ca string, args ...string) []string {
		return append(args, "--server", s.grpc, "--cert-file", file(dir, name+".crt"), "--key-file", file(dir, name+".key"), "--ca-file", file(ca, "ca.crt"))
	}
	apply := []string{"fleet", "apply", demoRegistry, "--by", "test"}

	need(t, 1, as(dir, "person-Vera", dir, apply...), "you may not do this")
	need(t, 1, as(dir, "person-Tom", dir, apply...), "you may not do this")
	need(t, 1, as(dir, "cell-fen-1", dir, apply...), "you may not do this")
	need(t, 3, as(dir, "person-Quin", dir, "fleet", "show"), "registry is empty") // none of them applied anything
	need(t, 0, as(dir, "person-Quin", dir, apply...), "applied")
	need(t, 0, as(dir, "person-Vera", dir, "cells"), "fen-1")
	need(t, 0, as(dir, "person-Tom", dir, "cells"), "fen-1")
	need(t, 1, as(dir, "cell-fen-1", dir, "cells"), "you may not do this")
	need(t, 1, as(dir, "cell-fen-1", dir, "recompute"), "you may not do this")
	need(t, 1, as(dir, "person-Vera", dir, "recompute"), "you may not do this")

	// Another authority's person, a server another authority vouches for, and
	// nobody at all.
	need(t, 4, as(other, "person-Quin", dir, "cells"), "not reachable")
	need(t, 4, as(dir, "person-Quin", other, "cells"), "not reachable", "certificate")
	need(t, 4, []string{"cells", "--server", s.grpc}, "not reachable")
	s.stop()
}
