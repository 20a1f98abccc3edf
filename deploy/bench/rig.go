package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"rollcall/deploy/chain"
	"rollcall/deploy/engine"
	"rollcall/services/fleet"
	"rollcall/services/registry"
	"rollcall/services/store"
)

// nop is the log of parts that run in this process.
var nop = zap.NewNop()

// Databases of the one engine.
const (
	servedDatabase = engine.Database // the service's
	directDatabase = "direct"        // written straight from memory
)

// rig is the engine, and the service on it, while they run.
type rig struct {
	options
	dir        string
	registry   fleet.Registry
	endpoint   engine.Endpoint
	stopEngine func() error
	*chain.Chain
	served, direct *store.Store
	web            http.Client
}

// startRig starts an engine and a service that uses it, and applies the demo's
// registry. What it returns has to be stopped, also beside an error.
func startRig(ctx context.Context, o options, dir string) (*rig, error) {
	r := &rig{options: o, dir: dir, stopEngine: func() error { return nil },
		// The service would spend time compressing its metrics.
		web: http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DisableCompression: true}}}
	file := filepath.Join(o.source, "registry.yaml")
	text, err := os.ReadFile(file)
	if err != nil {
		return r, fmt.Errorf("read the registry: %w", err)
	}
	document, problems := registry.Parse(file, text, time.Now())
	if len(problems) > 0 {
		return r, fmt.Errorf("read the registry: %s", problems[0])
	}
	r.registry = document.Registry

	if o.bin, err = filepath.Abs(o.bin); err != nil {
		return r, fmt.Errorf("find the programs: %w", err)
	}
	config := engine.DefaultConfig()
	config.Command = []string{filepath.Join(o.bin, "rollcall"), "engine"}
	config.DataDir = filepath.Join(dir, "engine")
	supervisor, err := engine.NewSupervisor(config)
	if err != nil {
		return r, err
	}
	// The engine outlives ctx: the service is stopped before it.
	engineCtx, stop := context.WithCancel(context.WithoutCancel(ctx))
	stopped := make(chan error, 1)
	go func() { stopped <- supervisor.Run(engineCtx) }()
	r.stopEngine = func() error {
		stop()
		return <-stopped
	}
	if r.endpoint, err = supervisor.Wait(ctx); err != nil {
		return r, err
	}
	for name, to := range map[string]**store.Store{servedDatabase: &r.served, directDatabase: &r.direct} {
		if *to, err = r.openStore(ctx, name); err != nil {
			return r, err
		}
	}
	r.Chain, err = chain.New(chain.Config{
		Dir: dir, Bin: o.bin, Mapping: filepath.Join(o.source, "mapping.yaml"), GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0",
		ServeFlags: []string{
			"--clickhouse", fmt.Sprintf("clickhouse://%s@%s/%s", r.endpoint.User, r.endpoint.Addr(), servedDatabase),
			"--clickhouse-password-file", filepath.Join(dir, "engine", "password"), "--log-level", "warn",
		},
	})
	if err != nil {
		return r, err
	}
	if err := r.StartService(ctx); err != nil {
		return r, err
	}
	return r, r.ApplyRegistry(ctx, file)
}

// openStore makes a database with the service's own tables.
func (r *rig) openStore(ctx context.Context, name string) (*store.Store, error) {
	config := store.DefaultConfig()
	config.Addr, config.User, config.Password, config.Database = r.endpoint.Addr(), r.endpoint.User, r.endpoint.Password, name
	s, err := store.Open(ctx, config)
	if err != nil {
		return nil, err
	}
	if _, err := s.Migrate(ctx); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// stop ends agents, service and engine, in this order.
func (r *rig) stop() error {
	var err error
	if r.Chain != nil {
		err = r.Chain.Stop()
	}
	for _, s := range []*store.Store{r.served, r.direct} {
		if s != nil {
			err = errors.Join(err, s.Close())
		}
	}
	return errors.Join(err, r.stopEngine())
}

// metrics returns the service's metrics, by name with labels.
func (r *rig) metrics(ctx context.Context) (map[string]float64, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+r.HTTP+"/metrics", nil)
	if err != nil {
		return nil, err
	}
	answer, err := r.web.Do(request)
	if err != nil {
		return nil, fmt.Errorf("read the service's metrics: %w", err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		return nil, fmt.Errorf("read the service's metrics: %w", err)
	}
	out := map[string]float64{}
	for line := range strings.Lines(string(text)) {
		name, value, ok := strings.Cut(strings.TrimSpace(line), " ")
		if !ok || !strings.HasPrefix(name, "rollcall_") {
			continue
		}
		if out[name], err = strconv.ParseFloat(value, 64); err != nil {
			return nil, fmt.Errorf("read the service's metrics: %w", err)
		}
	}
	return out, nil
}

// stored returns how many messages of records the service has answered with OK.
func (r *rig) stored(ctx context.Context) (int, error) {
	m, err := r.metrics(ctx)
	n := 0.0
	for _, message := range []string{"pull_begin", "sample_block", "pull_end", "calibration_check"} {
		n += m[fmt.Sprintf(`rollcall_ingest_messages_total{code="CODE_OK",message=%q}`, message)]
	}
	return int(n), err
}

// quiet waits until the service has computed what it has and the engine merges
// nothing, so that one round does not pay for another.
func (r *rig) quiet(ctx context.Context) error {
	limit, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	calm := 0
	err := chain.Poll(limit, 50*time.Millisecond, func() (bool, error) {
		if err := r.Alive(); err != nil {
			return false, err
		}
		m, err := r.metrics(limit)
		if err != nil {
			return false, err
		}
		var merges uint64
		if err := r.direct.Conn().QueryRow(limit, "SELECT count() FROM system.merges").Scan(&merges); err != nil {
			return false, fmt.Errorf("count merges: %w", err)
		}
		if calm++; merges > 0 || m["rollcall_pipeline_pending_records"] > 0 {
			calm = 0
		}
		return calm >= 4, nil
	})
	if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		return errors.New("engine and service did not come to rest within a minute")
	}
	return err
}

// events are counters of the engine.
type events struct{ inserts, selects, inserted, merged uint64 }

// minus returns what was counted since.
func (e events) minus(before events) events {
	return events{e.inserts - before.inserts, e.selects - before.selects, e.inserted - before.inserted, e.merged - before.merged}
}

func (e events) String() string {
	return fmt.Sprintf("%d inserts of %d rows, %d reads, %d rows merged", e.inserts, e.inserted, e.selects, e.merged)
}

func (r *rig) events(ctx context.Context) (e events, err error) {
	const count = "sumIf(value, event = '%s')"
	columns := make([]string, 0, 4)
	for _, name := range []string{"InsertQuery", "SelectQuery", "InsertedRows", "MergedRows"} {
		columns = append(columns, fmt.Sprintf(count, name))
	}
	err = r.direct.Conn().QueryRow(ctx, "SELECT "+strings.Join(columns, ", ")+" FROM system.events").Scan(&e.inserts, &e.selects, &e.inserted, &e.merged)
	if err != nil {
		return e, fmt.Errorf("read the engine's counters: %w", err)
	}
	return e, nil
}

// empty removes all samples from a database.
func empty(ctx context.Context, s *store.Store) error {
	if err := s.Conn().Exec(ctx, "TRUNCATE TABLE sample_blocks"); err != nil {
		return fmt.Errorf("empty sample_blocks: %w", err)
	}
	return nil
}

// bytesOnDisk merges all samples of a database and returns what they take.
func bytesOnDisk(ctx context.Context, s *store.Store) (bytes, values uint64, err error) {
	if err := s.Conn().Exec(ctx, "OPTIMIZE TABLE sample_blocks FINAL"); err != nil {
		return 0, 0, fmt.Errorf("merge sample_blocks: %w", err)
	}
	err = s.Conn().QueryRow(ctx, "SELECT sum(bytes_on_disk) FROM system.parts WHERE active AND database = currentDatabase() AND table = 'sample_blocks'").Scan(&bytes)
	if err != nil {
		return 0, 0, fmt.Errorf("count bytes on disk: %w", err)
	}
	if err := s.Conn().QueryRow(ctx, "SELECT sum(sample_count) FROM sample_blocks").Scan(&values); err != nil {
		return 0, 0, fmt.Errorf("count values: %w", err)
	}
	return bytes, values, nil
}

// seconds returns the processor time a process has used, from the 14th and 15th
// field of /proc/PID/stat in hundredths of a second (proc(5), from memory).
func seconds(pid int) float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0
	}
	// The name, in brackets, may hold anything.
	_, after, _ := strings.Cut(string(text), ") ")
	f := strings.Fields(after)
	if len(f) < 13 {
		return 0
	}
	user, _ := strconv.ParseFloat(f[11], 64)
	system, _ := strconv.ParseFloat(f[12], 64)
	return (user + system) / 100
}

// peak returns the most memory a process has had resident, bytes.
func peak(pid int) (int64, error) {
	var kib int64
	line := lineOf(fmt.Sprintf("/proc/%d/status", pid), "VmHWM")
	if _, err := fmt.Sscanf(line, "%d kB", &kib); err != nil {
		return 0, fmt.Errorf("read the peak memory of process %d: %q", pid, line)
	}
	return kib << 10, nil
}
