package pages

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// certificatesOf returns the versions in force of a cell's certificates, newest
// first.
func (h *handler) certificatesOf(ctx context.Context, cell string) ([]*rollcallv1.Certificate, error) {
	if cell == "" {
		return nil, nil
	}
	r, err := h.fleet.ListCertificates(ctx, &rollcallv1.ListCertificatesRequest{Filter: &rollcallv1.Filter{CellId: cell, Limit: 1000}})
	if err != nil {
		return nil, err
	}
	return inForce(r.GetCertificates()), nil
}

func inForce(all []*rollcallv1.Certificate) []*rollcallv1.Certificate {
	var out []*rollcallv1.Certificate
	for _, c := range all {
		if c.GetReplacedByVersion() == 0 {
			out = append(out, c)
		}
	}
	return out
}

// certificatesPage is the data of the list of certificates.
type certificatesPage struct {
	Cell string
	All  []*rollcallv1.Certificate
	More bool
}

func (h *handler) showCertificates(ctx context.Context, r *http.Request) (answer, error) {
	p := certificatesPage{Cell: r.URL.Query().Get("cell")}
	list, err := h.fleet.ListCertificates(ctx, &rollcallv1.ListCertificatesRequest{Filter: &rollcallv1.Filter{CellId: p.Cell, Limit: 500}})
	if err != nil {
		return answer{}, err
	}
	p.All, p.More = list.GetCertificates(), list.GetMore()
	return answer{page: "certificates", title: "Certificates", data: p}, nil
}

// certificatePage is the data of a certificate's page.
type certificatePage struct {
	*rollcallv1.Certificate
	Versions []*rollcallv1.Certificate
	Article  template.HTML // as it was signed
}

// showCertificate shows a version of a certificate, the newest where the address
// names none, or gives the document itself.
func (h *handler) showCertificate(ctx context.Context, r *http.Request) (answer, error) {
	number, kind, version := r.PathValue("id"), "", uint64(0)
	last := &number
	text := r.PathValue("version")
	if text != "" {
		last = &text
	}
	for _, k := range []string{"pdf", "json"} {
		if rest, ok := strings.CutSuffix(*last, "."+k); ok {
			*last, kind = rest, k
		}
	}
	if text != "" {
		var err error
		if version, err = strconv.ParseUint(text, 10, 32); err != nil || version == 0 {
			return answer{}, status.Error(codes.NotFound, "no such version")
		}
	}
	c, err := h.fleet.GetCertificate(ctx, &rollcallv1.GetCertificateRequest{Number: number, Version: uint32(version)})
	if err != nil {
		return answer{}, err
	}
	name := fmt.Sprintf("%s-version-%d.", c.GetCertificate().GetNumber(), c.GetCertificate().GetVersion())
	switch kind {
	case "pdf":
		return answer{kind: "application/pdf", body: c.GetPdf(), name: name + kind}, nil
	case "json":
		return answer{kind: "application/json", body: c.GetJson(), name: name + kind}, nil
	}
	// The bytes were checked against what was signed, and what people wrote was
	// escaped when they were made.
	return answer{page: "certificate", title: "Certificate " + c.GetCertificate().GetNumber(), class: "paper",
		data: certificatePage{Certificate: c.GetCertificate(), Versions: c.GetVersions(), Article: template.HTML(c.GetHtml())}}, nil
}

// checkListPage is the data of a check list's page.
type checkListPage struct {
	*rollcallv1.GetCheckListResponse
	Parts []checkListPart
}

// checkListPart is steps that belong together.
type checkListPart struct {
	Name  string
	Reads bool
	Steps []*rollcallv1.CheckListStep
}

func (h *handler) showCheckList(ctx context.Context, r *http.Request) (answer, error) {
	l, err := h.fleet.GetCheckList(ctx, &rollcallv1.GetCheckListRequest{CellId: r.PathValue("id")})
	if err != nil {
		return answer{}, err
	}
	p := checkListPage{GetCheckListResponse: l}
	for _, s := range l.GetSteps() {
		if n := len(p.Parts); n == 0 || p.Parts[n-1].Name != s.GetPart() {
			p.Parts = append(p.Parts, checkListPart{Name: s.GetPart()})
		}
		last := &p.Parts[len(p.Parts)-1]
		last.Steps = append(last.Steps, s)
		last.Reads = last.Reads || s.GetReads()
	}
	return answer{page: "checklist", title: "Check list of " + l.GetCellId(), class: "paper", data: p}, nil
}

func (h *handler) checkListCSV(ctx context.Context, r *http.Request) (answer, error) {
	l, err := h.fleet.GetCheckList(ctx, &rollcallv1.GetCheckListRequest{CellId: r.PathValue("id")})
	if err != nil {
		return answer{}, err
	}
	if l.GetCsv() == "" {
		return answer{}, status.Error(codes.NotFound, "no list")
	}
	return answer{kind: "text/csv; charset=utf-8", body: []byte(l.GetCsv()), name: "check-" + l.GetCellId() + ".csv"}, nil
}
