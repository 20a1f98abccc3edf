package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// table is what the run found.
type table struct {
	conditions conditions
	figures    []figure
	notes      []string
	took       time.Duration
}

// figure is one line of the table.
type figure struct {
	name, value, spread, aim string
	met                      *bool // nil: no aim
}

func (t *table) add(f figure) { t.figures = append(t.figures, f) }

// note adds a line below the table.
func (t *table) note(format string, a ...any) { t.notes = append(t.notes, fmt.Sprintf(format, a...)) }

// judged adds a figure with an aim.
func (t *table) judged(f figure, met bool) {
	f.met = &met
	t.add(f)
}

func (t *table) print(w io.Writer) error {
	c := t.conditions
	fmt.Fprintf(w, "%s, %d cores, %s; %s; engine ClickHouse %s; %s on %s; load %s before, %s after; %s, took %s\n\n",
		c.processor, c.cores, c.memory, runtime.Version(), either(c.engine, "not started"), c.disk, c.folder, c.load, loadAverage(),
		c.at.UTC().Format("2006-01-02 15:04 UTC"), t.took.Round(time.Second))
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "figure\tvalue\tspread\taim\tmet")
	for _, f := range t.figures {
		met := "–"
		if f.met != nil {
			met = map[bool]string{true: "yes", false: "NO"}[*f.met]
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\n", f.name, f.value, either(f.spread, "–"), either(f.aim, "–"), met)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w)
	for _, n := range t.notes {
		if _, err := fmt.Fprintln(w, "· "+n); err != nil {
			return err
		}
	}
	return nil
}

func either(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// sample is one quantity measured several times.
type sample []float64

// quantile returns the p-quantile: the smallest value with at least p of the
// sample at or below it.
func (s sample) quantile(p float64) float64 {
	sorted := slices.Sorted(slices.Values(s))
	i := int(p*float64(len(sorted)) + 0.999999)
	return sorted[min(max(i, 1), len(sorted))-1]
}

// median returns the middle value, of an even number the mean of the two.
func (s sample) median() float64 {
	sorted := slices.Sorted(slices.Values(s))
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// spread says how far the sample reaches and how many there are.
func (s sample) spread(format string) string {
	return fmt.Sprintf(format+" … "+format+" of %d", slices.Min(s), slices.Max(s), len(s))
}

// size gives bytes for people.
func size(n int64) string {
	if n >= 1<<30 {
		return fmt.Sprintf("%.3g GiB", float64(n)/(1<<30))
	}
	return fmt.Sprintf("%.0f MiB", float64(n)/(1<<20))
}

// conditions are those the figures were measured under.
type conditions struct {
	processor, memory    string
	cores                int
	engine, disk, folder string
	load                 string
	at                   time.Time
}

func conditionsOf(dir string) conditions {
	return conditions{
		processor: either(lineOf("/proc/cpuinfo", "model name"), runtime.GOARCH), memory: memory(), cores: runtime.NumCPU(),
		disk: fileSystem(dir), folder: filepath.Dir(dir), load: loadAverage(), at: time.Now(),
	}
}

func memory() string {
	var kib int64
	if _, err := fmt.Sscanf(lineOf("/proc/meminfo", "MemTotal"), "%d kB", &kib); err != nil {
		return "memory unknown"
	}
	return fmt.Sprintf("%.0f GiB", float64(kib)/(1<<20))
}

// loadAverage returns how many processes wanted a core over the last minute.
func loadAverage() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	first, _, _ := strings.Cut(string(text), " ")
	return first
}

// lineOf returns the value of the first line of a file that begins with key.
func lineOf(file, key string) string {
	f, err := os.Open(file)
	if err != nil {
		return ""
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		if name, value, ok := strings.Cut(s.Text(), ":"); ok && strings.TrimSpace(name) == key {
			return strings.TrimSpace(value)
		}
	}
	return ""
}

// fileSystem returns the kind of file system and the device a folder is on.
func fileSystem(dir string) string {
	text, err := os.ReadFile("/proc/self/mounts")
	if err != nil {
		return "unknown file system"
	}
	best, found := -1, "unknown file system"
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) < 3 {
			continue
		}
		if at := f[1]; (at == "/" || dir == at || strings.HasPrefix(dir, at+"/")) && len(at) >= best {
			best, found = len(at), f[2]+" ("+f[0]+")"
		}
	}
	return found
}
