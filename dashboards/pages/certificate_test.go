package pages

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"rollcall/services/show/showtest"
)

// A certificate's addresses give the bytes that were signed, and an old version
// says by which it was replaced and why.
func TestCertificatePages(t *testing.T) {
	fleet := showtest.Chain()
	newest, old := fleet.Certificates[0], fleet.Certificates[1]
	base := "/certificates/" + showtest.CertificateNumber
	for path, want := range map[string][]byte{
		base + ".pdf": newest.Pdf, base + ".json": newest.Json, base + "/2.pdf": newest.Pdf, base + "/2.json": newest.Json, base + "/1.pdf": old.Pdf, base + "/1.json": old.Json,
	} {
		w := get(fleet, Options{}, path)
		if w.Code != http.StatusOK || !bytes.Equal(w.Body.Bytes(), want) {
			t.Errorf("%s: %d, %d bytes, want the %d signed", path, w.Code, w.Body.Len(), len(want))
		}
		if kind := w.Header().Get("Content-Type"); strings.HasSuffix(path, "pdf") != (kind == "application/pdf") || strings.HasSuffix(path, "json") != (kind == "application/json") {
			t.Errorf("%s: %s", path, kind)
		}
		if name := w.Header().Get("Content-Disposition"); !strings.Contains(name, showtest.CertificateNumber+"-version-") {
			t.Errorf("%s: %s", path, name)
		}
	}
	for path, version := range map[string]int{base: 0, base + "/2": 0, base + "/1": 1} {
		page := get(fleet, Options{}, path).Body.String()
		want := fleet.Certificates[version]
		if !strings.Contains(page, string(want.Html)) {
			t.Errorf("%s does not show the article as it was signed", path)
		}
		if replaced := strings.Contains(page, "Not in force.") && strings.Contains(page, `<a href="`+base+`/2">version 2</a>: the customer&#39;s name was misspelt`); replaced != (version == 1) {
			t.Errorf("%s says that it was replaced: %v", path, replaced)
		}
		if !strings.Contains(page, want.Certificate.PdfSha256) {
			t.Errorf("%s does not show the PDF's sum", path)
		}
		if strings.Contains(page, "<script") {
			t.Errorf("%s has a script", path)
		}
	}
	list := get(fleet, Options{}, "/certificates").Body.String()
	for _, want := range []string{base + `/1"`, base + `/2.pdf"`, "replaced by version 2", "in force"} {
		if !strings.Contains(list, want) {
			t.Errorf("the list has no %q", want)
		}
	}
	for _, path := range []string{base + "/3", base + "/0", base + "/x", "/certificates/none", "/certificates/none.pdf", "/cells/none/checklist", "/cells/none/checklist.csv"} {
		if w := get(fleet, Options{}, path); w.Code != http.StatusNotFound {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	fleet.Err = status.Error(codes.DataLoss, "the stored PDF of certificate fen-2-2026-0003 version 2 is not what was signed")
	if w := get(fleet, Options{}, base+".pdf"); w.Code != http.StatusInternalServerError || !strings.Contains(w.Body.String(), "The stored PDF of certificate fen-2-2026-0003 version 2 is not what was signed") {
		t.Errorf("damaged bytes: %d %s", w.Code, w.Body)
	}
}

func TestCheckListPage(t *testing.T) {
	fleet := showtest.Chain()
	page := get(fleet, Options{}, "/cells/fen-2/checklist").Body.String()
	for _, want := range []string{"rollers locked and brake power isolated", "two people", "Local codes", "Take the arm off, put it on again", "preload", "cycle 3, falling", "checklist.csv"} {
		if !strings.Contains(page, want) {
			t.Errorf("the list does not say %q", want)
		}
	}
	reads := 0
	for _, s := range fleet.List.Steps {
		if s.Reads {
			reads++
		}
	}
	if n := strings.Count(page, `class="blank"`); n != reads || reads == 0 {
		t.Errorf("%d blanks for %d readings", n, reads)
	}
	w := get(fleet, Options{}, "/cells/fen-2/checklist.csv")
	if w.Body.String() != fleet.List.Csv || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/csv") {
		t.Errorf("the file is %q", w.Body)
	}
}

// On paper a certificate and a check list are A4 without the page's frame.
func TestCertificatePrints(t *testing.T) {
	ctx := browser(t)
	server := httptest.NewServer(Handler(showtest.Chain(), Options{Now: func() time.Time { return showtest.Now }}))
	defer server.Close()
	for name, c := range map[string]struct {
		path string
		most int
	}{"certificate": {"/certificates/" + showtest.CertificateNumber, 8}, "checklist": {"/cells/fen-2/checklist", 4}} {
		if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+c.path)); err != nil {
			t.Fatal(err)
		}
		pdf := printed(t, ctx)
		if n := len(pdfPages.FindAll(pdf, -1)); n < 1 || n > c.most {
			t.Errorf("%s prints on %d sheets, at most %d are wanted", name, n, c.most)
		}
		if folder := os.Getenv("ROLLCALL_PICTURES"); folder != "" {
			if err := os.WriteFile(filepath.Join(folder, name+".pdf"), pdf, 0o644); err != nil {
				t.Error(err)
			}
		}
	}
}
