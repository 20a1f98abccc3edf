package pages

import (
	"bytes"
	"context"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show/showtest"
)

// browser starts a real Chromium; without one the test is skipped, in CI failed.
func browser(t *testing.T, more ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	path := "/usr/bin/chromium"
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("no browser: %v; install the Debian package chromium", err)
		}
		t.Skipf("no browser: %v; install the Debian package chromium to run this", err)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.UserDataDir(t.TempDir()))
	options = append(options, more...)
	allocator, cancelAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancelAllocator)
	ctx, cancel := chromedp.NewContext(allocator)
	t.Cleanup(func() { _ = chromedp.Cancel(ctx); cancel() })
	timed, cancelTimed := context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(cancelTimed)
	return timed
}

func evaluate[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("evaluate %s: %v", expression, err)
	}
	return v
}

// pictures is the folder for screenshots: ROLLCALL_PICTURES, in CI the folder
// pictures beside the tests, which git ignores; empty: none are kept.
func pictures(t *testing.T) string {
	folder := os.Getenv("ROLLCALL_PICTURES")
	if folder == "" && os.Getenv("CI") == "true" {
		folder = "pictures"
	}
	if folder != "" {
		if err := os.MkdirAll(folder, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return folder
}

// picture keeps a screenshot.
func picture(t *testing.T, ctx context.Context, name string) {
	folder := pictures(t)
	if folder == "" {
		return
	}
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(folder, name+".png"), png, 0o644)
	}
	if err != nil {
		t.Error(err)
	}
}

// comparison is an address of two sets.
const comparison = "/compare?before=" + showtest.BaselineID + "&after=" + showtest.PullID

// served serves the test's chain with all that pages can do.
func served(t *testing.T) *httptest.Server {
	fleet := comparable()
	fleet.Restate()
	fleet.SetUnderWay(&rollcallv1.PullUnderWay{PullId: strings.Repeat("9", 32), CellId: "fen-2", Kind: "pull", CarId: "hazel", Blocks: 3, RecordedS: 4.2})
	server := httptest.NewServer(Handler(fleet, Options{Chain: "Larkmere Tuning", Now: func() time.Time { return showtest.Now }, Admin: &deeds{}, Recompute: func(context.Context, func(string, uint64, uint64) error) error { return nil }, Poll: 20 * time.Millisecond}))
	t.Cleanup(server.Close)
	return server
}

// In a real browser, at a phone's and a desk's width, every page shows its
// figures, fits its width and raises no complaint on the console (a breach of
// the content security policy would).
func TestPagesInBrowser(t *testing.T) {
	server := served(t)
	ctx := browser(t)
	empty := httptest.NewServer(Handler(&showtest.Fleet{}, Options{Now: func() time.Time { return showtest.Now }}))
	defer empty.Close()

	complaints := make(chan string, 100)
	messages := chromedp.Console(ctx)
	go func() {
		for m, err := range messages {
			if err != nil {
				return
			}
			complaints <- m.String()
		}
	}()
	for _, c := range []struct {
		name, url string
		shows     []string
	}{
		{"fleet", server.URL + "/", []string{"1 of 12 cells needs recalibration: Fenwater 2.", "+1.96 ± 0.43 %", "load-cell gain, 93 %", "not separable", "Dead weights, rising and falling", "1250 waiting", "k = 2", showtest.Attack}},
		{"cell", server.URL + "/cells/fen-2", []string{"Fenwater 2: +1.96 % ± 0.43 %", "gain error beyond its limit", "slip", "Geometry through time", "460.20", "Gain error by the checks"}},
		{"flag", server.URL + "/flags/" + showtest.GainFlag, []string{"Fenwater 2: recalibrate", "base inertia value", "red coupe 3.2", "two people for heavy masses", "Acknowledge or close"}},
		{"pull", server.URL + "/pulls/" + showtest.PullID, []string{"203.40 ± 2.60 kW", "6200 ± 41", "150.30 ± 1.70 kW", "2200 to 6160", "chosen from the pull's own noise", "207.10 ± 2.70 kW", "In doubt. Cell fen-2", "intake air climbs", "8.20 to 14.60 s", "9.5 K",
			"Driveline and tyre loss carried from pull", "See the baseline pull", "Caution: SAE J1349 takes the power", "inside what the standard allows", "3 sweeps in the record, of which 1 gives no curve; the figures are of number 2", "coast-down", "61.50", "lever arm", "% of u²", "203.40 kW ± 0.29 kW"}},
		{"flags", server.URL + "/flags", []string{"3 flags are open", "Fenwater 2: recalibrate", "nobody has taken it on", "the most by +1.80 % ± 0.44 %", "load cell replaced", "two people for heavy masses"}},
		{"cars", server.URL + "/cars", []string{"3 reference cars", "has changed", "not followed yet"}},
		{"car", server.URL + "/cars/hazel", []string{"Hazel: −0.95 % ± 0.30 % since its first weeks", "Where it has been", "Fenwater 2"}},
		{"compare", server.URL + comparison, []string{"Peak corrected engine power: +5.20 kW ± 1.31 kW", "The difference is real", "As computed:"}},
		{"equivalence", server.URL + "/equivalence", []string{"6 of 10 cells agree with the consensus", "unsatisfactory", "not separable", "against all", showtest.Attack}},
		{"equivalence-cell", server.URL + "/equivalence?cell=fen-2", []string{"Fenwater 2: +1.96 % ± 0.43 % from the consensus", "With the others"}},
		{"compare-empty", server.URL + "/compare", []string{"Is the gain real?"}},
		{"traces", server.URL + "/pulls/" + showtest.PullID + "/traces", []string{"Raw traces", "intake air temperature, °C", "Look closer"}},
		{"reports", server.URL + "/reports", []string{"Weekly reports", "2026-W27", "Ridgeholt"}},
		{"report", server.URL + "/reports/chain/2026-W26", []string{"Week 2026-W26 of the chain", "Open at the end, in order of harm", "Hazel"}},
		{"table", server.URL + "/cells/fen-2?chart=offset&format=table", []string{"Offset after each reference run", "Limit ± %"}},
		{"recompute", server.URL + "/recompute", []string{"Nothing runs."}},
		{"certificates", server.URL + "/certificates", []string{"fen-2-2026-0003", "replaced by version 2"}},
		{"certificate", server.URL + "/certificates/" + showtest.CertificateNumber, []string{"Calibration certificate", "fen-2-2026-0003, version 2", "misspelt", showtest.Attack, "No accreditation is claimed", "End of certificate"}},
		{"replaced", server.URL + "/certificates/" + showtest.CertificateNumber + "/1", []string{"Not in force.", "version 1"}},
		{"checklist", server.URL + "/cells/fen-2/checklist", []string{"rollers locked", "Check list: load cell of Fenwater 2", "Add m1."}},
		{"empty", empty.URL + "/", []string{"No cell is in the registry yet.", "rollcall fleet apply FILE"}},
	} {
		for _, width := range []int64{390, 1440} {
			t.Run(fmt.Sprintf("%s %d", c.name, width), func(t *testing.T) {
				if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(c.url)); err != nil {
					t.Fatal(err)
				}
				text := strings.ReplaceAll(evaluate[string](t, ctx, "document.body.innerText"), "\u00a0", " ")
				for _, s := range c.shows {
					if !strings.Contains(text, s) {
						t.Errorf("the page does not show %q", s)
					}
				}
				if wide := evaluate[int](t, ctx, "document.documentElement.scrollWidth"); wide > int(width) {
					t.Errorf("the page is %d pixels wide on a screen of %d", wide, width)
				}
				// No letter is cut off at the side or so small that it cannot be read.
				if small := evaluate[string](t, ctx, `[...document.querySelectorAll("body *")].filter(e => e.innerText && parseFloat(getComputedStyle(e).fontSize) < 11).map(e => e.className + ":" + e.innerText.slice(0, 20)).join("; ")`); small != "" {
					t.Errorf("letters below 11 pixels: %s", small)
				}
				if out := evaluate[string](t, ctx, `[...document.querySelectorAll("text, .figure, .word, td")].filter(e => { const r = e.getBoundingClientRect(); return r.width > 0 && (r.left < -1 || r.right > innerWidth + 1) }).map(e => e.textContent.slice(0, 30)).join("; ")`); out != "" {
					t.Errorf("beyond the edge of the screen: %s", out)
				}
				picture(t, ctx, fmt.Sprintf("%s-%d", c.name, width))
			})
		}
	}
	// The content security policy is at work: a script put in does not run.
	if evaluate[bool](t, ctx, `(() => { const s = document.createElement("script"); s.textContent = "window.ran = true"; document.body.append(s); return window.ran === true })()`) {
		t.Error("an inline script ran")
	}
	select {
	case m := <-complaints:
		// The only complaint allowed is that about our own attempt.
		if !strings.Contains(m, "Content Security Policy") && !strings.Contains(m, "content security policy") {
			t.Errorf("console: %s", m)
		}
	case <-time.After(5 * time.Second):
		t.Error("the refused script is not on the console, so complaints of the pages could not be seen either")
	}
	select {
	case m := <-complaints:
		t.Errorf("console: %s", m)
	default:
	}
}

// printed is the page as the browser prints it.
func printed(t *testing.T, ctx context.Context) []byte {
	t.Helper()
	pdf, err := chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) ([]byte, error) {
		var result struct {
			Data []byte `json:"data"`
		}
		err := target.Call(ctx, "Page.printToPDF", map[string]any{"preferCSSPageSize": true}, &result)
		return result.Data, err
	})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(pdf, []byte("%PDF-")) {
		t.Fatalf("no PDF: %.20q", pdf)
	}
	return pdf
}

var pdfPages = regexp.MustCompile(`/Type\s*/Page[^s]`)

// The first page of a fleet of twelve cells prints on one sheet of A4.
func TestPrintsOnOneSheet(t *testing.T) {
	server := served(t)
	ctx := browser(t)
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL)); err != nil {
		t.Fatal(err)
	}
	pdf := printed(t, ctx)
	if n := len(pdfPages.FindAll(pdf, -1)); n != 1 {
		t.Errorf("the first page prints on %d sheets, want 1", n)
	}
	if folder := pictures(t); folder != "" {
		if err := os.WriteFile(filepath.Join(folder, "fleet.pdf"), pdf, 0o644); err != nil {
			t.Error(err)
		}
	}
}

// contrastOf lists the texts whose contrast with the page is below 4.5 to 1, and
// the shapes below 3 to 1. Source of formula and limits: WCAG 2.2, success
// criteria 1.4.3 and 1.4.11, relative luminance and contrast ratio.
const contrastOf = `(() => {
	const parse = s => s.match(/[\d.]+/g).slice(0, 3).map(Number);
	const lum = c => { const [r, g, b] = c.map(v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4 }); return 0.2126 * r + 0.7152 * g + 0.0722 * b };
	const ratio = (a, b) => { const [x, y] = [lum(a), lum(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05) };
	const paper = parse(getComputedStyle(document.documentElement).backgroundColor);
	const weak = new Set();
	for (const e of document.querySelectorAll("p, a, td, th, h1, h2, h3, span, code, strong, text, g.shape")) {
		const shape = e.matches("g.shape"), text = e instanceof SVGTextElement;
		const colour = parse(getComputedStyle(e)[text ? "fill" : "color"]);
		if (ratio(colour, paper) < (shape ? 3 : 4.5)) weak.add((e.getAttribute("class") || e.tagName) + " " + ratio(colour, paper).toFixed(2));
	}
	return [...weak].join("; ");
})()`

// Light or dark, everything can be read.
func TestContrast(t *testing.T) {
	server := served(t)
	ctx := browser(t)
	papers := map[string]bool{}
	for _, scheme := range []string{"light", "dark"} {
		_, err := chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
			return chromedp.Void{}, target.Call(ctx, "Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}}}, nil)
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range []string{"/", "/cells/fen-2", "/flags", "/flags/" + showtest.GainFlag, "/cars", "/cars/hazel", "/equivalence", comparison, "/reports/chain/2026-W26", "/pulls/" + showtest.PullID, "/certificates", "/certificates/" + showtest.CertificateNumber + "/1", "/cells/fen-2/checklist"} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(1440, 900), chromedp.Navigate(server.URL+path)); err != nil {
				t.Fatal(err)
			}
			if weak := evaluate[string](t, ctx, contrastOf); weak != "" {
				t.Errorf("%s, %s: %s", path, scheme, weak)
			}
			papers[evaluate[string](t, ctx, "getComputedStyle(document.documentElement).backgroundColor")] = true
		}
		if err := chromedp.Do(ctx, chromedp.Navigate(server.URL)); err != nil {
			t.Fatal(err)
		}
		picture(t, ctx, "fleet-"+scheme)
	}
	if len(papers) != 2 {
		t.Errorf("light and dark look the same: %v", papers)
	}
}

// axeFile is axe-core, which "make browsertest" installs.
const axeFile = "browsertest/node_modules/axe-core/axe.min.js"

// Nothing on any page keeps people out, as far as axe-core 4.14 finds: names of
// fields, order of headings, contrast, roles. Light and dark, phone and desk.
func TestAccessible(t *testing.T) {
	axe, err := os.ReadFile(axeFile)
	if err != nil {
		text := "axe-core is not installed; run make browsertest"
		if os.Getenv("CI") == "true" || os.Getenv("ROLLCALL_REQUIRE_ENGINE") == "1" {
			t.Fatal(text)
		}
		t.Skip(text)
	}
	server := served(t)
	ctx := browser(t)
	// The page's own policy refuses a script put in: the test's is let in.
	_, err = chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		return chromedp.Void{}, target.Call(ctx, "Page.setBypassCSP", map[string]any{"enabled": true}, nil)
	})
	if err != nil {
		t.Fatal(err)
	}
	run := `(async () => { const r = await axe.run(document, { resultTypes: ["violations"] }); return JSON.stringify(r.violations.map(v => v.id + ": " + v.help + " @ " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 120)).join(" | "))) })()`
	for _, scheme := range []string{"light", "dark"} {
		_, err := chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
			return chromedp.Void{}, target.Call(ctx, "Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}}}, nil)
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range everyPage {
			width := int64(1440)
			if scheme == "dark" {
				width = 390
			}
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(server.URL+path)); err != nil {
				t.Fatal(err)
			}
			if _, err := chromedp.Run(ctx, chromedp.Evaluate[any](string(axe)+";undefined")); err != nil {
				t.Fatal(err)
			}
			found, err := chromedp.Run(ctx, chromedp.Evaluate[string](run, chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatal(err)
			}
			if found != "[]" {
				t.Errorf("%s, %s: %s", path, scheme, found)
			}
		}
	}
	// axe would have found something if there was something.
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/compare")); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[any](string(axe)+`;document.querySelector("main").append(document.createElement("input"));undefined`)); err != nil {
		t.Fatal(err)
	}
	if found, err := chromedp.Run(ctx, chromedp.Evaluate[string](run, chromedp.EvalAwaitPromise)); err != nil || !strings.Contains(found, "label") {
		t.Errorf("a field without a name is not found: %s, %v", found, err)
	}
}

// everyPage is an address of each page.
var everyPage = []string{"/", "/cells/fen-2", "/flags", "/flags/" + showtest.GainFlag, "/cars", "/cars/hazel", "/equivalence", "/equivalence?cell=fen-2", comparison, "/compare", "/pulls/" + showtest.PullID, "/pulls/" + showtest.PullID + "/traces",
	"/reports", "/reports/chain/2026-W26", "/cells/fen-2?chart=offset&format=table", "/recompute", "/nowhere", "/certificates", "/certificates/" + showtest.CertificateNumber, "/cells/fen-2/checklist"}

// The keyboard alone reaches everything that can be followed, filled in or
// pressed, in the order of the page, and shows where it is.
func TestKeyboard(t *testing.T) {
	server := served(t)
	ctx := browser(t)
	for _, path := range everyPage {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(1440, 900), chromedp.Navigate(server.URL+path)); err != nil {
			t.Fatal(err)
		}
		const reach = `a[href], button, input:not([type=hidden]), select, textarea, summary`
		wanted := evaluate[int](t, ctx, `(() => { window.seen = []; document.addEventListener("focusin", e => { const s = getComputedStyle(e.target); seen.push([[...document.querySelectorAll("`+reach+`")].indexOf(e.target), s.outlineStyle !== "none" || s.boxShadow !== "none"]) }); return [...document.querySelectorAll("`+reach+`")].filter(e => e.offsetParent !== null || getComputedStyle(e).position === "absolute").length })()`)
		for range wanted {
			if err := chromedp.Do(ctx, chromedp.KeyEvent("\t")); err != nil {
				t.Fatal(err)
			}
		}
		// A day's field takes several presses, so count elements, not presses.
		for range 40 {
			if evaluate[int](t, ctx, `new Set(seen.map(s => s[0])).size`) >= wanted {
				break
			}
			if err := chromedp.Do(ctx, chromedp.KeyEvent("\t")); err != nil {
				t.Fatal(err)
			}
		}
		if got := evaluate[int](t, ctx, `new Set(seen.map(s => s[0])).size`); got < wanted {
			t.Errorf("%s: the keyboard reaches %d of %d", path, got, wanted)
		}
		if unseen := evaluate[int](t, ctx, `seen.filter(s => !s[1]).length`); unseen > 0 {
			t.Errorf("%s: %d of what has the focus does not show it", path, unseen)
		}
		if order := evaluate[bool](t, ctx, `(() => { const firsts = [...new Set(seen.map(s => s[0]))]; return firsts.every((x, i) => i === 0 || x > firsts[i - 1]) })()`); !order {
			t.Errorf("%s: the focus does not follow the page", path)
		}
	}
}

// A report, and a page without charts of many points, prints within its paper.
func TestPrintsWithinThePaper(t *testing.T) {
	server := served(t)
	ctx := browser(t)
	for path, most := range map[string]int{"/reports/fen/2026-W26": 1, "/reports/chain/2026-W26": 1, "/flags": 2, "/cars/hazel": 3, "/equivalence": 3, comparison: 2, "/cells/fen-2": 6, "/pulls/" + showtest.PullID: 6} {
		// As wide as A4 less its margins, at 96 pixels an inch.
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(703, 1000), chromedp.Navigate(server.URL+path)); err != nil {
			t.Fatal(err)
		}
		media := func(kind string) {
			_, err := chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
				return chromedp.Void{}, target.Call(ctx, "Emulation.setEmulatedMedia", map[string]any{"media": kind}, nil)
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		media("print")
		if wide := evaluate[int](t, ctx, "document.documentElement.scrollWidth"); wide > 703 {
			t.Errorf("%s: %d pixels wide on paper of 703", path, wide)
		}
		if forms := evaluate[int](t, ctx, `[...document.querySelectorAll("form")].filter(e => e.offsetParent !== null && e.offsetHeight > 0).length`); forms > 0 {
			t.Errorf("%s: %d forms are printed", path, forms)
		}
		media("")
		if n := len(pdfPages.FindAll(printed(t, ctx), -1)); n > most {
			t.Errorf("%s prints on %d sheets, want at most %d", path, n, most)
		}
	}
}

// With scripts: what is under way comes live, and a trace can be looked at closer
// by mouse and keyboard, without a complaint of the browser.
func TestScripts(t *testing.T) {
	fleet := comparable()
	// The browser ends before the server, which waits for its connections.
	server := httptest.NewServer(Handler(fleet, Options{Now: func() time.Time { return showtest.Now }, Poll: 20 * time.Millisecond}))
	t.Cleanup(server.Close)
	ctx := browser(t)
	complaints := make(chan string, 100)
	messages := chromedp.Console(ctx)
	go func() {
		for m, err := range messages {
			if err != nil {
				return
			}
			complaints <- m.String()
		}
	}()
	until := func(expression string) {
		t.Helper()
		for range 200 {
			if evaluate[bool](t, ctx, expression) {
				return
			}
			time.Sleep(25 * time.Millisecond)
		}
		t.Errorf("never: %s", expression)
	}
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1440, 900), chromedp.Navigate(server.URL)); err != nil {
		t.Fatal(err)
	}
	fleet.SetUnderWay(&rollcallv1.PullUnderWay{PullId: strings.Repeat("9", 32), CellId: "fen-2", Kind: "pull", CustomerCar: showtest.Attack, Blocks: 3, RecordedS: 4.2})
	until(`document.getElementById("underway").innerText.includes("4.2 s recorded so far in 3 blocks")`)
	until(`document.getElementById("underway").innerText.includes("<script>")`)
	fleet.SetUnderWay()
	until(`document.getElementById("newer") !== null && !document.getElementById("underway").innerText.includes("recorded so far")`)

	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/pulls/"+showtest.PullID)); err != nil {
		t.Fatal(err)
	}
	evaluate[any](t, ctx, `document.querySelector("#chart-load_cell ~ button.closer").click()`)
	until(`document.querySelector("#chart-load_cell canvas") !== null && document.querySelector("#chart-load_cell svg") === null`)
	until(`document.querySelector("#chart-load_cell + .tools").innerText.includes("0.000 to 17.700 s, 60 samples")`)
	// The first of the tools has the focus: Enter looks closer.
	until(`document.activeElement.getAttribute("aria-label") === "closer"`)
	if err := chromedp.Do(ctx, chromedp.KeyEvent("\r")); err != nil {
		t.Fatal(err)
	}
	until(`Math.abs(Number(document.querySelector("#chart-load_cell").dataset.from) - 4.425) < 1e-9 && document.querySelector("#chart-load_cell + .tools").innerText.includes("30 samples")`)
	evaluate[any](t, ctx, `document.querySelector("#chart-load_cell + .tools [aria-label='whole record']").click()`)
	until(`document.querySelector("#chart-load_cell + .tools").innerText.includes("60 samples")`)
	picture(t, ctx, "closer")
	select {
	case m := <-complaints:
		t.Errorf("console: %s", m)
	default:
	}
}
