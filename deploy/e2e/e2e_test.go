package e2e

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap/zaptest"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"rollcall/agent/source/simulator"
	"rollcall/deploy/chain"
	"rollcall/deploy/engine"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// weeks is how many are played: rid-2's load cell drifts from week 3 and is
// recalibrated in week 14; fen-2's drifts from week 8.
const weeks = 15

var cells = []fleet.CellID{"fen-1", "fen-2", "rid-1", "rid-2"}

// TestDisturbed plays the same weeks twice, once in peace and once with the
// link cut, agent, service and engine killed, and everything sent again. The
// outcome must be the same to the last bit, each pull, check and sample once.
func TestDisturbed(t *testing.T) {
	if testing.Short() {
		t.Skip("plays fifteen weeks twice")
	}
	bin := build(t)
	var peaceful, disturbed outcome
	t.Run("in peace", func(t *testing.T) { peaceful = play(t, bin, nil) })
	t.Run("disturbed", func(t *testing.T) { disturbed = play(t, bin, disturb) })
	if t.Failed() {
		return
	}
	if peaceful.files == 0 || peaceful.raw.pulls+peaceful.raw.checks != peaceful.files {
		t.Errorf("%d files gave %d pulls and %d checks; each file is one of them", peaceful.files, peaceful.raw.pulls, peaceful.raw.checks)
	}
	if d := cmp.Diff(peaceful.raw, disturbed.raw, cmp.AllowUnexported(raw{})); d != "" {
		t.Errorf("raw tables differ (- in peace, + disturbed):\n%s", d)
	}
	if d := cmp.Diff(peaceful.computed, disturbed.computed); d != "" {
		t.Errorf("computed tables differ (- in peace, + disturbed):\n%s", d)
	}
	if d := cmp.Diff(peaceful.flags, disturbed.flags); d != "" {
		t.Errorf("flags differ (- in peace, + disturbed):\n%s", d)
	}
	for _, want := range []string{`"cell_id":"rid-2"`, `"cell_id":"fen-2"`, `"closed_at"`} {
		if !strings.Contains(strings.ReplaceAll(peaceful.flags, `": "`, `":"`), want) {
			t.Errorf("the flags do not hold %s; the load cells of fen-2 and rid-2 drift, and rid-2's is recalibrated:\n%s", want, peaceful.flags)
		}
	}
}

func build(t *testing.T) string {
	t.Helper()
	bin := t.TempDir()
	cmd := exec.Command("go", "build", "-trimpath", "-o", bin, "rollcall/services/cmd/rollcall", "rollcall/agent/cmd/rollcell")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return bin
}

// raw is what the raw tables hold, each row once.
type raw struct {
	pulls, checks, blocks, ends, samples int
	// hash is over every sample of every block.
	hash string
}

type outcome struct {
	files    int
	raw      raw
	computed []store.Dump
	flags    string
}

// played is a chain while it is played.
type played struct {
	*testing.T
	*chain.Chain
	link *link
}

func play(t *testing.T, bin string, disturb func(p played, week int)) outcome {
	library, err := engine.Find("")
	if errors.Is(err, engine.ErrNoLibrary) && os.Getenv("CI") == "" && os.Getenv("ROLLCALL_REQUIRE_ENGINE") != "1" {
		t.Skip(err)
	} else if err != nil {
		t.Fatal(err)
	}
	root := repoRoot(t)
	dir := t.TempDir()
	c, err := chain.New(chain.Config{
		Dir: dir, Bin: bin, Mapping: filepath.Join(root, "deploy/demo/mapping.yaml"), GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0",
		ServeFlags: []string{"--engine-library", library},
	})
	if err != nil {
		t.Fatal(err)
	}
	p := played{T: t, Chain: c, link: newLink(t, c.GRPC)}
	c.AgentServer = p.link.Addr()
	stopped := false
	defer func() {
		if !stopped {
			_ = c.Stop()
		}
		if t.Failed() {
			p.tail(c.Service.Log)
			for _, a := range c.Agents {
				p.tail(a.Log)
			}
		}
	}()
	ctx, cancel := context.WithTimeout(t.Context(), 8*time.Minute)
	defer cancel()
	p.must(c.StartService(ctx))
	p.must(c.ApplyRegistry(ctx, filepath.Join(root, "deploy/demo/registry.yaml")))
	for _, cell := range cells {
		p.must(c.StartAgent(cell))
	}
	scenario, err := simulator.Load(filepath.Join(root, "deploy/demo/scenario.yaml"))
	p.must(err)
	var out outcome
	for week := 1; week <= weeks; week++ {
		for _, cell := range cells {
			n, err := scenario.Write(c.In(cell), simulator.WriteOptions{Cell: cell, FromWeek: week, ToWeek: week}, nil)
			p.must(err)
			out.files += n.Files
		}
		if disturb != nil {
			disturb(p, week)
		}
		p.must(c.WaitForFiles(ctx, 4))
	}
	p.must(c.WaitForFiles(ctx, 0))
	p.must(c.WaitForRuns(ctx, weeks))
	if disturb != nil {
		p.resend()
		p.must(c.WaitForFiles(ctx, 0))
		p.must(c.WaitForRuns(ctx, weeks))
	}
	out.flags = p.flags(ctx)
	// Agents first, in order: their spools must have emptied.
	p.must(chain.Poll(ctx, 50*time.Millisecond, func() (bool, error) { return p.spoolsEmpty(), p.Alive() }))
	stopped = true
	p.must(c.Stop())
	out.raw, out.computed = inspect(t, bin, filepath.Join(dir, "service", "engine"), library)
	return out
}

// disturb does something bad to the chain in some weeks, while files are on
// their way.
func disturb(p played, week int) {
	p.midway()
	switch week {
	case 3:
		p.Log("cutting the link")
		p.link.Cut()
		time.Sleep(1500 * time.Millisecond) // agents meet the cut and back off
		p.link.Restore()
	case 5, 12:
		cell := cells[week%len(cells)]
		p.Logf("kill -9 of the agent of %s", cell)
		p.must(p.Agents[cell].Kill())
		p.must(p.StartAgent(cell))
	case 7:
		p.Log("kill -9 of the engine")
		p.must(syscall.Kill(p.engine(), syscall.SIGKILL))
	case 9:
		p.Log("kill -9 of the service")
		p.must(p.Service.Kill())
		p.must(p.StartService(p.Context()))
	case 11:
		p.Log("kill -9 of service, engine and an agent, the link cut")
		p.link.Cut()
		engine := p.engine()
		p.must(p.Service.Kill())
		_ = syscall.Kill(engine, syscall.SIGKILL) // it may have gone with its parent
		p.must(p.Agents[cells[0]].Kill())
		p.must(p.StartAgent(cells[0]))
		p.must(p.StartService(p.Context()))
		p.link.Restore()
	}
}

// midway waits until some but not all files of the week were taken.
func (p played) midway() {
	start, err := p.FilesLeft()
	p.must(err)
	p.must(chain.Poll(p.Context(), time.Millisecond, func() (bool, error) {
		left, err := p.FilesLeft()
		return left < start || left == 0, err
	}))
}

// engine returns the process id of the service's engine.
func (p played) engine() int {
	p.Helper()
	entries, err := os.ReadDir("/proc")
	p.must(err)
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		status, err := os.ReadFile(filepath.Join("/proc", e.Name(), "status"))
		if err == nil && strings.Contains(string(status), fmt.Sprintf("\nPPid:\t%d\n", p.Service.PID())) {
			return pid
		}
	}
	p.Fatal("the service has no engine")
	return 0
}

// resend puts every file that was taken back into the folders.
func (p played) resend() {
	p.Helper()
	for _, cell := range cells {
		done := filepath.Join(p.In(cell), "done")
		entries, err := os.ReadDir(done)
		p.must(err)
		if len(entries) == 0 {
			p.Fatalf("%s has no files in %s to send again", cell, done)
		}
		for _, e := range entries {
			p.must(os.Rename(filepath.Join(done, e.Name()), filepath.Join(p.In(cell), e.Name())))
		}
	}
}

func (p played) spoolsEmpty() bool {
	answer, err := p.Fleet.ListCells(p.Context(), &pb.ListCellsRequest{})
	if err != nil {
		return false
	}
	for _, c := range answer.Cells {
		if _, ours := p.Agents[fleet.CellID(c.CellId)]; ours && c.AgentSpoolMessages > 0 {
			return false
		}
	}
	return true
}

func (p played) flags(ctx context.Context) string {
	p.Helper()
	answer, err := p.Fleet.ListFlags(ctx, &pb.ListFlagsRequest{IncludeClosed: true})
	p.must(err)
	var lines []string
	for _, f := range answer.Flags {
		lines = append(lines, text(p.T, f))
	}
	return strings.Join(lines, "\n")
}

// text returns a message as JSON with even spaces, which protojson varies.
func text(t *testing.T, m proto.Message) string {
	t.Helper()
	b, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(strings.ReplaceAll(string(b), ", ", ","), `": `, `":`)
}

func (p played) must(err error) {
	p.Helper()
	if err != nil {
		p.Fatal(err)
	}
}

func (p played) tail(file string) {
	data, err := os.ReadFile(file)
	if err != nil {
		return
	}
	lines := strings.Split(strings.TrimSpace(string(data)), "\n")
	p.Logf("end of %s:\n%s", file, strings.Join(lines[max(0, len(lines)-15):], "\n"))
}

// inspect opens the engine's folder once more and reads what is in it.
func inspect(t *testing.T, bin, dataDir, library string) (raw, []store.Dump) {
	t.Helper()
	config := engine.DefaultConfig()
	config.Command = []string{filepath.Join(bin, "rollcall"), "engine"}
	config.DataDir, config.Library, config.Log = dataDir, library, zaptest.NewLogger(t)
	supervisor, err := engine.NewSupervisor(config)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	stopped := make(chan error, 1)
	go func() { stopped <- supervisor.Run(ctx) }()
	defer func() { cancel(); <-stopped }()
	endpoint, err := supervisor.Wait(ctx)
	if err != nil {
		t.Fatal(err)
	}
	sc := store.DefaultConfig()
	sc.Addr, sc.User, sc.Password = endpoint.Addr(), endpoint.User, endpoint.Password
	s, err := store.Open(ctx, sc)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	count := func(query string) int {
		t.Helper()
		var n uint64
		if err := s.Conn().QueryRow(ctx, query).Scan(&n); err != nil {
			t.Fatalf("%s: %v", query, err)
		}
		return int(n)
	}
	var r raw
	r.pulls = count("SELECT count() FROM pulls FINAL")
	r.checks = count("SELECT count() FROM calibration_checks FINAL")
	r.ends = count("SELECT count() FROM pull_ends FINAL")
	r.blocks = count("SELECT count() FROM sample_blocks FINAL")
	r.samples = count("SELECT sum(sample_count) FROM sample_blocks FINAL")
	if n := count("SELECT uniqExact(pull_id, channel, block_index) FROM sample_blocks"); n != r.blocks {
		t.Errorf("%d blocks are read for %d different ones", r.blocks, n)
	}
	if n := count("SELECT uniqExact(pull_id) FROM pulls"); n != r.pulls {
		t.Errorf("%d pulls are read for %d different ones", r.pulls, n)
	}
	r.hash = strconv.Itoa(count("SELECT groupBitXor(sipHash64(pull_id, channel, block_index, start_s, step_s, times_counts, times_values, scale, offset, counts, values)) FROM sample_blocks FINAL"))
	dumps, err := s.DumpComputed(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return r, dumps
}

func repoRoot(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	return filepath.Dir(filepath.Dir(dir))
}
