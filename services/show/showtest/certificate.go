package showtest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/certificate"
	"rollcall/services/certificate/certificatetest"
	"rollcall/services/checklist"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// CertificateNumber is that of the fleet's one certificate, which has two
// versions.
const CertificateNumber = "fen-2-2026-0003"

// certify gives the fleet a certificate and a check list, both really made.
func (f *Fleet) certify() {
	at := Day(12).AsTime()
	check := certificatetest.Weigh(fleet.CheckID(strings.Repeat("a", 32)), fleet.AsFound, at, 9, 3, 0.4, 0.0204)
	check.PerformedBy, check.Note = "J. Dahl", "after "+Attack
	visit := certificate.Judged{Check: check, ReceivedAt: at, Cell: certificatetest.Cell(), Site: certificatetest.Site(), Masses: certificatetest.Masses(),
		Result: loadcell.Judge(check, certificatetest.Cell(), certificatetest.Masses(), gum.SiteGravity(certificatetest.Site()), loadcell.Calibration{})}
	in := certificate.Input{Number: CertificateNumber, Version: 1, Visit: []certificate.Judged{visit}, Issuer: "Fenland Dyno Chain, 1 Sluice Road, Fenwater", Customer: "Harow " + Attack,
		SignedBy: "M. Krause", SignedAt: Day(11).AsTime()}
	first := f.issue(in)
	in.Version, in.Customer, in.SignedAt = 2, "Harrow "+Attack, Day(10).AsTime()
	in.Replaces = &certificate.Replaced{Number: CertificateNumber, Version: 1, SHA256: first.Certificate.JsonSha256, At: Day(11).AsTime(), Reason: "the customer's name was misspelt " + Attack}
	second := f.issue(in)
	second.Certificate.Reason = in.Replaces.Reason
	first.Certificate.ReplacedByVersion, first.Certificate.ReplacedReason, first.Certificate.ReplacedAt = 2, in.Replaces.Reason, Day(10)
	versions := []*rollcallv1.Certificate{first.Certificate, second.Certificate}
	first.Versions, second.Versions = versions, versions
	f.Certificates = []*rollcallv1.GetCertificateResponse{second, first}

	masses := certificatetest.Masses()
	l := checklist.Make(certificatetest.Cell(), certificatetest.Site(), masses, Now)
	f.List = &rollcallv1.GetCheckListResponse{CellId: "fen-2", CellName: l.Cell.Name, SiteName: l.Site.Name, MadeAt: timestamppb.New(Now), Cautions: l.Cautions, Particulars: l.Particulars, Remarks: l.Remarks, Csv: l.CSV()}
	for _, m := range l.Masses {
		f.List.Masses = append(f.List.Masses, &rollcallv1.CheckListMass{MassId: string(m.ID), MassKg: m.Mass.Mass, ExpandedUncertaintyKg: m.U, Certificate: m.Certificate, DueAt: timestamppb.New(m.Due), Overdue: m.Overdue, Used: m.Used})
	}
	for i, s := range l.Steps {
		step := &rollcallv1.CheckListStep{Step: uint32(i + 1), Part: s.Part, Text: s.Text, Cycle: uint32(s.Cycle), LoadN: s.Load, Reads: s.Reads}
		for _, id := range s.Masses {
			step.MassIds = append(step.MassIds, string(id))
		}
		f.List.Steps = append(f.List.Steps, step)
	}
}

func (f *Fleet) issue(in certificate.Input) *rollcallv1.GetCertificateResponse {
	d, err := certificate.Make(in)
	if err != nil {
		panic("showtest: " + err.Error())
	}
	out := &rollcallv1.GetCertificateResponse{}
	for _, form := range []struct {
		write func() ([]byte, error)
		to    *[]byte
	}{{d.JSON, &out.Json}, {d.HTML, &out.Html}, {d.PDF, &out.Pdf}} {
		if *form.to, err = form.write(); err != nil {
			panic("showtest: " + err.Error())
		}
	}
	check := in.Visit[0].Check
	out.Certificate = &rollcallv1.Certificate{Number: d.Number, Version: uint32(d.Version), CellId: string(check.Cell), Kind: check.Kind.String(), CheckIds: []string{string(check.ID)},
		PerformedAt: timestamppb.New(check.PerformedAt), Verdict: in.Visit[0].Verdict().String(), SignedAt: timestamppb.New(in.SignedAt), SignedBy: in.SignedBy,
		JsonSha256: sum(out.Json), HtmlSha256: sum(out.Html), PdfSha256: sum(out.Pdf)}
	return out
}

func sum(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

// ListCertificates returns the certificates of the filter's cell.
func (f *Fleet) ListCertificates(_ context.Context, r *rollcallv1.ListCertificatesRequest) (*rollcallv1.ListCertificatesResponse, error) {
	out := &rollcallv1.ListCertificatesResponse{More: f.More}
	for _, c := range f.Certificates {
		out.Certificates = append(out.Certificates, c.Certificate)
	}
	out.Certificates = keep(r.GetFilter(), out.Certificates, (*rollcallv1.Certificate).GetCellId, none[*rollcallv1.Certificate])
	out.Certificates = slices.DeleteFunc(out.Certificates, func(c *rollcallv1.Certificate) bool {
		return r.GetCheckId() != "" && !slices.Contains(c.GetCheckIds(), r.GetCheckId())
	})
	return out, f.Err
}

// GetCertificate returns a version of the certificate.
func (f *Fleet) GetCertificate(_ context.Context, r *rollcallv1.GetCertificateRequest) (*rollcallv1.GetCertificateResponse, error) {
	if f.Err != nil {
		return nil, f.Err
	}
	for _, c := range f.Certificates {
		if c.Certificate.Number == r.GetNumber() && (r.GetVersion() == 0 || r.GetVersion() == c.Certificate.Version) {
			return c, nil
		}
	}
	return nil, status.Error(codes.NotFound, fmt.Sprintf("there is no certificate %s", r.GetNumber()))
}

// GetCheckList returns the list of the one cell that has one.
func (f *Fleet) GetCheckList(_ context.Context, r *rollcallv1.GetCheckListRequest) (*rollcallv1.GetCheckListResponse, error) {
	if f.Err != nil {
		return nil, f.Err
	}
	if f.List == nil || f.List.CellId != r.GetCellId() {
		return nil, status.Errorf(codes.NotFound, "cell %q is not in the registry", r.GetCellId())
	}
	return f.List, nil
}
