package admin

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/certificate"
	"rollcall/services/compute/interval"
	"rollcall/services/fleet"
	"rollcall/services/query"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// Certificates is what signing needs besides the store.
type Certificates struct {
	// Issuer stands in the head of every certificate; empty: the operator of the
	// site.
	Issuer string
	// Judged returns the checks of a cell with what was computed of them.
	Judged func(context.Context, fleet.CellID) ([]certificate.Judged, error)
	// Next returns when a cell's load cell is to be checked again after a check;
	// nil: nothing is said of it.
	Next func(context.Context, fleet.CellID, time.Time) (interval.Outcome, error)
}

// The most that people may write on a certificate.
const (
	mostCustomer = 500
	mostRemark   = 2000
	mostReason   = 2000
)

// SignCertificate issues the certificate of a check.
//
// Two people, or two replicas, may sign at once. A number is taken by an insert
// that the database keeps once only (store.TakeCertificateNumber), with the
// checks it is for; whoever finds the next number taken reads all numbers again
// and either finds the check among them or goes on to the one after. A version
// is written the same way. So a number has one owner, a check one number, a
// version one set of bytes, whoever was first. A signing that broke off between
// number and certificate is taken up by the next try under the same number.
func (s *Server) SignCertificate(ctx context.Context, req *pb.SignCertificateRequest) (*pb.SignCertificateResponse, error) {
	who, err := s.person(ctx, "signed_by", req.SignedBy)
	if err != nil {
		return nil, err
	}
	id := fleet.CheckID(req.CheckId)
	if !wire.ValidHash(req.CheckId) {
		return nil, &wire.FieldError{Field: "check_id", Reason: fmt.Sprintf("%.80q has not the form of a check's id, which is 32 hexadecimal digits as `rollcall checks --json` lists them", req.CheckId)}
	}
	if err := words(map[string]string{"customer": req.Customer, "remark": req.Remark}); err != nil {
		return nil, err
	}
	row, found, err := s.store.ReadCheck(ctx, id)
	if err != nil {
		return nil, err
	}
	if !found {
		return nil, fmt.Errorf("check %s: %w", id, store.ErrNotFound)
	}
	cell := fleet.CellID(row.CellID)
	now := s.now().UTC()
	number, visit, all, err := s.number(ctx, cell, id, now, who)
	if err != nil {
		return nil, err
	}
	in := certificate.Input{Number: number.Number, Version: 1, Visit: visit, Issuer: s.Certificates.Issuer, Customer: req.Customer, Remark: req.Remark, SignedBy: who, SignedAt: now}
	in.Related, err = s.related(ctx, cell, all, visit)
	if err != nil {
		return nil, err
	}
	head, err := s.issue(ctx, in)
	if err != nil {
		return nil, err
	}
	return &pb.SignCertificateResponse{Certificate: head}, nil
}

// words refuses texts that are too long to stand on a certificate.
func words(texts map[string]string) error {
	for field, most := range map[string]int{"customer": mostCustomer, "remark": mostRemark, "reason": mostReason} {
		if n := len([]rune(texts[field])); n > most {
			return &wire.FieldError{Field: field, Reason: fmt.Sprintf("has %d characters; at most %d have room on a certificate", n, most)}
		}
	}
	return nil
}

// refused turns a refusal into the answer to a request.
func refused(err error) error {
	var r *certificate.Refusal
	if errors.As(err, &r) {
		return status.Error(codes.FailedPrecondition, r.Reason)
	}
	return err
}

// number takes a number for a check and what belongs to it, or takes up one that
// was taken for it and never used.
func (s *Server) number(ctx context.Context, cell fleet.CellID, id fleet.CheckID, now time.Time, who string) (row store.CertificateNumberRow, visit, all []certificate.Judged, err error) {
	if all, err = s.Certificates.Judged(ctx, cell); err != nil {
		return row, nil, nil, err
	}
	lost := map[uint32]bool{} // numbers that nobody has
	for {
		taken, err := s.store.ReadCertificateNumbers(ctx, cell)
		if err != nil {
			return row, nil, nil, err
		}
		holder := func(id fleet.CheckID) (store.CertificateNumberRow, bool) {
			i := slices.IndexFunc(taken, func(r store.CertificateNumberRow) bool { return slices.Contains(r.CheckIDs, string(id)) })
			if i < 0 {
				return store.CertificateNumberRow{}, false
			}
			return taken[i], true
		}
		if r, ok := holder(id); ok {
			versions, err := s.store.CertificateVersions(ctx, r.Number)
			if err != nil {
				return row, nil, nil, err
			}
			if len(versions) > 0 {
				return row, nil, nil, signedAlready(id, versions[0])
			}
			// Taken and not used: the same checks, as they were meant.
			visit = nil
			for _, j := range all {
				if slices.Contains(r.CheckIDs, string(j.Check.ID)) {
					visit = append(visit, j)
				}
			}
			if len(visit) != len(r.CheckIDs) {
				return row, nil, nil, status.Errorf(codes.FailedPrecondition, "certificate number %s was taken for check %s, and not all checks of that visit are judged yet; try again in a moment", r.Number, id)
			}
			return r, visit, all, nil
		}
		visit, err = certificate.Visit(all, id, func(other fleet.CheckID) bool { _, ok := holder(other); return ok })
		if err != nil {
			return row, nil, nil, refused(err)
		}
		next := uint32(1)
		for _, r := range taken {
			if r.Year == uint16(now.Year()) {
				next = max(next, r.Running+1)
			}
		}
		for lost[next] {
			next++
		}
		row = store.CertificateNumberRow{CellID: string(cell), Year: uint16(now.Year()), Running: next, Number: fmt.Sprintf("%s-%d-%04d", cell, now.Year(), next), TakenAt: now, TakenBy: who}
		for _, j := range visit {
			row.CheckIDs = append(row.CheckIDs, string(j.Check.ID))
		}
		got, kept, err := s.store.TakeCertificateNumber(ctx, row)
		switch {
		case err != nil:
			return row, nil, nil, err
		case !kept:
			lost[next] = true
			s.log.Warn("certificate number lost, the next is taken", zap.String("number", row.Number))
		case slices.Equal(got.CheckIDs, row.CheckIDs):
			return got, visit, all, nil
		}
	}
}

// signedAlready says that the check asked for is on a certificate.
func signedAlready(id fleet.CheckID, h store.CertificateHead) error {
	return status.Errorf(codes.FailedPrecondition, "check %s has its certificate already: %s, signed on %s by %s; to change it, make a corrected version with `rollcall certificate correct %s --reason TEXT`",
		id, h.Number, h.SignedAt.UTC().Format(time.DateOnly), h.SignedBy, h.Number)
}

// related returns the number of the certificate that holds the check as found of
// a check as left that stands alone.
func (s *Server) related(ctx context.Context, cell fleet.CellID, all, visit []certificate.Judged) (string, error) {
	if len(visit) != 1 {
		return "", nil
	}
	found, ok := certificate.Companion(all, visit[0].Check.ID)
	if !ok {
		return "", nil
	}
	taken, err := s.store.ReadCertificateNumbers(ctx, cell)
	if err != nil {
		return "", err
	}
	for _, r := range taken {
		if slices.Contains(r.CheckIDs, string(found)) {
			return r.Number, nil
		}
	}
	return "", nil
}

// issue makes the documents of a version and stores them.
func (s *Server) issue(ctx context.Context, in certificate.Input) (*pb.Certificate, error) {
	first, last := in.Visit[0], in.Visit[len(in.Visit)-1]
	if s.Certificates.Next != nil && first.Check.Kind != fleet.CheckBaseInertia {
		next, err := s.Certificates.Next(ctx, first.Check.Cell, last.Check.PerformedAt)
		if err != nil {
			return nil, err
		}
		in.Next = next
	}
	d, err := certificate.Make(in)
	if err != nil {
		return nil, refused(err)
	}
	row := store.CertificateRow{
		Number: d.Number, Version: uint32(d.Version), CellID: string(first.Check.Cell), Kind: uint8(first.Check.Kind), PerformedAt: first.Check.PerformedAt,
		Verdict: last.Verdict().String(), SignedAt: in.SignedAt, SignedBy: in.SignedBy,
	}
	for _, j := range in.Visit {
		row.CheckIDs = append(row.CheckIDs, string(j.Check.ID))
	}
	before := ""
	if in.Replaces != nil {
		row.Reason, before = in.Replaces.Reason, fmt.Sprintf("version %d", in.Replaces.Version)
	}
	for _, form := range []struct {
		write func() ([]byte, error)
		to    *string
	}{{d.JSON, &row.JSON}, {d.HTML, &row.HTML}, {d.PDF, &row.PDF}} {
		data, err := form.write()
		if err != nil {
			return nil, err
		}
		*form.to = string(data)
	}
	row.Seal()
	subject := fmt.Sprintf("certificate %s version %d", row.Number, row.Version)
	after := "SHA-256 of the JSON " + row.JSONSHA256
	if row.Reason != "" {
		after = row.Reason + "; " + after
	}
	// The audit first: a certificate without its line must not be. A signing that
	// comes second leaves its line, with the sum of what it would have signed.
	if err := s.store.AppendAudit(ctx, []store.AuditRow{{At: in.SignedAt, Who: in.SignedBy, What: "certificate signed", Subject: subject, Before: before, After: after}}); err != nil {
		return nil, err
	}
	stands, err := s.store.AppendCertificate(ctx, row)
	if err != nil {
		return nil, err
	}
	if stands.JSONSHA256 != row.JSONSHA256 || stands.SignedBy != row.SignedBy || !stands.SignedAt.Equal(row.SignedAt) {
		if err := s.store.AppendAudit(ctx, []store.AuditRow{{At: s.now().UTC(), Who: in.SignedBy, What: "certificate not signed", Subject: subject, Before: after,
			After: fmt.Sprintf("%s had signed it first; SHA-256 of the JSON %s", stands.SignedBy, stands.JSONSHA256)}}); err != nil {
			return nil, err
		}
		if in.Version > 1 {
			return nil, status.Errorf(codes.FailedPrecondition, "certificate %s was corrected by %s a moment ago; read version %d, and correct that one if need be", row.Number, stands.SignedBy, stands.Version)
		}
		return nil, signedAlready(first.Check.ID, stands)
	}
	s.log.Info("certificate signed", zap.String("number", row.Number), zap.Uint32("version", row.Version), zap.String("by", row.SignedBy))
	return query.Certificate(stands, nil), nil
}

// CorrectCertificate issues a new version of a certificate, made anew from the
// checks and the registry as they are now.
func (s *Server) CorrectCertificate(ctx context.Context, req *pb.CorrectCertificateRequest) (*pb.CorrectCertificateResponse, error) {
	who, err := s.person(ctx, "signed_by", req.SignedBy)
	if err != nil {
		return nil, err
	}
	reason := strings.TrimSpace(req.Reason)
	if reason == "" {
		return nil, &wire.FieldError{Field: "reason", Reason: "is empty; say what was wrong with the version before, it stands on the new one"}
	}
	if err := words(map[string]string{"customer": req.GetCustomer(), "remark": req.GetRemark(), "reason": reason}); err != nil {
		return nil, err
	}
	versions, err := s.store.CertificateVersions(ctx, req.Number)
	if err != nil {
		return nil, err
	}
	if len(versions) == 0 {
		return nil, fmt.Errorf("certificate %q: %w", req.Number, store.ErrNotFound)
	}
	head := versions[len(versions)-1]
	old, found, err := s.store.ReadCertificate(ctx, head.Number, head.Version)
	if err != nil {
		return nil, err
	}
	if !found {
		return nil, fmt.Errorf("certificate %s version %d: %w", head.Number, head.Version, store.ErrNotFound)
	}
	in := certificate.Input{
		Number: head.Number, Version: int(head.Version) + 1, Issuer: s.Certificates.Issuer, SignedBy: who, SignedAt: s.now().UTC(),
		Replaces: &certificate.Replaced{Number: head.Number, Version: int(head.Version), SHA256: head.JSONSHA256, At: head.SignedAt.UTC(), Reason: reason},
	}
	// A damaged version can be replaced too; what it said is then not carried on.
	if old.Damage() == "" {
		d, err := certificate.Parse([]byte(old.JSON))
		if err != nil {
			return nil, err
		}
		in.Customer, in.Remark, in.Related = d.Customer, d.Remark, d.Related
	}
	if req.Customer != nil {
		in.Customer = req.GetCustomer()
	}
	if req.Remark != nil {
		in.Remark = req.GetRemark()
	}
	all, err := s.Certificates.Judged(ctx, fleet.CellID(head.CellID))
	if err != nil {
		return nil, err
	}
	for _, id := range head.CheckIDs {
		i := slices.IndexFunc(all, func(j certificate.Judged) bool { return string(j.Check.ID) == id })
		if i < 0 {
			return nil, fmt.Errorf("check %s of certificate %s: %w", id, head.Number, store.ErrNotFound)
		}
		in.Visit = append(in.Visit, all[i])
	}
	out, err := s.issue(ctx, in)
	if err != nil {
		return nil, err
	}
	return &pb.CorrectCertificateResponse{Certificate: out}, nil
}
