package admin

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/certificate"
	"rollcall/services/certificate/certificatetest"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/interval"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
	"rollcall/services/query"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
)

// desk is a service that signs certificates of checks given to it.
type desk struct {
	*Server
	reading *query.Server
	store   *store.Store
	checks  []fleet.Check
	mu      sync.Mutex
	count   int // of replicas
}

var signing = time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC)

func openDesk(t *testing.T, checks ...fleet.Check) (*desk, context.Context) {
	t.Helper()
	s := storetest.Open(t)
	ctx := access.NewContext(t.Context(), access.Identity{Person: "M. Krause", Role: access.RoleQualityManager})
	var rows []store.CheckRow
	for _, c := range checks {
		rows = append(rows, store.FromCheck(c, c.PerformedAt.Add(time.Hour)))
	}
	if err := s.Append(ctx, store.Batch{Checks: rows}); err != nil {
		t.Fatal(err)
	}
	d := &desk{store: s, checks: checks}
	d.Server = d.replica()
	d.reading = query.New(s, d.Server.book, func() time.Time { return signing })
	return d, ctx
}

// replica is another service on the same database; its clock is a little ahead
// of the last one's.
func (d *desk) replica() *Server {
	at := signing.Add(time.Duration(d.count) * time.Second)
	d.count++
	server := New(d.store, NewBook(d.store), func() time.Time { return at }, zap.NewNop())
	server.Certificates = Certificates{
		Issuer: "Fenland Dyno Chain",
		Judged: func(context.Context, fleet.CellID) ([]certificate.Judged, error) {
			d.mu.Lock()
			defer d.mu.Unlock()
			var out []certificate.Judged
			for _, c := range d.checks {
				out = append(out, certificate.Judged{Check: c, ReceivedAt: c.PerformedAt.Add(time.Hour), Cell: certificatetest.Cell(), Site: certificatetest.Site(), Masses: certificatetest.Masses(),
					Result: loadcell.Judge(c, certificatetest.Cell(), certificatetest.Masses(), gum.SiteGravity(certificatetest.Site()), loadcell.Calibration{})})
			}
			return out, nil
		},
		Next: func(_ context.Context, _ fleet.CellID, after time.Time) (interval.Outcome, error) {
			return interval.Outcome{Due: after.AddDate(0, 3, 0), Says: "three months"}, nil
		},
	}
	return server
}

func id(n int) fleet.CheckID { return fleet.CheckID(fmt.Sprintf("%032x", n)) }

// daily returns n checks as found, a day apart.
func daily(n int) []fleet.Check {
	var out []fleet.Check
	for i := range n {
		out = append(out, certificatetest.Weigh(id(i+1), fleet.AsFound, certificatetest.Performed.AddDate(0, 0, i), 5, 2, 0.5, 0.0004))
	}
	return out
}

func precondition(t *testing.T, err error, says ...string) {
	t.Helper()
	if status.Code(err) != codes.FailedPrecondition {
		t.Fatalf("error %v", err)
	}
	for _, w := range says {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("error %q does not say %q", err, w)
		}
	}
}

func TestSignCertificate(t *testing.T) {
	found := certificatetest.Weigh(id(1), fleet.AsFound, certificatetest.Performed, 5, 2, 1, 0.012)
	left := certificatetest.Weigh(id(2), fleet.AsLeft, certificatetest.Performed.Add(time.Hour), 5, 2, 0, 0)
	broken := certificatetest.Weigh(id(3), fleet.AsFound, certificatetest.Performed.AddDate(0, 1, 0), 5, 2, 0, 0)
	broken.Readings = broken.Readings[:1]
	d, ctx := openDesk(t, found, left, broken)
	got, err := d.SignCertificate(ctx, &pb.SignCertificateRequest{CheckId: string(id(2)), SignedBy: "somebody else", Customer: "Harrow Tuning"})
	if err != nil {
		t.Fatal(err)
	}
	c := got.Certificate
	if c.Number != "fen-2-2026-0001" || c.Version != 1 || c.SignedBy != "M. Krause" || c.Verdict != "pass" || !slices.Equal(c.CheckIds, []string{string(id(1)), string(id(2))}) {
		t.Errorf("%v", c)
	}
	// Either check of the visit is refused from then on, with the number.
	for n := 1; n <= 2; n++ {
		_, err = d.SignCertificate(ctx, &pb.SignCertificateRequest{CheckId: string(id(n))})
		precondition(t, err, "fen-2-2026-0001", "2026-06-10", "M. Krause")
	}
	_, err = d.SignCertificate(ctx, &pb.SignCertificateRequest{CheckId: string(id(3))})
	precondition(t, err, "gets no certificate, because it cannot be judged")
	if _, err = d.SignCertificate(ctx, &pb.SignCertificateRequest{CheckId: string(id(9))}); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a check that is not there: %v", err)
	}
	for _, role := range []access.Role{access.RoleViewer, access.RoleTechnician} {
		other := access.NewContext(t.Context(), access.Identity{Person: "A. Ferris", Role: role})
		if _, err := d.SignCertificate(other, &pb.SignCertificateRequest{CheckId: string(id(2))}); !errors.Is(err, access.ErrDenied) {
			t.Errorf("%s may sign: %v", role, err)
		}
		if _, err := d.CorrectCertificate(other, &pb.CorrectCertificateRequest{Number: c.Number, Reason: "x"}); !errors.Is(err, access.ErrDenied) {
			t.Errorf("%s may correct: %v", role, err)
		}
	}
	// What is read is what was signed.
	back, err := d.reading.GetCertificate(ctx, &pb.GetCertificateRequest{Number: c.Number})
	if err != nil {
		t.Fatal(err)
	}
	doc, err := certificate.Parse(back.Json)
	if err != nil || doc.Number != c.Number || doc.Customer != "Harrow Tuning" || doc.AuthorisedBy != "M. Krause" || len(doc.Checks) != 2 {
		t.Errorf("%v, %+v", err, doc)
	}
	if !bytes.HasPrefix(back.Pdf, []byte("%PDF-")) || !bytes.Contains(back.Html, []byte(c.Number)) {
		t.Error("the documents are not what they are called")
	}
	audit, err := d.store.ListAudit(ctx, store.Filter{})
	if err != nil || len(audit) != 1 || audit[0].What != "certificate signed" || audit[0].Who != "M. Krause" || audit[0].Subject != "certificate fen-2-2026-0001 version 1" || !strings.Contains(audit[0].After, c.JsonSha256) {
		t.Errorf("audit %+v, %v", audit, err)
	}
}

// An as-left check that comes after the check as found was signed has its own
// certificate, which names the first.
func TestSignLater(t *testing.T) {
	found := certificatetest.Weigh(id(1), fleet.AsFound, certificatetest.Performed, 5, 2, 1, 0.012)
	left := certificatetest.Weigh(id(2), fleet.AsLeft, certificatetest.Performed.Add(time.Hour), 5, 2, 0, 0)
	d, ctx := openDesk(t, found, left)
	d.checks = d.checks[:1]
	first, err := d.SignCertificate(ctx, &pb.SignCertificateRequest{CheckId: string(id(1))})
	if err != nil {
		t.Fatal(err)
	}
	d.checks = []fleet.Check{found, left}
	second, err := d.SignCertificate(ctx, &pb.SignCertificateRequest{CheckId: string(id(2))})
	if err != nil {
		t.Fatal(err)
	}
	back, err := d.reading.GetCertificate(ctx, &pb.GetCertificateRequest{Number: second.Certificate.Number})
	if err != nil {
		t.Fatal(err)
	}
	var doc certificate.Document
	if err := json.Unmarshal(back.Json, &doc); err != nil || doc.Related != first.Certificate.Number || len(doc.Checks) != 1 {
		t.Errorf("%v, related %q", err, doc.Related)
	}
}

func TestCorrectCertificate(t *testing.T) {
	d, ctx := openDesk(t, daily(1)...)
	signed, err := d.SignCertificate(ctx, &pb.SignCertificateRequest{CheckId: string(id(1)), Customer: "Harow Tuning", Remark: "kept"})
	if err != nil {
		t.Fatal(err)
	}
	number := signed.Certificate.Number
	before, err := d.reading.GetCertificate(ctx, &pb.GetCertificateRequest{Number: number})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.CorrectCertificate(ctx, &pb.CorrectCertificateRequest{Number: number, Reason: " "}); err == nil || !strings.Contains(err.Error(), "reason") {
		t.Errorf("without a reason: %v", err)
	}
	if _, err := d.CorrectCertificate(ctx, &pb.CorrectCertificateRequest{Number: "fen-2-2026-0099", Reason: "x"}); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("no such number: %v", err)
	}
	customer := "Harrow Tuning"
	if _, err := d.CorrectCertificate(ctx, &pb.CorrectCertificateRequest{Number: number, Reason: "the customer's name was misspelt", Customer: &customer}); err != nil {
		t.Fatal(err)
	}
	newest, err := d.reading.GetCertificate(ctx, &pb.GetCertificateRequest{Number: number})
	if err != nil {
		t.Fatal(err)
	}
	doc, err := certificate.Parse(newest.Json)
	if err != nil || doc.Version != 2 || doc.Customer != customer || doc.Remark != "kept" || doc.Replaces == nil || doc.Replaces.Version != 1 ||
		doc.Replaces.Reason != "the customer's name was misspelt" || doc.Replaces.SHA256 != before.Certificate.JsonSha256 {
		t.Errorf("%v, %+v", err, doc)
	}
	// The old version is there to the byte and says that it was replaced.
	old, err := d.reading.GetCertificate(ctx, &pb.GetCertificateRequest{Number: number, Version: 1})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(old.Json, before.Json) || !bytes.Equal(old.Pdf, before.Pdf) || !bytes.Equal(old.Html, before.Html) {
		t.Error("version 1 has changed")
	}
	if c := old.Certificate; c.ReplacedByVersion != 2 || c.ReplacedReason != "the customer's name was misspelt" || c.ReplacedAt == nil {
		t.Errorf("version 1 says %v", c)
	}
	if len(old.Versions) != 2 || newest.Certificate.ReplacedByVersion != 0 {
		t.Errorf("versions %v", old.Versions)
	}
	if _, err := d.reading.GetCertificate(ctx, &pb.GetCertificateRequest{Number: number, Version: 3}); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("version 3: %v", err)
	}
	list, err := d.reading.ListCertificates(ctx, &pb.ListCertificatesRequest{CheckId: string(id(1))})
	if err != nil || len(list.Certificates) != 2 || list.Certificates[0].Version != 2 || list.Certificates[1].ReplacedByVersion != 2 {
		t.Errorf("%v, %v", list, err)
	}
}

// Many sign many checks at once through several services: every check has one
// certificate, no number is given twice, and none is left out.
func TestSignTogether(t *testing.T) {
	const checks, replicas, each = 12, 3, 2
	d, ctx := openDesk(t, daily(checks)...)
	var servers []*Server
	for range replicas {
		servers = append(servers, d.replica())
	}
	var mu sync.Mutex
	won, refused := map[string][]string{}, 0
	var wait sync.WaitGroup
	for n := 1; n <= checks; n++ {
		for _, s := range servers {
			for k := range each {
				wait.Go(func() {
					who := access.NewContext(ctx, access.Identity{Person: fmt.Sprintf("person %d", k), Role: access.RoleQualityManager})
					got, err := s.SignCertificate(who, &pb.SignCertificateRequest{CheckId: string(id(n))})
					mu.Lock()
					defer mu.Unlock()
					switch {
					case err == nil:
						won[string(id(n))] = append(won[string(id(n))], got.Certificate.Number+" "+got.Certificate.SignedBy)
					case status.Code(err) == codes.FailedPrecondition && strings.Contains(err.Error(), "has its certificate already"):
						refused++
					default:
						t.Errorf("check %d: %v", n, err)
					}
				})
			}
		}
	}
	wait.Wait()
	list, err := d.reading.ListCertificates(ctx, &pb.ListCertificatesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var numbers []string
	of := map[string]string{}
	for _, c := range list.Certificates {
		numbers = append(numbers, c.Number)
		of[c.CheckIds[0]] = c.Number
		if w := won[c.CheckIds[0]]; len(w) != 1 || w[0] != c.Number+" "+c.SignedBy {
			t.Errorf("of check %s %v were told yes, and it has %s of %s", c.CheckIds[0], w, c.Number, c.SignedBy)
		}
	}
	slices.Sort(numbers)
	if len(numbers) != checks || len(of) != checks {
		t.Fatalf("%d certificates of %d checks, want %d: %v", len(numbers), len(of), checks, numbers)
	}
	for i, n := range numbers {
		if want := fmt.Sprintf("fen-2-2026-%04d", i+1); n != want {
			t.Errorf("number %d is %s, want %s", i+1, n, want)
		}
	}
	if len(won) != checks || refused != checks*(replicas*each-1) {
		t.Errorf("%d checks signed, %d refused", len(won), refused)
	}
}

// Corrections at once: one stands, the others are told.
func TestCorrectTogether(t *testing.T) {
	d, ctx := openDesk(t, daily(1)...)
	if _, err := d.SignCertificate(ctx, &pb.SignCertificateRequest{CheckId: string(id(1))}); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	versions := map[uint32]int{}
	var wait sync.WaitGroup
	for k := range 6 {
		wait.Go(func() {
			got, err := d.CorrectCertificate(ctx, &pb.CorrectCertificateRequest{Number: "fen-2-2026-0001", Reason: fmt.Sprintf("reason %d", k)})
			mu.Lock()
			defer mu.Unlock()
			if err == nil {
				versions[got.Certificate.Version]++
			} else if status.Code(err) != codes.FailedPrecondition || !strings.Contains(err.Error(), "a moment ago") {
				t.Error(err)
			}
		})
	}
	wait.Wait()
	for v, n := range versions {
		if n != 1 {
			t.Errorf("version %d was given %d times", v, n)
		}
	}
	if versions[2] != 1 {
		t.Errorf("versions %v", versions)
	}
}

// A signing that broke off between the number and the certificate is taken up
// under the same number.
func TestSignBrokenOff(t *testing.T) {
	d, ctx := openDesk(t, daily(2)...)
	row := store.CertificateNumberRow{CellID: "fen-2", Year: 2026, Running: 1, Number: "fen-2-2026-0001", CheckIDs: []string{string(id(2))}, TakenAt: signing, TakenBy: "M. Krause"}
	if _, kept, err := d.store.TakeCertificateNumber(ctx, row); err != nil || !kept {
		t.Fatal(kept, err)
	}
	for n, want := range map[int]string{1: "fen-2-2026-0002", 2: "fen-2-2026-0001"} {
		got, err := d.SignCertificate(ctx, &pb.SignCertificateRequest{CheckId: string(id(n))})
		if err != nil || got.Certificate.Number != want {
			t.Errorf("check %d: %v, %v, want %s", n, got, err, want)
		}
	}
}

// Stored bytes that are not those that were signed are held back, and it is said
// which they are.
func TestDamagedCertificate(t *testing.T) {
	d, ctx := openDesk(t)
	row := store.CertificateRow{Number: "fen-2-2026-0001", Version: 1, CellID: "fen-2", Kind: 1, CheckIDs: []string{string(id(1))}, PerformedAt: signing, Verdict: "pass", SignedAt: signing, SignedBy: "M. Krause",
		JSON: "{}", HTML: "<p>", PDF: "%PDF-"}
	row.Seal()
	row.PDF = "%PDF+"
	if _, err := d.store.AppendCertificate(ctx, row); err != nil {
		t.Fatal(err)
	}
	_, err := d.reading.GetCertificate(ctx, &pb.GetCertificateRequest{Number: row.Number})
	if status.Code(err) != codes.DataLoss || !strings.Contains(err.Error(), "the stored PDF of certificate fen-2-2026-0001 version 1 is not what was signed") || !strings.Contains(err.Error(), "held back") {
		t.Errorf("error %v", err)
	}
}
