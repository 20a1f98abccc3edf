package certificate

import (
	"bytes"
	"compress/zlib"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"rollcall/services/certificate/certificatetest"
	"rollcall/services/compute/baseinertia"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/interval"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

var performed = certificatetest.Performed

func is(x float64) *float64 { return &x }

func judged(c fleet.Check, inForce loadcell.Calibration) Judged {
	result := loadcell.Assess(loadcell.Input{Check: c, Cell: certificatetest.Cell(), Masses: certificatetest.Masses(), Gravity: gum.SiteGravity(certificatetest.Site()),
		UGravity: gum.SiteGravityU(certificatetest.Site()), InForce: inForce})
	return Judged{Check: c, Result: result, InForce: inForce, ReceivedAt: c.PerformedAt.Add(time.Hour),
		Cell: certificatetest.Cell(), Site: certificatetest.Site(), Masses: certificatetest.Masses()}
}

const (
	foundID = "0000000000000000000000000000000f"
	leftID  = "00000000000000000000000000000001"
)

func pair() []Judged {
	return []Judged{judged(certificatetest.Weigh(foundID, fleet.AsFound, performed, 5, 2, 1, 0.012), loadcell.Calibration{}),
		judged(certificatetest.Weigh(leftID, fleet.AsLeft, performed.Add(2*time.Hour), 5, 2, 0.2, 0.0001), loadcell.Calibration{})}
}

func input(visit []Judged) Input {
	return Input{Number: "fen-2-2026-0003", Version: 1, Visit: visit, Issuer: "Fenland Dyno Chain, 1 Sluice Road, Fenwater", SignedBy: "M. Krause",
		SignedAt: time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC), Next: interval.Outcome{Due: performed.AddDate(0, 3, 0), Says: "three months after the check, as the registry says"}}
}

func make1(t *testing.T, in Input) Document {
	t.Helper()
	d, err := Make(in)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// The items of ISO/IEC 17025:2017, 7.8.2.1 (a to p) and 7.8.4.1 (from memory),
// by the words under which the certificate has them.
var items = map[string][]string{
	"7.8.2.1 a, a title":                                {"Calibration certificate"},
	"b, the issuer":                                     {"Fenland Dyno Chain, 1 Sluice Road, Fenwater"},
	"c, where it was done":                              {"Fenwater (fen)", "latitude 52.61°"},
	"d, identification on every part, and an end":       {"fen-2-2026-0003, version 1", "End of certificate fen-2-2026-0003, version 1."},
	"e, the customer":                                   {"Issued for", "the operator of Fenwater (fen)"},
	"f, the method":                                     {"Dead weights", "40 CFR 1065.310"},
	"g, the item":                                       {"Fenwater 2 (fen-2)", "6500 N at the lever arm"},
	"h, the receipt":                                    {"Readings received", "2026-06-09 09:30 UTC"},
	"i, the dates of the work":                          {"as found 2026-06-09 08:30 UTC"},
	"j, the date of issue":                              {"Date of issue", "2026-06-10"},
	"l, only the items named":                           {"of nothing else"},
	"m, results with units":                             {"zero error, N", "gain error, %", "Error N"},
	"o, who authorised it":                              {"Authorised by", "M. Krause"},
	"7.8.2.1 note, in full only":                        {"reproduced in full only"},
	"7.8.4.1 a, U with its factor":                      {"± U", "covers about 95 %"},
	"b, the conditions":                                 {"pressure 1012.0 hPa, temperature 20.2 °C, relative humidity 48 %", "density used"},
	"c, traceability":                                   {"leads to the kilogram", "K-2025-105", "2027-06-09"},
	"d, before and after an adjustment":                 {"Results as found", "Results as left"},
	"e, f, conformity with the decision rule, 7.8.6":    {"ILAC-G8", "guard band"},
	"no claim of accreditation":                         {"No accreditation is claimed"},
	"the arms":                                          {"1200.00 mm ± 0.60 mm (k = 2)", "460.00 mm ± 0.20 mm (k = 2)"},
	"gravity, by Somigliana's formula of WGS 84 (9.81)": {"9.81", "from latitude and height"},
	"the interpolation equation with covariance":        {"reading/N = ", "cov with c0"},
	"the next check, as a recommendation":               {"Next check, recommended", "2026-09-09", "no part of the results"},
}

func TestItems(t *testing.T) {
	d := make1(t, input(pair()))
	html, err := d.HTML()
	if err != nil {
		t.Fatal(err)
	}
	pdf, err := d.PDF()
	if err != nil {
		t.Fatal(err)
	}
	keep(t, "pair.pdf", pdf)
	keep(t, "pair.html", html)
	forms := map[string]string{"HTML": squeeze(untag(string(html))), "PDF": squeeze(pdfText(t, pdf)), "text": squeeze(d.Text())}
	for item, words := range items {
		for form, text := range forms {
			for _, w := range words {
				if !strings.Contains(text, squeeze(w)) {
					t.Errorf("%s: the %s does not say %q", item, form, w)
				}
			}
		}
	}
	for form, text := range forms {
		for _, w := range []string{"NaN", "Inf", "%!", "<nil>"} {
			if strings.Contains(text, w) {
				t.Errorf("the %s says %s", form, w)
			}
		}
	}
}

// keep writes a document where ROLLCALL_CERTIFICATES says, to be looked at.
func keep(t *testing.T, name string, data []byte) {
	if dir := os.Getenv("ROLLCALL_CERTIFICATES"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Error(err)
		}
	}
}

// squeeze takes out all white space, at which the forms differ.
func squeeze(s string) string { return strings.Join(strings.Fields(s), "") }

var tags = regexp.MustCompile(`<[^>]*>`)

func untag(s string) string {
	return strings.NewReplacer("&lt;", "<", "&gt;", ">", "&#34;", `"`, "&#39;", "'", "&#43;", "+", "&amp;", "&").Replace(tags.ReplaceAllString(s, " "))
}

var (
	streams = regexp.MustCompile(`(?s)stream\r?\n(.*?)\r?\nendstream`)
	shown   = regexp.MustCompile(`(?s)\(((?:[^\\)]|\\.)*)\) ?Tj`)
)

// pdfText returns what a PDF shows, page after page: its fonts are coded as
// UTF-16 (Identity-H), which is what the strings of its streams hold.
func pdfText(t *testing.T, pdf []byte) string {
	t.Helper()
	var out strings.Builder
	for _, m := range streams.FindAllSubmatch(pdf, -1) {
		z, err := zlib.NewReader(bytes.NewReader(m[1]))
		if err != nil {
			continue
		}
		content, err := io.ReadAll(z)
		if err != nil {
			continue
		}
		for _, s := range shown.FindAllSubmatch(content, -1) {
			raw := regexp.MustCompile(`(?s)\\(.)`).ReplaceAllFunc(s[1], func(b []byte) []byte {
				if b[1] == 'r' {
					return []byte{'\r'}
				}
				return b[1:]
			})
			var units []uint16
			for i := 0; i+1 < len(raw); i += 2 {
				units = append(units, uint16(raw[i])<<8|uint16(raw[i+1]))
			}
			out.WriteString(string(utf16.Decode(units)) + " ")
		}
	}
	return out.String()
}

func TestDeterministic(t *testing.T) {
	for range 3 {
		a, b := make1(t, input(pair())), make1(t, input(pair()))
		for _, form := range []func(Document) ([]byte, error){Document.JSON, Document.HTML, Document.PDF} {
			x, err := form(a)
			y, err2 := form(b)
			if err != nil || err2 != nil || !bytes.Equal(x, y) {
				t.Fatalf("two runs differ, or %v, %v", err, err2)
			}
		}
	}
}

// The JSON says all of it, in SI with the unit in the name.
func TestJSON(t *testing.T) {
	d := make1(t, input(pair()))
	data, err := d.JSON()
	if err != nil {
		t.Fatal(err)
	}
	keep(t, "pair.json", data)
	back, err := Parse(data)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back, d) {
		t.Error("what was read is not what was written")
	}
	if _, err := Parse([]byte(`{"schema":"other"}`)); err == nil || !strings.Contains(err.Error(), `schema is "other"`) {
		t.Errorf("another schema: %v", err)
	}
	r := pair()[0].Result
	if got := d.Checks[0].Results[0]; got.Name != "zero error" || got.Unit != "N" || got.Value != r.ZeroError || *got.U != r.UZeroError || got.Tolerance != 5 {
		t.Errorf("zero error %+v, want %v ± %v", got, r.ZeroError, r.UZeroError)
	}
	// k from the t distribution: U over the combined standard uncertainty.
	c, err := gum.Combine(r.ZeroBudget)
	if err != nil {
		t.Fatal(err)
	}
	if got := d.Checks[0].Results[0].K * c.U; math.Abs(got/r.UZeroError-1) > 1e-9 {
		t.Errorf("k·u is %v, U %v", got, r.UZeroError)
	}
}

// A visit is a check as found and the check as left of the same kind that
// followed on the same day; anything else stands alone.
func TestVisit(t *testing.T) {
	found := certificatetest.Weigh(foundID, fleet.AsFound, performed, 5, 2, 1, 0.012)
	left := certificatetest.Weigh(leftID, fleet.AsLeft, performed.Add(2*time.Hour), 5, 2, 0, 0)
	between := certificatetest.Weigh("b", fleet.AsFound, performed.Add(time.Hour), 5, 2, 0, 0)
	zero := fleet.Check{ID: "z", Cell: "fen-2", Kind: fleet.CheckZero, State: fleet.AsFound, PerformedAt: performed.Add(time.Hour), Readings: []fleet.Reading{{Force: is(0)}, {Force: is(0.1)}}}
	broken := found
	broken.Readings = nil
	at := func(c fleet.Check, d time.Duration) fleet.Check { c.PerformedAt = c.PerformedAt.Add(d); return c }
	for _, c := range []struct {
		name   string
		all    []fleet.Check
		id     fleet.CheckID
		signed fleet.CheckID
		want   []fleet.CheckID
	}{
		{"pair by the first", []fleet.Check{found, left}, foundID, "", []fleet.CheckID{foundID, leftID}},
		{"pair by the second", []fleet.Check{left, found}, leftID, "", []fleet.CheckID{foundID, leftID}},
		{"a zero check between", []fleet.Check{found, zero, left}, foundID, "", []fleet.CheckID{foundID, leftID}},
		{"another check between", []fleet.Check{found, between, left}, foundID, "", []fleet.CheckID{foundID}},
		{"the nearer one", []fleet.Check{found, between, left}, leftID, "", []fleet.CheckID{"b", leftID}},
		{"the next day", []fleet.Check{found, at(left, 24*time.Hour)}, foundID, "", []fleet.CheckID{foundID}},
		// 23:30 and 00:30 UTC are one day in London's summer.
		{"the site's day", []fleet.Check{at(found, 15*time.Hour), at(left, 14*time.Hour)}, leftID, "", []fleet.CheckID{foundID, leftID}},
		{"as found is unusable", []fleet.Check{broken, left}, leftID, "", []fleet.CheckID{leftID}},
		{"as found is signed", []fleet.Check{found, left}, leftID, foundID, []fleet.CheckID{leftID}},
		{"alone", []fleet.Check{zero}, "z", "", []fleet.CheckID{"z"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var all []Judged
			for _, k := range c.all {
				all = append(all, judged(k, loadcell.Calibration{}))
			}
			visit, err := Visit(all, c.id, func(id fleet.CheckID) bool { return id == c.signed })
			if err != nil {
				t.Fatal(err)
			}
			var got []fleet.CheckID
			for _, j := range visit {
				got = append(got, j.Check.ID)
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("%v, want %v", got, c.want)
			}
		})
	}
}

func TestRefused(t *testing.T) {
	broken := certificatetest.Weigh(foundID, fleet.AsFound, performed, 5, 2, 0, 0)
	broken.Readings[3].Force = nil
	var refusal *Refusal
	if _, err := Visit([]Judged{judged(broken, loadcell.Calibration{})}, foundID, nil); !errors.As(err, &refusal) ||
		!strings.Contains(err.Error(), "gets no certificate, because it cannot be judged: reading 4 (cycle 1, rising, m1 + m2 + m3) has no value") {
		t.Errorf("an unusable check: %v", err)
	}
	if _, err := Make(input([]Judged{judged(broken, loadcell.Calibration{})})); !errors.As(err, &refusal) {
		t.Errorf("an unusable check: %v", err)
	}
	if _, err := Visit(nil, foundID, nil); !errors.As(err, &refusal) || !strings.Contains(err.Error(), "not been judged yet") {
		t.Errorf("no check: %v", err)
	}
	in := input(pair())
	in.SignedBy = " "
	if _, err := Make(in); !errors.As(err, &refusal) || !strings.Contains(err.Error(), "say who") {
		t.Errorf("nobody signs: %v", err)
	}
}

// Names and notes cannot break out of the page, and a character the PDF's font
// lacks stands as its code.
func TestForeignText(t *testing.T) {
	attack := `<script>alert("x")</script>`
	visit := pair()
	visit[0].Check.PerformedBy, visit[0].Check.Note = attack, "\x1b[31m"+attack+" 中 😀"
	visit[0].Cell.Name = attack
	in := input(visit)
	in.Customer, in.Remark, in.Issuer, in.SignedBy = attack+" & Söhne", attack, attack, attack
	d := make1(t, in)
	html, err := d.HTML()
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(html, []byte("<script")) || !bytes.Contains(html, []byte("&lt;script&gt;")) {
		t.Error("the page has a script, or lost its text")
	}
	pdf, err := d.PDF()
	if err != nil {
		t.Fatal(err)
	}
	text := pdfText(t, pdf)
	for _, w := range []string{"U+4E2D", "U+1F600", "Söhne"} {
		if !strings.Contains(text, w) {
			t.Errorf("the PDF does not show %s", w)
		}
	}
	if strings.Contains(d.Text(), "\x1b") {
		t.Error("the text moves the cursor")
	}
}

// A long check goes over several pages: each has the number and its place among
// the pages, tables repeat their heads, and no reading is lost.
func TestLong(t *testing.T) {
	c := certificatetest.Weigh(foundID, fleet.AsFound, performed, 9, 3, 1, 0.002)
	c.Note = strings.Repeat("a long note of many words ", 20)
	d := make1(t, input([]Judged{judged(c, loadcell.Calibration{})}))
	pdf, err := d.PDF()
	if err != nil {
		t.Fatal(err)
	}
	keep(t, "long.pdf", pdf)
	if len(c.Readings) != 60 || len(d.Checks[0].Read) != 60 {
		t.Fatalf("%d readings", len(c.Readings))
	}
	text := pdfText(t, pdf)
	pages := bytes.Count(pdf, []byte("/Type /Page\n"))
	if pages < 3 {
		t.Errorf("%d pages", pages)
	}
	for i := 1; i <= pages; i++ {
		if want := "page " + strconv.Itoa(i) + " of " + strconv.Itoa(pages); strings.Count(text, want+" ") != 1 {
			t.Errorf("%q is there %d times", want, strings.Count(text, want+" "))
		}
	}
	if n := strings.Count(text, "fen-2-2026-0003, version 1"); n < pages {
		t.Errorf("the number is there %d times on %d pages", n, pages)
	}
	if n := strings.Count(text, "Reading N"); n < 2 {
		t.Errorf("the head of the readings is there %d times", n)
	}
	for _, r := range d.Checks[0].Read {
		if want := optional(r.Reading, 2); !strings.Contains(text, want) {
			t.Errorf("reading %d, %s N, is not there", r.Number, want)
		}
	}
}

// Limits that were not compared with the standard are not shown as the
// standard's: the customer reads where they come from.
func TestClass(t *testing.T) {
	visit := pair()[:1]
	visit[0].Result.Class = &loadcell.Class{Table: "iso_376", Asked: "1", Reached: "1", Source: "ISO 376:2011, table 2", FromMemory: true,
		Limits: []loadcell.ClassLimit{{Class: "1", Quantity: "reversibility", Limit: 0.15, Measured: true, Value: 0.04, Within: true}, {Class: "1", Quantity: "creep", Limit: 0.1}}}
	text := make1(t, input(visit)).Text()
	for _, w := range []string{"ISO 376:2011, table 2", "no statement of conformity", "not measured"} {
		if !strings.Contains(squeeze(text), squeeze(w)) {
			t.Errorf("does not say %q", w)
		}
	}
	if strings.Contains(text, "from memory") {
		t.Error("the customer reads a note to ourselves")
	}
}

// What the check rests on is said in plain words, also when it does not hold.
func TestTraceability(t *testing.T) {
	visit := pair()[:1]
	m := visit[0].Masses
	x, y := m["m1"], m["m2"]
	x.Certificate, y.Due = "", performed.AddDate(0, 0, -1)
	m["m1"], m["m2"] = x, y
	d := make1(t, input(visit))
	for _, w := range []string{"No certificate is recorded for mass m1: to that extent traceability is not shown", "The certificate of mass m2 had ended"} {
		if !strings.Contains(d.Traceability, w) {
			t.Errorf("%q does not say %q", d.Traceability, w)
		}
	}
	if len(d.Masses) != 5 {
		t.Errorf("%d masses, 5 were used", len(d.Masses))
	}
}

// Every kind of check has a certificate that says how it was done.
func TestKinds(t *testing.T) {
	reading := func(x float64) fleet.Reading { return fleet.Reading{Cycle: 1, Direction: fleet.Rising, Force: &x} }
	zero := fleet.Check{ID: foundID, Cell: "fen-2", Kind: fleet.CheckZero, State: fleet.AsFound, PerformedAt: performed, Readings: []fleet.Reading{reading(0.2), reading(0.4), reading(0.1)}}
	shunt := zero
	shunt.Kind, shunt.Readings = fleet.CheckShunt, []fleet.Reading{reading(3000.2), reading(3000.9)}
	for i := range shunt.Readings {
		shunt.Readings[i].Simulated = is(3000)
	}
	inertia := fleet.Check{ID: foundID, Cell: "fen-2", Kind: fleet.CheckBaseInertia, State: fleet.AsFound, PerformedAt: performed}
	result := &baseinertia.Result{Verdict: fleet.VerdictPass, Reason: "pass: 592.4 kg", Mass: 592.4, U: 1.2, K: 2, DoF: gum.Infinite, Valid: true, Stated: 592, Deviation: 0.0007, UDeviation: 0.002,
		Runs:   []baseinertia.Run{{Index: 0, Force: 2000, From: 27.7, To: 5.5, Duration: 6.4, Deceleration: 3.4}, {Index: 1, Force: 400, From: 27.7, To: 5.5, Duration: 25, Deceleration: 0.9}},
		Values: []baseinertia.Value{{First: 0, Second: 1, Mass: 592.4, Deviation: 0.0007, Within: true}},
		Limits: []baseinertia.Limit{{Name: "each value", Limit: 0.01, Value: 0.0007, Within: true, Source: "40 CFR 1066.250"}}}
	for _, c := range []struct {
		name   string
		j      Judged
		title  string
		phrase string
	}{
		{"zero", judged(zero, loadcell.Calibration{}), "Certificate of a check", "no standard of force is needed"},
		{"shunt", judged(shunt, loadcell.Calibration{}), "Certificate of a check", "no such traceability is claimed"},
		{"base inertia", Judged{Check: inertia, Inertia: result, Cell: certificatetest.Cell(), Site: certificatetest.Site(), ReceivedAt: performed}, "Certificate of base inertia", "592.4"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := make1(t, input([]Judged{c.j}))
			pdf, err := d.PDF()
			if err != nil {
				t.Fatal(err)
			}
			for form, text := range map[string]string{"PDF": pdfText(t, pdf), "text": d.Text()} {
				if !strings.Contains(squeeze(text), squeeze(c.phrase)) || !strings.Contains(squeeze(text), squeeze(c.title)) {
					t.Errorf("the %s does not say %q or %q:\n%s", form, c.title, c.phrase, text)
				}
			}
		})
	}
}

// The forecast is a recommendation for people to read: it names the day and
// what it rests on, and no figure without its unit.
func TestWhyNext(t *testing.T) {
	t.Parallel()
	made := time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC)
	says := "due on 2026-07-10 by drift: the error was +0 of ±0.005 and goes by +0.044 a year"
	for _, c := range []struct {
		name string
		next interval.Outcome
		want string
	}{
		{"drift", interval.Outcome{Due: made.AddDate(0, 1, 0), Rule: interval.ByDrift, Says: says}, "due on 2026-07-10: at the drift that its checks showed, the gain error stays in tolerance until then with the probability asked, and no longer"},
		{"out already", interval.Outcome{Due: made, Rule: interval.ByDrift, Says: says}, "due at once: at the drift that its checks showed, it is not as sure as asked that the gain error is in tolerance now"},
		{"time", interval.Outcome{Due: made.AddDate(0, 3, 0), Rule: interval.ByTime, Says: "due on 2026-09-10 by time: 92 days after the check of 2026-06-10"}, "due on 2026-09-10 by time: 92 days after the check of 2026-06-10"},
	} {
		if got := whyNext(c.next, made); got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}
