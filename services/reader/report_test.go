package reader

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// The reports of the chain and of every site go into a folder, each whole or not
// at all; what was broken off goes on where it was, and what is there stays.
func TestEveryReport(t *testing.T) {
	d := open(t)
	dir := filepath.Join(t.TempDir(), "reports")
	out, progress, err := d.run("report", "--week", "2026-W26", "--every", dir)
	if err != nil || out != "7 reports written to "+dir+", 0 were there\n" || progress != "reports: 7 of 7\n" {
		t.Errorf("out %q, progress %q, error %v", out, progress, err)
	}
	files, _ := filepath.Glob(filepath.Join(dir, "*"))
	if len(files) != 7 {
		t.Fatalf("files %v", files)
	}
	for _, name := range files {
		if data, err := os.ReadFile(name); err != nil || !bytes.HasPrefix(data, []byte("%PDF-")) || !bytes.Contains(data[max(0, len(data)-32):], []byte("%%EOF")) {
			t.Errorf("%s is no whole PDF: %v", name, err)
		}
	}
	one := filepath.Join(dir, "report-fen-2026-W26.pdf")
	if err := os.Remove(one); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "report-mil-2026-W26.pdf"), []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, _, err = d.run("report", "--week", "2026-W26", "--every", dir); err != nil || out != "1 report written to "+dir+", 6 were there\n" {
		t.Errorf("again: out %q, error %v", out, err)
	}
	if data, _ := os.ReadFile(filepath.Join(dir, "report-mil-2026-W26.pdf")); string(data) != "mine" {
		t.Error("what was there is overwritten")
	}
	if _, err := os.Stat(one); err != nil {
		t.Error(err)
	}

	if _, _, err = d.run("report", "--every", dir, "--pdf", "x.pdf"); err == nil || !strings.Contains(err.Error(), "every") {
		t.Errorf("both: %v", err)
	}
	if _, _, err = d.run("report", "--week", "2030-W01", "--every", t.TempDir()); ExitCode(err) != ExitNothing || !strings.Contains(err.Error(), "0 of 7") {
		t.Errorf("a week to come: %v", err)
	}
	d.fleet.Err = status.Error(codes.Unavailable, "engine gone")
	if _, _, err = d.run("report", "--every", t.TempDir()); ExitCode(err) != ExitUnreachable {
		t.Errorf("no service: %v", err)
	}
}
