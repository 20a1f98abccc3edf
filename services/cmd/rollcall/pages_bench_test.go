package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"

	"rollcall/services/admin"
	"rollcall/services/pipeline"
	"rollcall/services/query"
	"rollcall/services/report"
	"rollcall/services/store/storetest"
)

// BenchmarkPages asks for pages of a chain of 1000 cells with 260 weeks over HTTP
// on loopback, as a browser does that takes gzip, and reports of each the median
// and the 95th percentile of the time until the last byte, and the bytes on the
// wire, each page's style sheet and script with it, and the processor's time for
// one, of service, browser and engine together: a machine that is busy otherwise
// stretches the first two only. The pages are those of the
// service, on its store; nothing is computed beside. With ROLLCALL_BENCH_CELLS and
// ROLLCALL_BENCH_WEEKS the chain is another.
func BenchmarkPages(b *testing.B) {
	s := storetest.Open(b)
	chain := storetest.BigChain(time.Now(), pipeline.CodeVersion)
	for name, to := range map[string]*int{"ROLLCALL_BENCH_CELLS": &chain.Cells, "ROLLCALL_BENCH_WEEKS": &chain.Weeks} {
		if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
			*to = n
		}
	}
	chain.Sites, chain.Cars = min(chain.Sites, max(1, chain.Cells/4)), min(chain.Cars, chain.Cells)
	began := time.Now()
	chain.Fill(b, s)
	b.Logf("filled in %.0f s", time.Since(began).Seconds())

	ctx := context.Background()
	log := zap.NewNop()
	book := admin.NewBook(s)
	if err := book.Load(ctx); err != nil {
		b.Fatal(err)
	}
	// The pipeline computes on demand only: it does not run.
	computing := pipeline.New(pipeline.DefaultConfig(), s, book, log, prometheus.NewRegistry())
	keeping := admin.New(s, book, time.Now, log)
	reading := query.New(s, book, time.Now)
	reading.Document, reading.Reduce, reading.Sweeps, reading.State = keeping.Registry, computing.Reduce, computing.Sweeps, computing.State
	server := httptest.NewServer(webHandler(ctx, reading, keeping, nil, prometheus.NewRegistry(), log))
	defer server.Close()
	client := &http.Client{Transport: &http.Transport{DisableCompression: true}}
	get := func(path string) (time.Duration, int, string) {
		request, err := http.NewRequest(http.MethodGet, server.URL+path, nil)
		if err != nil {
			b.Fatal(err)
		}
		request.Header.Set("Accept-Encoding", "gzip")
		began := time.Now()
		answer, err := client.Do(request)
		if err != nil {
			b.Fatal(err)
		}
		defer answer.Body.Close()
		body, err := io.ReadAll(answer.Body)
		took := time.Since(began)
		if err != nil || answer.StatusCode != http.StatusOK {
			b.Fatalf("GET %s: %s, %v\n%.600s", path, answer.Status, err, body)
		}
		return took, len(body), answer.Header.Get("Content-Encoding")
	}
	_, style, _ := get("/page.css")
	_, script, _ := get("/page.js")
	_, closer, _ := get("/uplot.js")
	b.Logf("page.css %.1f kB, page.js %.1f kB, uplot.js %.1f kB", float64(style)/1000, float64(script)/1000, float64(closer)/1000)
	week := report.WeekOf(time.Now().UTC()).Before().String()
	cells := chain.Cells
	each := func(format string, of func(int) string, n int) func(int) string {
		return func(i int) string { return fmt.Sprintf(format, of(i*7919%n)) }
	}
	pages := []struct {
		name  string
		path  func(i int) string
		extra int // bytes of script
	}{
		{"fleet", func(int) string { return "/" }, script},
		{"fleet-site", each("/?site=%s", chain.SiteID, cells), script},
		{"cell", each("/cells/%s", chain.CellID, cells), 0},
		{"cell-year", func(i int) string {
			return "/cells/" + chain.CellID(i*7919%cells) + "?from=" + time.Now().AddDate(-1, 0, 0).Format(time.DateOnly)
		}, 0},
		{"flags", func(int) string { return "/flags" }, 0},
		{"flag", func(i int) string { return fmt.Sprintf("/flags/%032x", 0x7000000000+i%40) }, 0},
		{"cars", func(int) string { return "/cars" }, 0},
		{"car", each("/cars/%s", chain.CarID, chain.Cars), 0},
		{"pull", each("/pulls/%s", chain.PullID, min(20, cells)), script + closer},
		{"report-site", func(i int) string { return "/reports/" + chain.SiteID(i*7919%cells) + "/" + week }, 0},
		{"report-chain", func(int) string { return "/reports/chain/" + week }, 0},
		{"certificates", func(int) string { return "/certificates" }, 0},
		{"cells.json", func(int) string { return "/cells.json" }, 0},
	}
	engine := 0 // its process, where it is ours
	if storetest.Embedded() {
		e, _ := storetest.Engine(b).Endpoint()
		engine = e.PID
	}
	for b.Loop() {
		for _, p := range pages {
			if only := os.Getenv("ROLLCALL_BENCH_PAGES"); only != "" && !slices.Contains(strings.Split(only, ","), p.name) {
				continue
			}
			get(p.path(0))
			var took []time.Duration
			most, packed := 0, ""
			used := processorTime(b, os.Getpid()) + processorTime(b, engine)
			for i := range 41 {
				d, n, encoding := get(p.path(i + 1))
				took, most, packed = append(took, d), max(most, n), encoding
				if i >= 8 && i*int(d/time.Millisecond) > 10_000 { // a slow page says so in fewer
					break
				}
			}
			used = processorTime(b, os.Getpid()) + processorTime(b, engine) - used
			slices.Sort(took)
			ms := func(share float64) float64 {
				return float64(took[int(share*float64(len(took)-1)+0.5)].Microseconds()) / 1000
			}
			b.Logf("%-13s p50 %7.1f ms  p95 %7.1f ms  %7.1f kB %s  processor %6.1f ms (%d times)", p.name, ms(0.5), ms(0.95), float64(most+style+p.extra)/1000, packed, 1000*used/float64(len(took)), len(took))
			b.ReportMetric(ms(0.95), p.name+"-p95-ms")
		}
	}
}

// processorTime returns what a process has used, s; 0: not known. From the 14th and
// 15th field of /proc/PID/stat, hundredths of a second (proc(5), from memory).
func processorTime(b *testing.B, pid int) float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0
	}
	_, after, _ := strings.Cut(string(text), ") ") // the name may hold anything
	f := strings.Fields(after)
	if len(f) < 13 {
		b.Fatalf("stat of process %d: %q", pid, text)
	}
	user, _ := strconv.ParseFloat(f[11], 64)
	system, _ := strconv.ParseFloat(f[12], 64)
	return (user + system) / 100
}
