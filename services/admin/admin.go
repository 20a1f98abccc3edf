package admin

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/fleet"
	"rollcall/services/registry"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// Server serves the AdminService.
type Server struct {
	pb.UnimplementedAdminServiceServer
	store *store.Store
	book  *Book
	now   func() time.Time
	log   *zap.Logger

	// Applied is called after the registry changed, with each cell and car
	// whose entry did and the earliest time from which it did; masses says that a
	// check mass or a reference standard is among what changed.
	Applied func(cells []fleet.CellID, cars []fleet.CarID, sites []fleet.SiteID, masses bool, from time.Time)
	// FlagClosed is called after a flag was closed by a person.
	FlagClosed func()
	// ParasiticAdopted is called after a parasitic loss was adopted.
	ParasiticAdopted func()
	// CarryFits says whether a baseline pull's loss can be carried to others: nil,
	// or a sentence that says why not.
	CarryFits func(ctx context.Context, from fleet.PullID, pulls []fleet.PullID) error
	// LossCarried is called after somebody decided on the losses of pulls.
	LossCarried func(ctx context.Context, pulls []fleet.PullID) error
	// Restate computes the pulls that a flag touches anew, with the errors of their
	// cell put right.
	Restate func(ctx context.Context, touched []store.TouchedRow) ([]store.RestatedRow, error)
	// RecomputeAll rebuilds every computed table and reports its progress.
	RecomputeAll func(ctx context.Context, progress func(stage string, done, total uint64) error) error

	// Certificates is what signing needs.
	Certificates Certificates

	applying, deciding sync.Mutex

	restateWait time.Duration
	restatingMu sync.Mutex
	restating   map[string]bool // by flag; of restatingMu
}

// New returns a server that keeps the registry in book.
func New(s *store.Store, book *Book, now func() time.Time, log *zap.Logger) *Server {
	return &Server{store: s, book: book, now: now, log: log.Named("admin"), restateWait: restateWait}
}

// ApplyRegistry takes a registry file whole or not at all.
func (s *Server) ApplyRegistry(ctx context.Context, req *pb.ApplyRegistryRequest) (*pb.ApplyRegistryResponse, error) {
	who, err := s.person(ctx, "applied_by", req.AppliedBy)
	if err != nil {
		return nil, err
	}
	s.applying.Lock()
	defer s.applying.Unlock()
	now := s.now().UTC()
	doc, problems := registry.Parse(req.FileName, req.Yaml, now)
	out := &pb.ApplyRegistryResponse{}
	for _, p := range problems {
		out.Problems = append(out.Problems, &pb.RegistryProblem{FileName: p.File, Line: int32(p.Line), What: p.What, Mend: p.Mend})
	}
	if len(problems) > 0 {
		return out, nil
	}
	// Another replica may have applied a file since.
	if err := s.book.Load(ctx); err != nil {
		return nil, err
	}
	before := s.book.At(doc.EffectiveAt)
	changes, add, err := registry.Plan(s.book.Versions(), doc, now, who)
	if err != nil {
		return nil, fmt.Errorf("plan the registry's change: %w", err)
	}
	for _, c := range changes {
		out.Changes = append(out.Changes, &pb.RegistryChange{Kind: string(c.Kind), Id: c.ID, Change: c.Change, Detail: c.Detail})
	}
	if req.DryRun || len(add) == 0 {
		return out, nil
	}
	rows := make([]store.RegistryRow, len(add))
	audit := make([]store.AuditRow, len(add))
	old := bodies(before)
	for i, v := range add {
		rows[i] = store.RegistryRow{Kind: string(v.Kind), ID: v.ID, EffectiveAt: v.EffectiveAt, RecordedAt: v.RecordedAt, AppliedBy: v.By, Body: string(v.Body)}
		audit[i] = store.AuditRow{At: now, Who: who, What: "registry applied", Subject: string(v.Kind) + " " + v.ID, Before: old[string(v.Kind)+" "+v.ID], After: string(v.Body)}
	}
	// The audit first: a change without its line must not be.
	if err := s.store.AppendAudit(ctx, audit); err != nil {
		return nil, err
	}
	if err := s.store.AppendRegistry(ctx, rows); err != nil {
		return nil, err
	}
	if err := s.book.Load(ctx); err != nil {
		return nil, err
	}
	s.log.Info("registry applied", zap.String("by", who), zap.Int("entries", len(add)), zap.Time("effective_at", doc.EffectiveAt))
	if s.Applied != nil {
		var cells []fleet.CellID
		var cars []fleet.CarID
		var sites []fleet.SiteID
		masses := false
		for _, v := range add {
			switch v.Kind {
			case registry.KindCell:
				cells = append(cells, fleet.CellID(v.ID))
			case registry.KindCar:
				cars = append(cars, fleet.CarID(v.ID))
			case registry.KindSite:
				sites = append(sites, fleet.SiteID(v.ID))
			case registry.KindMass, registry.KindStandard:
				masses = true
			}
		}
		s.Applied(cells, cars, sites, masses, doc.EffectiveAt)
	}
	return out, nil
}

// bodies returns every entry's canonical JSON by "kind id".
func bodies(r fleet.Registry) map[string]string {
	doc := registry.Document{Registry: r}
	_, all, err := registry.Plan(nil, doc, time.Time{}, "")
	out := map[string]string{}
	if err != nil {
		return out
	}
	for _, v := range all {
		out[string(v.Kind)+" "+v.ID] = string(v.Body)
	}
	return out
}

func stamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// person returns who asks: the certificate's name, else what was said. It
// refuses whoever may not change anything.
func (s *Server) person(ctx context.Context, field, said string) (string, error) {
	id := access.FromContext(ctx)
	if !id.MayAdminister() {
		return "", access.Denied("%s may not change the registry, close flags, restate pulls, carry losses or sign certificates; a quality manager's certificate is needed", id)
	}
	if id.Person != "" {
		return id.Person, nil
	}
	if said = strings.TrimSpace(said); said == "" {
		return "", &wire.FieldError{Field: field, Reason: "is empty; say who makes the change"}
	}
	return said, nil
}

// CloseFlag closes a flag by a signed reason, and answers when the flag shows
// closed or closeWait has passed.
func (s *Server) CloseFlag(ctx context.Context, req *pb.CloseFlagRequest) (*pb.CloseFlagResponse, error) {
	who, err := s.person(ctx, "closed_by", req.ClosedBy)
	if err != nil {
		return nil, err
	}
	reason := strings.TrimSpace(req.Reason)
	if reason == "" {
		return nil, &wire.FieldError{Field: "reason", Reason: "is empty; say why the flag is closed"}
	}
	flag, found, err := s.store.ReadFlag(ctx, fleet.FlagID(req.FlagId))
	if err != nil {
		return nil, err
	}
	if !found {
		return nil, fmt.Errorf("flag %s: %w", req.FlagId, store.ErrNotFound)
	}
	signed, err := s.signed(ctx, flag)
	if err != nil {
		return nil, err
	}
	if !flag.Open || signed {
		return nil, &wire.FieldError{Field: "flag_id", Reason: "is of a flag that is closed already"}
	}
	// The closing belongs to the data's time when that is ahead of the clock.
	now := s.now().UTC()
	if flag.UpdatedAt.After(now) {
		now = flag.UpdatedAt
	}
	subject := "flag " + flag.FlagID
	if err := s.store.AppendAudit(ctx, []store.AuditRow{{At: now, Who: who, What: "flag closed", Subject: subject, Before: "open", After: reason}}); err != nil {
		return nil, err
	}
	row := store.ClosingRow{FlagID: flag.FlagID, CellID: flag.CellID, CarID: flag.CarID, ClosedAt: now, ClosedBy: who, Reason: reason}
	if err := s.store.AppendClosing(ctx, row); err != nil {
		return nil, err
	}
	s.log.Info("flag closed", zap.String("flag", flag.FlagID), zap.String("by", who))
	if s.FlagClosed != nil {
		s.FlagClosed()
		s.awaitClosed(ctx, fleet.FlagID(flag.FlagID))
	}
	return &pb.CloseFlagResponse{}, nil
}

// AcknowledgeFlag keeps who has taken an open flag on, and what for. The flag
// stays open.
func (s *Server) AcknowledgeFlag(ctx context.Context, req *pb.AcknowledgeFlagRequest) (*pb.AcknowledgeFlagResponse, error) {
	who, err := s.person(ctx, "acknowledged_by", req.AcknowledgedBy)
	if err != nil {
		return nil, err
	}
	reason := strings.TrimSpace(req.Reason)
	if reason == "" {
		return nil, &wire.FieldError{Field: "reason", Reason: "is empty; say what is being done about the flag"}
	}
	flag, found, err := s.store.ReadFlag(ctx, fleet.FlagID(req.FlagId))
	if err != nil {
		return nil, err
	}
	if !found {
		return nil, fmt.Errorf("flag %s: %w", req.FlagId, store.ErrNotFound)
	}
	if !flag.Open {
		return nil, &wire.FieldError{Field: "flag_id", Reason: "is of a flag that is closed already"}
	}
	row := store.AuditRow{At: s.now().UTC(), Who: who, What: "flag acknowledged", Subject: "flag " + flag.FlagID, Before: "open", After: reason}
	if err := s.store.AppendAudit(ctx, []store.AuditRow{row}); err != nil {
		return nil, err
	}
	s.log.Info("flag acknowledged", zap.String("flag", flag.FlagID), zap.String("by", who))
	return &pb.AcknowledgeFlagResponse{AcknowledgedBy: who}, nil
}

// signed says whether somebody has signed an open flag's closing, which the
// flag itself shows only once the fleet was compared anew.
func (s *Server) signed(ctx context.Context, flag store.FlagRow) (bool, error) {
	closings, err := s.store.ReadClosings(ctx)
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(closings, func(c store.ClosingRow) bool {
		return c.FlagID == flag.FlagID && !c.ClosedAt.Before(flag.OpenedAt)
	}), nil
}

// closeWait is how long CloseFlag waits for the flag to show closed. The closing
// is kept by then, whatever the comparing of the fleet takes.
const closeWait = 5 * time.Second

// awaitClosed returns when the flag shows closed, closeWait has passed or ctx
// has ended.
func (s *Server) awaitClosed(ctx context.Context, id fleet.FlagID) {
	ctx, cancel := context.WithTimeout(ctx, closeWait)
	defer cancel()
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	for {
		if flag, found, err := s.store.ReadFlag(ctx, id); err == nil && found && !flag.Open {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-again.C:
		}
	}
}

// Recompute rebuilds every computed table from the raw ones.
func (s *Server) Recompute(_ *pb.RecomputeRequest, stream pb.AdminService_RecomputeServer) error {
	ctx := stream.Context()
	id := access.FromContext(ctx)
	if !id.MayAdminister() {
		return access.Denied("%s may not recompute; a quality manager's certificate is needed", id)
	}
	who := id.Person
	if who == "" {
		who = "loopback"
	}
	if err := s.store.AppendAudit(ctx, []store.AuditRow{{At: s.now().UTC(), Who: who, What: "recomputed", Subject: "all"}}); err != nil {
		return err
	}
	return s.RecomputeAll(ctx, func(stage string, done, total uint64) error {
		return stream.Send(&pb.RecomputeResponse{Stage: stage, Done: done, Total: total})
	})
}

// Registry returns the registry at a time, zero for now, in the form
// ApplyRegistry reads; nothing when nothing had been applied by then.
func (s *Server) Registry(at time.Time) []byte {
	if at.IsZero() {
		at = s.now()
	}
	r := s.book.At(at)
	var from time.Time
	for _, v := range s.book.Versions() {
		if !v.EffectiveAt.After(at) && v.EffectiveAt.After(from) {
			from = v.EffectiveAt
		}
	}
	if from.IsZero() {
		return nil
	}
	return slices.Clone(registry.RenderFrom(r, from))
}
