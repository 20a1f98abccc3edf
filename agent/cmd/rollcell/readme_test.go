package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestReadmeSample reads the agent's configuration that README.md shows.
func TestReadmeSample(t *testing.T) {
	text, err := os.ReadFile("../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, after, ok := strings.Cut(string(text), "```yaml\n# agent.yaml\n")
	sample, _, closed := strings.Cut(after, "```")
	if !ok || !closed {
		t.Fatal("README.md shows no agent.yaml")
	}
	file := filepath.Join(t.TempDir(), "agent.yaml")
	if err := os.WriteFile(file, []byte(sample), 0o600); err != nil {
		t.Fatal(err)
	}
	c := DefaultConfig()
	if err := readConfig(&c, file); err != nil {
		t.Error(err)
	}
	if c.Cell != "fen-1" || c.Spool.MaxBytes != 10<<30 || c.TLS.CA != "/etc/rollcell/ca.crt" {
		t.Errorf("the sample reads as %+v", c)
	}
	if err := c.Validate(); err != nil {
		t.Error(err)
	}
}
