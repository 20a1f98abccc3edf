package main

import (
	"bytes"
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
	// The sample is right when nothing but its files is missing here.
	var out, errs bytes.Buffer
	code := (Main{Out: &out, Err: &errs}).Run(t.Context(), []string{"check-config", "--config", file})
	lines := strings.Split(strings.TrimSpace(errs.String()), "\n")
	if code != 2 || len(lines) != 4 {
		t.Errorf("exit code %d, said:\n%s", code, errs.String())
	}
	for _, line := range lines {
		if !strings.Contains(line, "/etc/rollcell/") || !strings.Contains(line, "no such file") {
			t.Errorf("the sample is wrong: %s", line)
		}
	}
}
