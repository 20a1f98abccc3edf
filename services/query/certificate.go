package query

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// Certificate returns a version of a certificate as a message; later is the
// version that replaced it, nil: none.
func Certificate(h store.CertificateHead, later *store.CertificateHead) *pb.Certificate {
	c := &pb.Certificate{
		Number: h.Number, Version: h.Version, CellId: h.CellID, Kind: fleet.CheckKind(h.Kind).String(), CheckIds: h.CheckIDs, PerformedAt: stamp(h.PerformedAt),
		Verdict: h.Verdict, SignedAt: stamp(h.SignedAt), SignedBy: h.SignedBy, Reason: h.Reason, JsonSha256: h.JSONSHA256, HtmlSha256: h.HTMLSHA256, PdfSha256: h.PDFSHA256,
	}
	if later != nil {
		c.ReplacedByVersion, c.ReplacedReason, c.ReplacedAt = later.Version, later.Reason, stamp(later.SignedAt)
	}
	return c
}

// replacing returns the version that replaced h among all those given.
func replacing(h store.CertificateHead, all []store.CertificateHead) *store.CertificateHead {
	i := slices.IndexFunc(all, func(o store.CertificateHead) bool { return o.Number == h.Number && o.Version == h.Version+1 })
	if i < 0 {
		return nil
	}
	return &all[i]
}

// ListCertificates returns every version of certificates, by when the check was
// made, newest first.
func (s *Server) ListCertificates(ctx context.Context, req *pb.ListCertificatesRequest) (*pb.ListCertificatesResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	// Which version replaced which, and what is of a check, is found among all.
	asked := f.Limit
	if asked <= 0 {
		asked = store.DefaultLimit
	}
	f.Limit = everything
	rows, err := s.store.ListCertificates(ctx, f)
	if err != nil {
		return nil, err
	}
	out := &pb.ListCertificatesResponse{}
	for _, r := range rows {
		if req.CheckId != "" && !slices.Contains(r.CheckIDs, req.CheckId) {
			continue
		}
		if len(out.Certificates) == asked {
			out.More = true
			break
		}
		out.Certificates = append(out.Certificates, Certificate(r, replacing(r, rows)))
	}
	return out, nil
}

// GetCertificate returns the documents of a certificate, the bytes that were
// signed, after a look at their SHA-256.
func (s *Server) GetCertificate(ctx context.Context, req *pb.GetCertificateRequest) (*pb.GetCertificateResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	if strings.TrimSpace(req.Number) == "" {
		return nil, &wire.FieldError{Field: "number", Reason: "is empty; `rollcall certificate list` lists the numbers"}
	}
	versions, err := s.store.CertificateVersions(ctx, req.Number)
	if err != nil {
		return nil, err
	}
	if len(versions) == 0 {
		return nil, fmt.Errorf("certificate %q: %w", req.Number, store.ErrNotFound)
	}
	i := len(versions) - 1
	if req.Version != 0 {
		i = slices.IndexFunc(versions, func(h store.CertificateHead) bool { return h.Version == req.Version })
		if i < 0 {
			return nil, fmt.Errorf("certificate %s has no version %d: %w", req.Number, req.Version, store.ErrNotFound)
		}
	}
	h := versions[i]
	row, found, err := s.store.ReadCertificate(ctx, h.Number, h.Version)
	if err != nil {
		return nil, err
	}
	if !found {
		return nil, fmt.Errorf("certificate %s version %d: %w", h.Number, h.Version, store.ErrNotFound)
	}
	if damage := row.Damage(); damage != "" {
		return nil, status.Error(codes.DataLoss, damage+"; the documents are held back. Take them from a backup or from a copy that was handed out, and look at the database's disk")
	}
	out := &pb.GetCertificateResponse{Certificate: Certificate(h, replacing(h, versions)), Json: []byte(row.JSON), Html: []byte(row.HTML), Pdf: []byte(row.PDF)}
	for _, v := range versions {
		out.Versions = append(out.Versions, Certificate(v, replacing(v, versions)))
	}
	return out, nil
}
