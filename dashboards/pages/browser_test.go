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

	"rollcall/services/show/showtest"
)

// browser starts a real Chromium; without one the test is skipped, in CI failed.
func browser(t *testing.T) context.Context {
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

// picture writes a screenshot when ROLLCALL_PICTURES names a folder.
func picture(t *testing.T, ctx context.Context, name string) {
	folder := os.Getenv("ROLLCALL_PICTURES")
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

// In a real browser, at a phone's and a desk's width, every page shows its
// figures, fits its width and raises no complaint on the console (a breach of
// the content security policy would).
func TestPagesInBrowser(t *testing.T) {
	ctx := browser(t)
	fleet := showtest.Chain()
	server := httptest.NewServer(Handler(fleet, Options{Chain: "Larkmere Tuning", Now: func() time.Time { return showtest.Now }}))
	defer server.Close()
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
		{"cell", server.URL + "/cells/fen-2", []string{"Fenwater 2: +1.96 % ± 0.43 %", "gain error beyond its limit", "slip"}},
		{"flag", server.URL + "/flags/" + showtest.GainFlag, []string{"Fenwater 2: recalibrate", "base inertia value", "red coupe 3.2", "two people for heavy masses"}},
		{"pull", server.URL + "/pulls/" + showtest.PullID, []string{"203.40 ± 2.60 kW", "6200 ± 41", "150.30 ± 1.70 kW", "2200 to 6160", "chosen from the pull's own noise", "207.10 ± 2.70 kW", "In doubt. Cell fen-2", "intake air climbs", "8.20 to 14.60 s", "9.5 K",
			"Driveline and tyre loss carried from pull", "See the baseline pull", "Caution: SAE J1349 takes the power", "inside what the standard allows", "3 sweeps in the record, of which 1 gives no curve; the figures are of number 2", "coast-down", "61.50", "lever arm", "% of u²", "203.40 kW ± 0.29 kW"}},
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
	ctx := browser(t)
	server := httptest.NewServer(Handler(showtest.Chain(), Options{Chain: "Larkmere Tuning", Now: func() time.Time { return showtest.Now }}))
	defer server.Close()
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL)); err != nil {
		t.Fatal(err)
	}
	pdf := printed(t, ctx)
	if n := len(pdfPages.FindAll(pdf, -1)); n != 1 {
		t.Errorf("the first page prints on %d sheets, want 1", n)
	}
	if folder := os.Getenv("ROLLCALL_PICTURES"); folder != "" {
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
	ctx := browser(t)
	server := httptest.NewServer(Handler(showtest.Chain(), Options{Chain: "Larkmere Tuning", Now: func() time.Time { return showtest.Now }}))
	defer server.Close()
	papers := map[string]bool{}
	for _, scheme := range []string{"light", "dark"} {
		_, err := chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
			return chromedp.Void{}, target.Call(ctx, "Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}}}, nil)
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range []string{"/", "/cells/fen-2", "/flags/" + showtest.GainFlag, "/pulls/" + showtest.PullID, "/certificates", "/certificates/" + showtest.CertificateNumber + "/1", "/cells/fen-2/checklist"} {
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
