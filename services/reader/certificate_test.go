package reader

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show/showtest"
)

func (a *admin) SignCertificate(_ context.Context, r *rollcallv1.SignCertificateRequest) (*rollcallv1.SignCertificateResponse, error) {
	a.signed = r
	return &rollcallv1.SignCertificateResponse{Certificate: &rollcallv1.Certificate{Number: showtest.CertificateNumber, Version: 1, SignedBy: r.GetSignedBy()}}, a.err
}

func (a *admin) CorrectCertificate(_ context.Context, r *rollcallv1.CorrectCertificateRequest) (*rollcallv1.CorrectCertificateResponse, error) {
	a.corrected = r
	return &rollcallv1.CorrectCertificateResponse{Certificate: &rollcallv1.Certificate{Number: r.GetNumber(), Version: 2, SignedBy: r.GetSignedBy()}}, a.err
}

func TestCertificateCommands(t *testing.T) {
	d := open(t)
	must := func(want string, arguments ...string) string {
		t.Helper()
		out, problems, err := d.run(arguments...)
		if err != nil || !strings.Contains(out+problems, want) {
			t.Errorf("%v: %v, %q, want %q", arguments, err, out+problems, want)
		}
		return out
	}
	number := showtest.CertificateNumber
	list := must("replaced by version 2: the customer's name was misspelt", "certificate", "list", "--cell", "fen-2")
	if n := strings.Count(list, number); n != 2 {
		t.Errorf("%d versions are listed, want 2", n)
	}
	must("customer", "certificate", "list", "--json")
	must("in force", "certificate", "list", "--check", strings.Repeat("a", 32))
	if _, _, err := d.run("certificate", "list", "--check", strings.Repeat("c", 32)); !errors.Is(err, ErrNothing) {
		t.Errorf("no certificate: %v", err)
	}
	must("End of certificate "+number+", version 2.", "certificate", "show", number)
	must("NOT IN FORCE, replaced by version 2", "certificate", "show", number, "--version", "1")
	// The bytes are those that were signed.
	for use, want := range map[string][]byte{"pdf": d.fleet.Certificates[0].Pdf, "json": d.fleet.Certificates[0].Json} {
		if out := must("", "certificate", use, number); !bytes.Equal([]byte(out), want) {
			t.Errorf("%s: %d bytes, want the %d signed", use, len(out), len(want))
		}
		file := filepath.Join(t.TempDir(), "c."+use)
		must("version 1 is not in force", "certificate", use, number, "--version", "1", "--out", file)
		if _, err := os.Stat(file); err != nil {
			t.Error(err)
		}
		if _, _, err := d.run("certificate", use, number, "--out", file); !errors.Is(err, os.ErrExist) {
			t.Errorf("a file that is there is written over: %v", err)
		}
	}
	must("certificate "+number+" version 1 is signed by M. Krause", "certificate", "sign", strings.Repeat("a", 32), "--by", "M. Krause", "--customer", "Harrow Tuning", "--remark", "x")
	if r := d.admin.signed; r.CheckId != strings.Repeat("a", 32) || r.Customer != "Harrow Tuning" || r.Remark != "x" {
		t.Errorf("asked %v", r)
	}
	must("version 2 is signed by M. Krause", "certificate", "correct", number, "--by", "M. Krause", "--reason", "r", "--remark", "")
	if r := d.admin.corrected; r.Customer != nil || r.Remark == nil || *r.Remark != "" || r.Reason != "r" {
		t.Errorf("asked %v", r)
	}
	var usage *UsageError
	for _, arguments := range [][]string{{"certificate"}, {"certificate", "correct", number}, {"certificate", "sign"}, {"checklist"}, {"checklist", "fen-2", "--csv", "--json"}, {"checklist", "fen-2", "--mapping"}} {
		if _, _, err := d.run(arguments...); !errors.As(err, &usage) {
			t.Errorf("%v: %v is no wrong use", arguments, err)
		}
	}
	d.admin.err = status.Error(codes.FailedPrecondition, "check a has its certificate already: fen-2-2026-0003")
	if _, _, err := d.run("certificate", "sign", strings.Repeat("a", 32)); err == nil || Explain(err) != "check a has its certificate already: fen-2-2026-0003" || ExitCode(err) != ExitError {
		t.Errorf("refused: %v", err)
	}
}

func TestCheckListCommand(t *testing.T) {
	d := open(t)
	out, _, err := d.run("checklist", "fen-2")
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "checklist.txt", out)
	for i, line := range strings.Split(out, "\n") {
		if n := len([]rune(line)); n > 96 {
			t.Errorf("line %d has %d characters", i+1, n)
		}
	}
	out, _, err = d.run("checklist", "fen-2", "--csv")
	if err != nil || out != d.fleet.List.Csv {
		t.Errorf("%v %q", err, out)
	}
	d.fleet.List.Csv, d.fleet.List.Steps, d.fleet.List.Remarks = "", nil, []string{"The registry has no check masses."}
	if _, _, err := d.run("checklist", "fen-2", "--csv"); !errors.Is(err, ErrNothing) || !strings.Contains(err.Error(), "no check masses") {
		t.Errorf("no list: %v", err)
	}
	if _, _, err := d.run("checklist", "none"); ExitCode(err) != ExitNothing {
		t.Errorf("no cell: %v", err)
	}
}
