package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"rollcall/services/fleet"
)

// CertificateNumberRow is a row of certificate_numbers.
type CertificateNumberRow struct {
	CellID   string    `ch:"cell_id"`
	Year     uint16    `ch:"year"`
	Running  uint32    `ch:"running"`
	Number   string    `ch:"number"`
	CheckIDs []string  `ch:"check_ids"` // as found first
	TakenAt  time.Time `ch:"taken_at"`
	TakenBy  string    `ch:"taken_by"`
}

// CertificateHead is a row of certificates without its documents.
type CertificateHead struct {
	Number      string    `ch:"number"`
	Version     uint32    `ch:"version"`
	CellID      string    `ch:"cell_id"`
	Kind        uint8     `ch:"kind"`
	CheckIDs    []string  `ch:"check_ids"`
	PerformedAt time.Time `ch:"performed_at"`
	Verdict     string    `ch:"verdict"`
	SignedAt    time.Time `ch:"signed_at"`
	SignedBy    string    `ch:"signed_by"`
	Reason      string    `ch:"reason"`
	JSONSHA256  string    `ch:"json_sha256"`
	HTMLSHA256  string    `ch:"html_sha256"`
	PDFSHA256   string    `ch:"pdf_sha256"`
}

// CertificateRow is a row of certificates. Its bytes never change.
type CertificateRow struct {
	Number      string    `ch:"number"`
	Version     uint32    `ch:"version"`
	CellID      string    `ch:"cell_id"`
	Kind        uint8     `ch:"kind"`
	CheckIDs    []string  `ch:"check_ids"` // as found first
	PerformedAt time.Time `ch:"performed_at"`
	Verdict     string    `ch:"verdict"`
	SignedAt    time.Time `ch:"signed_at"`
	SignedBy    string    `ch:"signed_by"`
	Reason      string    `ch:"reason"` // why the version before was replaced
	JSON        string    `ch:"json"`
	JSONSHA256  string    `ch:"json_sha256"` // hexadecimal
	HTML        string    `ch:"html"`
	HTMLSHA256  string    `ch:"html_sha256"`
	PDF         string    `ch:"pdf"`
	PDFSHA256   string    `ch:"pdf_sha256"`
}

// Seal fills in the sums of the documents.
func (r *CertificateRow) Seal() {
	r.JSONSHA256, r.HTMLSHA256, r.PDFSHA256 = sum(r.JSON), sum(r.HTML), sum(r.PDF)
}

// Damage says which of the documents are not those that were signed; empty:
// none is.
func (r *CertificateRow) Damage() string {
	for _, d := range []struct{ name, bytes, sum string }{{"JSON", r.JSON, r.JSONSHA256}, {"HTML", r.HTML, r.HTMLSHA256}, {"PDF", r.PDF, r.PDFSHA256}} {
		if got := sum(d.bytes); got != d.sum {
			return fmt.Sprintf("the stored %s of certificate %s version %d is not what was signed: its SHA-256 is %s, at signing it was %s", d.name, r.Number, r.Version, got, d.sum)
		}
	}
	return ""
}

func sum(s string) string {
	h := sha256.Sum256([]byte(s))
	return hex.EncodeToString(h[:])
}

var selectCertificateNumbers = "SELECT " + columnsOf[CertificateNumberRow]() + ` FROM certificate_numbers
WHERE cell_id = {cell:String} ORDER BY year, running LIMIT 1000000`

// ReadCertificateNumbers returns the numbers taken for a cell's certificates, by
// year and running number.
func (s *Store) ReadCertificateNumbers(ctx context.Context, cell fleet.CellID) ([]CertificateNumberRow, error) {
	rows, err := selectRows[CertificateNumberRow](ctx, s, selectCertificateNumbers, clickhouse.Named("cell", string(cell)))
	if err != nil {
		return nil, fmt.Errorf("read the certificate numbers of cell %s: %w", cell, err)
	}
	return rows, nil
}

// once is a context in which an insert with this token happens once only: the
// server keeps the first and drops, without an error, every later one.
func once(ctx context.Context, token string) context.Context {
	return clickhouse.Context(ctx, clickhouse.WithSettings(clickhouse.Settings{"insert_deduplication_token": token, "async_insert": 0}))
}

// settle is how long a row that a dropped insert lost to may take to be seen.
const settle = 2 * time.Second

// TakeCertificateNumber takes a number for r's checks and returns the row that
// holds it, which is r itself or that of somebody who was first. It is false
// when the number is lost to both: somebody's insert broke off, and the number
// is left out.
func (s *Store) TakeCertificateNumber(ctx context.Context, r CertificateNumberRow) (CertificateNumberRow, bool, error) {
	if err := insertRows(once(ctx, r.Number), s, "certificate_numbers", []CertificateNumberRow{r}); err != nil {
		return r, false, err
	}
	for deadline := time.Now().Add(settle); ; {
		rows, err := s.ReadCertificateNumbers(ctx, fleet.CellID(r.CellID))
		if err != nil {
			return r, false, err
		}
		if i := slices.IndexFunc(rows, func(o CertificateNumberRow) bool { return o.Number == r.Number }); i >= 0 {
			return rows[i], true, nil
		}
		if pause(ctx, deadline) != nil {
			return r, false, ctx.Err()
		}
	}
}

// AppendCertificate adds a version of a certificate and returns the head of the
// version that stands, which is r's or that of somebody who was first. r is
// sealed.
func (s *Store) AppendCertificate(ctx context.Context, r CertificateRow) (CertificateHead, error) {
	token := fmt.Sprintf("%s version %d", r.Number, r.Version)
	if err := insertRows(once(ctx, token), s, "certificates", []CertificateRow{r}); err != nil {
		return CertificateHead{}, err
	}
	for deadline := time.Now().Add(settle); ; {
		heads, err := s.certificateHeads(ctx, " WHERE number = {number:String} AND version = {version:UInt32} LIMIT 1", clickhouse.Named("number", r.Number), clickhouse.Named("version", r.Version))
		if err != nil {
			return CertificateHead{}, err
		}
		if len(heads) > 0 {
			return heads[0], nil
		}
		if err := pause(ctx, deadline); err != nil {
			return CertificateHead{}, fmt.Errorf("certificate %s was written and is not there: %w", token, ErrUnavailable)
		}
	}
}

// pause waits a little; the error says that the deadline has passed or the
// context has ended.
func pause(ctx context.Context, deadline time.Time) error {
	if !time.Now().Before(deadline) {
		return context.DeadlineExceeded
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(50 * time.Millisecond):
		return nil
	}
}

func (s *Store) certificateHeads(ctx context.Context, where string, args ...any) ([]CertificateHead, error) {
	rows, err := selectRows[CertificateHead](ctx, s, "SELECT "+columnsOf[CertificateHead]()+" FROM certificates"+where, args...)
	if err != nil {
		return nil, fmt.Errorf("list certificates: %w", err)
	}
	return rows, nil
}

const whereCertificates = ` WHERE performed_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND performed_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
	AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id))
ORDER BY performed_at DESC, number DESC, version DESC LIMIT {limit:UInt64}`

// ListCertificates returns every version of certificates by when the check was
// made, newest first. The filter's car does not narrow.
func (s *Store) ListCertificates(ctx context.Context, f Filter) ([]CertificateHead, error) {
	return s.certificateHeads(ctx, whereCertificates, f.args()...)
}

// CertificateVersions returns the versions of one certificate, first to last.
func (s *Store) CertificateVersions(ctx context.Context, number string) ([]CertificateHead, error) {
	return s.certificateHeads(ctx, " WHERE number = {number:String} ORDER BY version LIMIT 100000", clickhouse.Named("number", number))
}

var selectCertificate = "SELECT " + columnsOf[CertificateRow]() + " FROM certificates WHERE number = {number:String} AND version = {version:UInt32} LIMIT 1"

// ReadCertificate returns one version of a certificate, and whether there is
// one. Its bytes are not looked at: Damage does.
func (s *Store) ReadCertificate(ctx context.Context, number string, version uint32) (CertificateRow, bool, error) {
	rows, err := selectRows[CertificateRow](ctx, s, selectCertificate, clickhouse.Named("number", number), clickhouse.Named("version", version))
	if err != nil {
		return CertificateRow{}, false, fmt.Errorf("read certificate %s version %d: %w", number, version, err)
	}
	if len(rows) == 0 {
		return CertificateRow{}, false, nil
	}
	return rows[0], true, nil
}
