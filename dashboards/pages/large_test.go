package pages

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show/showtest"
)

// large is a chain of 400 cells at 40 sites: of every fifty cells one is to be
// recalibrated, one drifts, one is outside its limit, and the others agree.
func large() *showtest.Fleet {
	f := &showtest.Fleet{}
	for i := range 400 {
		c := &rollcallv1.CellStatus{CellId: fmt.Sprintf("s%02d-%d", i/10, i%10), SiteId: fmt.Sprintf("s%02d", i/10), Name: fmt.Sprintf("Site %d, cell %d", i/10, i%10), SiteName: fmt.Sprintf("Site %d", i/10),
			Tolerance: 0.01, Offset: showtest.Number(0.002 * math.Sin(float64(i))), ExpandedUncertainty: showtest.Number(0.004), Runs: 9, LastRunAt: showtest.Day(3)}
		switch i % 50 {
		case 7:
			c.Offset, c.FlagId, c.FlagKind = showtest.Number(0.013+float64(i)/1e5), fmt.Sprintf("%032x", i), "recalibrate"
		case 18:
			c.FlagId, c.FlagKind = fmt.Sprintf("%032x", i), "drifting"
		case 29:
			c.Offset = showtest.Number(0.0112)
		}
		if c.FlagId != "" {
			g := &rollcallv1.Flag{FlagId: c.FlagId, CellId: c.CellId, Kind: c.FlagKind, Open: true, OpenedAt: showtest.Day(40), FirstEvidenceAt: showtest.Day(50), UpdatedAt: showtest.Day(3), Size: 0.013}
			for range i / 50 { // the later ones touch more
				g.TouchedPulls = append(g.TouchedPulls, &rollcallv1.TouchedPull{PullId: showtest.PullID, StartedAt: showtest.Day(9), Effect: 0.01})
			}
			f.Flags = append(f.Flags, g)
		}
		f.Cells = append(f.Cells, c)
	}
	return f
}

// The first page of a large fleet draws what needs somebody, the worst first, and
// folds the rest by site; filters and pages have addresses of their own, and every
// cell is reached from there.
func TestLargeFleet(t *testing.T) {
	fleet := large()
	page := func(path string) string {
		t.Helper()
		w := get(fleet, Options{}, path)
		if w.Code != http.StatusOK {
			t.Fatalf("%s: %d", path, w.Code)
		}
		return w.Body.String()
	}
	order := func(text string, parts ...string) {
		t.Helper()
		at := 0
		for _, p := range parts {
			i := strings.Index(text[at:], p)
			if i < 0 {
				t.Fatalf("no %q after %q", p, parts)
			}
			at += i
		}
	}
	text := page("/")
	if n := strings.Count(text, `class="plot"`); n != 24 {
		t.Errorf("%d cells are drawn, want the 24 that need somebody", n)
	}
	if n := strings.Count(text, "<details>"); n != 40 {
		t.Errorf("%d sites are folded, want 40", n)
	}
	// By harm: recalibrate before drifting before outside; the one that touches more first.
	order(text, "In order of harm", "s35-7", "s30-7", "s00-7", "s36-8", "s02-9", "Every site, in order of harm")
	order(text, "8 of 400 cells need recalibration", "8 are drifting")
	order(text, "What was seen, and what to do", "Site 35, cell 7: recalibrate", "4 more flags are open")
	for _, c := range fleet.Cells {
		if !strings.Contains(text, `href="/cells/`+c.GetCellId()+`"`) {
			t.Fatalf("no way to %s", c.GetCellId())
		}
	}
	order(text, `<summary>`, `Site `, "10 cells: 1 recalibrate, 9 agrees")
	if len(text) > 1_000_000 {
		t.Errorf("%d bytes", len(text))
	}

	// One site, one state, a name.
	text = page("/?site=s35")
	if strings.Count(text, `class="plot"`) != 10 || !strings.Contains(text, "Narrowed to site s35: 10 of 400") || strings.Contains(text, "<details>") || !strings.Contains(text, `<option value="s35" selected>`) || !strings.Contains(text, "1 of 10 cells needs recalibration") {
		t.Errorf("a site: %s", between(t, text, "<h1>", "</h1>"))
	}
	if text = page("/?state=drifting"); strings.Count(text, `class="plot"`) != 8 || strings.Contains(text, "recalibrate</a></h3>") {
		t.Error("a state shows other cells or flags")
	}
	if text = page("/?find=site+3,+CELL+1"); strings.Count(text, `class="plot"`) != 1 || !strings.Contains(text, `href="/cells/s03-1"`) {
		t.Error("a name is not found")
	}
	if text = page("/?site=s99"); !strings.Contains(text, "No cell fits.") || !strings.Contains(text, `<a href="/">show all cells</a>`) || strings.Contains(text, "<table") {
		t.Error("nothing fits, and the page does not say what to do")
	}
	// Pages.
	text = page("/?state=agrees&order=site")
	order(text, "Page 1 of 7", `<a href="/?order=site&amp;page=2&amp;state=agrees" rel="next">`)
	seen := map[string]bool{}
	for i := 1; i <= 7; i++ {
		text = page(fmt.Sprintf("/?state=agrees&order=site&page=%d", i))
		for _, c := range fleet.Cells {
			if strings.Contains(text, `<a class="who" href="/cells/`+c.GetCellId()+`"`) {
				if seen[c.GetCellId()] {
					t.Errorf("%s is on two pages", c.GetCellId())
				}
				seen[c.GetCellId()] = true
			}
		}
	}
	if len(seen) != 376 {
		t.Errorf("%d cells on the seven pages, want 376", len(seen))
	}
	if text = page("/?order=harm&page=99"); !strings.Contains(text, "Page 99 of 7") || !strings.Contains(text, `page=7" rel="prev"`) {
		t.Error("a page that is not there does not lead back")
	}
	if text = page("/?show=all"); strings.Count(text, `class="plot"`) != 400 {
		t.Error("all are not all")
	}
	// Figures of the filter by the same address.
	var cells struct{ Cells []any }
	if err := json.Unmarshal([]byte(page("/?state=drifting&format=json")), &cells); err != nil || len(cells.Cells) != 8 {
		t.Errorf("JSON of a filter: %v, %d cells", err, len(cells.Cells))
	}
	if n := strings.Count(page("/?site=s35&chart=offsets&format=csv"), "\n"); n != 11 {
		t.Errorf("CSV of a filter has %d lines", n)
	}
	if n := strings.Count(page("/?chart=offsets&format=csv"), "\n"); n != 401 {
		t.Errorf("CSV of the fleet has %d lines", n)
	}
	for _, bad := range []string{"/?state=well", "/?order=size", "/?page=0", "/?page=x", "/?show=some"} {
		if w := get(fleet, Options{}, bad); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "That cannot be shown") {
			t.Errorf("%s: %d", bad, w.Code)
		}
	}
}

// The chain's report of a large chain shows what needs somebody and says how much it
// leaves out.
func TestLargeReport(t *testing.T) {
	fleet := large()
	for i, c := range fleet.Cells {
		fleet.Runs = append(fleet.Runs, &rollcallv1.Run{RunId: fmt.Sprintf("%032x", i), CellId: c.GetCellId(), StartedAt: showtest.Day(19), Offset: c.Offset, ExpandedUncertainty: c.ExpandedUncertainty})
		verdict := "pass"
		if i%100 == 0 {
			verdict = "fail"
		}
		fleet.Checks = append(fleet.Checks, &rollcallv1.Check{CheckId: fmt.Sprintf("%032x", i), CellId: c.GetCellId(), Kind: "zero", State: "as found", PerformedAt: showtest.Day(18), Verdict: verdict})
	}
	w := get(fleet, Options{}, "/reports/chain/2026-W24")
	text := w.Body.String()
	if n := strings.Count(text, `class="plot"`); w.Code != http.StatusOK || n != 24 || !strings.Contains(text, "376 more cells needed nobody") || !strings.Contains(text, "396 that passed are not listed") || strings.Count(text, "zero as found, fail") != 4 {
		t.Errorf("%d, %d cells are drawn", w.Code, n)
	}
	if n := strings.Count(get(fleet, Options{}, "/reports/chain/2026-W24?chart=cells&format=csv").Body.String(), "\n"); n != 401 {
		t.Errorf("CSV has %d lines", n)
	}
}

// In a real browser: folded, filtered and paged it fits a phone and a desk, and a site
// unfolds by keyboard.
func TestLargeFleetInBrowser(t *testing.T) {
	server := httptest.NewServer(Handler(large(), Options{Now: func() time.Time { return showtest.Now }}))
	t.Cleanup(server.Close)
	ctx := browser(t)
	for _, width := range []int64{390, 1440} {
		for i, path := range []string{"/", "/?site=s35", "/?state=agrees&page=2"} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(server.URL+path)); err != nil {
				t.Fatal(err)
			}
			if wide := evaluate[int](t, ctx, "document.documentElement.scrollWidth"); wide > int(width) {
				t.Errorf("%s is %d pixels wide on a screen of %d", path, wide, width)
			}
			if weak := evaluate[string](t, ctx, contrastOf); weak != "" {
				t.Errorf("%s: contrast: %s", path, weak)
			}
			picture(t, ctx, fmt.Sprintf("large-%d-%d", i, width))
		}
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL)); err != nil {
		t.Fatal(err)
	}
	evaluate[bool](t, ctx, `(() => { document.querySelector(".folds summary").focus(); return true })()`)
	if err := chromedp.Do(ctx, chromedp.KeyEvent("\r")); err != nil {
		t.Fatal(err)
	}
	if !evaluate[bool](t, ctx, `document.querySelector(".folds details").open && document.querySelector(".folds li a").offsetParent !== null`) {
		t.Error("a site does not unfold by keyboard")
	}
}
