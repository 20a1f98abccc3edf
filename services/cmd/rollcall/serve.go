package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	"rollcall/dashboards/pages"
	"rollcall/deploy/engine"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/admin"
	"rollcall/services/fleet"
	"rollcall/services/ingest"
	"rollcall/services/notice"
	"rollcall/services/pipeline"
	"rollcall/services/query"
	"rollcall/services/rpc"
	"rollcall/services/store"
)

func (m Main) serveCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run the service: gRPC, computation, pages and metrics",
		Long: "Runs the service until it is told to stop. It starts its own ClickHouse engine, reachable\n" +
			"from this machine only, unless --clickhouse names a server.",
		Args: positional(cobra.NoArgs),
	}
	config := serveFlags(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		c, err := config()
		if err != nil {
			return err
		}
		log, err := newLogger(c.LogLevel, m.Err)
		if err != nil {
			return err
		}
		defer log.Sync()
		return serve(cmd.Context(), c, log)
	}
	return cmd
}

func (m Main) migrateCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the database's tables up to this release (`rollcall serve` does so itself)",
		Args:  positional(cobra.NoArgs),
	}
	config := serveFlags(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		c, err := config()
		if err != nil {
			return err
		}
		log, err := newLogger(c.LogLevel, m.Err)
		if err != nil {
			return err
		}
		defer log.Sync()
		return withStore(cmd.Context(), c, log, func(ctx context.Context, s *store.Store) error {
			n, err := s.Migrate(ctx)
			if err == nil {
				fmt.Fprintf(cmd.OutOrStdout(), "%d migrations applied\n", n)
			}
			return err
		})
	}
	return cmd
}

// newLogger returns a logger of JSON lines.
func newLogger(level string, out interface{ Write([]byte) (int, error) }) (*zap.Logger, error) {
	l, err := zapcore.ParseLevel(level)
	if err != nil {
		return nil, fmt.Errorf("log_level: %w", err)
	}
	encoder := zap.NewProductionEncoderConfig()
	encoder.EncodeTime = zapcore.RFC3339NanoTimeEncoder
	return zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(encoder), zapcore.Lock(zapcore.AddSync(out)), l)), nil
}

// withStore runs f with a store on the configured server or on an embedded
// engine, which is stopped after f.
func withStore(ctx context.Context, c Config, log *zap.Logger, f func(context.Context, *store.Store) error) error {
	sc := store.DefaultConfig()
	sc.Log = log.Named("store")
	if c.ClickHouse != "" {
		password, err := c.clickHousePassword()
		if err != nil {
			return err
		}
		sc.DSN, sc.Password = c.ClickHouse, password
		return openStore(ctx, sc, log, f)
	}
	program, err := os.Executable()
	if err != nil {
		return fmt.Errorf("find this program: %w", err)
	}
	ec := engine.DefaultConfig()
	ec.Command = []string{program, "engine"}
	ec.DataDir = filepath.Join(c.DataDir, "engine")
	ec.Library = c.EngineLibrary
	ec.MemoryBytes = c.EngineMemoryBytes
	ec.Log = log.Named("engine")
	supervisor, err := engine.NewSupervisor(ec)
	if err != nil {
		return err
	}
	// The engine outlives what uses it: it is stopped when f has returned.
	engineCtx, stopEngine := context.WithCancel(context.WithoutCancel(ctx))
	stopped := make(chan error, 1)
	go func() { stopped <- supervisor.Run(engineCtx) }()
	endpoint, err := supervisor.Wait(ctx)
	if err == nil {
		sc.Addr, sc.User, sc.Password, sc.Dial = endpoint.Addr(), endpoint.User, endpoint.Password, supervisor.Dial
		err = openStore(ctx, sc, log, f)
	}
	stopEngine()
	if ended := <-stopped; err == nil || errors.Is(err, context.Canceled) {
		err = errors.Join(err, ended)
	}
	return err
}

// authenticationFailed is ClickHouse's AUTHENTICATION_FAILED.
const authenticationFailed = 516

// openStore waits for the database, for it may be starting too.
func openStore(ctx context.Context, sc store.Config, log *zap.Logger, f func(context.Context, *store.Store) error) error {
	for {
		s, err := store.Open(ctx, sc)
		if err == nil {
			defer s.Close()
			return f(ctx, s)
		}
		var refused *clickhouse.Exception
		if sc.Dial == nil && errors.As(err, &refused) && refused.Code == authenticationFailed {
			return fmt.Errorf("the ClickHouse server lets nobody in like this: %s; mend the user in clickhouse, or the password in clickhouse_password_file or ROLLCALL_CLICKHOUSE_PASSWORD", refused.Message)
		}
		if !errors.Is(err, store.ErrUnavailable) {
			return err
		}
		log.Warn("database not there yet, trying again", zap.Error(err))
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Second):
		}
	}
}

// serve runs everything until ctx ends, then stops it in order: gRPC and pages
// take nothing new, what was taken in is made durable, the computation ends,
// the engine stops last.
func serve(ctx context.Context, c Config, log *zap.Logger) error {
	// Certificates and ports first: what is wrong with them must not cost the
	// start of an engine.
	metrics := prometheus.NewRegistry()
	metrics.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	rc := rpc.DefaultConfig()
	rc.Listen, rc.TLS = c.GRPCListen, c.TLS
	server, err := rpc.New(rc, log, metrics)
	if err != nil {
		return err
	}
	grpcListener, err := rpc.Listen(ctx, rc)
	var inUse *rpc.PortInUseError
	if errors.As(err, &inUse) {
		return portInUse(inUse.Listen, "grpc_listen")
	}
	if err != nil {
		return err
	}
	defer grpcListener.Close()
	httpListener, err := listenHTTP(ctx, c.HTTPListen)
	if err != nil {
		return err
	}
	defer httpListener.Close()
	door, pagesTLS, err := pagesDoor(c)
	if err != nil {
		return fmt.Errorf("pages: %w", err)
	}
	if door == nil && !access.IsLoopback(httpListener.Addr().String()) {
		// The configuration was looked at; this is what it came to.
		return fmt.Errorf("the pages would be reachable from other machines at %s without sign-in; set pages or listen on 127.0.0.1", httpListener.Addr())
	}
	err = withStore(ctx, c, log, func(ctx context.Context, s *store.Store) error {
		return serveOn(ctx, c, s, server, metrics, grpcListener, httpListener, door, pagesTLS, log)
	})
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		return nil
	}
	return err
}

// pagesDoor returns what lets people in to the pages and their TLS; nil and nil:
// no sign-in is configured.
func pagesDoor(c Config) (*access.Door, *tls.Config, error) {
	if !c.Pages.Enabled() {
		return nil, nil, nil
	}
	config, err := access.PagesTLS(c.Pages)
	if err != nil {
		return nil, nil, err
	}
	people, err := access.OpenPeople(c.Pages.PeopleFile)
	if err != nil {
		return nil, nil, err
	}
	return access.NewDoor(people, time.Now), config, nil
}

func listenHTTP(ctx context.Context, address string) (net.Listener, error) {
	l, err := new(net.ListenConfig).Listen(ctx, "tcp", address)
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, portInUse(address, "http_listen")
	}
	if err != nil {
		return nil, fmt.Errorf("listen on %s: %w", address, err)
	}
	return l, nil
}

func portInUse(address, key string) error {
	return fmt.Errorf("%s is in use by another program; stop it or choose another port with %s", address, key)
}

func serveOn(ctx context.Context, c Config, s *store.Store, server *rpc.Server, metrics *prometheus.Registry, grpcListener, httpListener net.Listener, door *access.Door, pagesTLS *tls.Config, log *zap.Logger) error {
	if n, err := s.Migrate(ctx); err != nil {
		return err
	} else if n > 0 {
		log.Info("tables brought up to this release", zap.Int("migrations", n))
	}
	book := admin.NewBook(s)
	if err := book.Load(ctx); err != nil {
		return err
	}
	pc := pipeline.DefaultConfig()
	pc.FleetDelay = c.FleetDelay
	pc.Watch.FalseFlagsPerCellYear = c.FalseFlagsPerCellYear
	computing := pipeline.New(pc, s, book, log, metrics)

	taking, err := ingest.New(ingest.DefaultConfig(), s, book, log, metrics)
	if err != nil {
		return err
	}
	taking.Stored, taking.StoredCheck = computing.Stored, computing.StoredCheck
	computing.Recent, computing.Busy = taking.Recent, taking.Busy

	keeping := admin.New(s, book, time.Now, log)
	keeping.FlagClosed, keeping.RecomputeAll = computing.FlagClosed, computing.Recompute
	keeping.ParasiticAdopted, keeping.Restate = computing.ParasiticAdopted, computing.Restate
	keeping.CarryFits, keeping.LossCarried = computing.CarryFits, computing.LossCarried
	keeping.Applied = func(cells []fleet.CellID, cars []fleet.CarID, sites []fleet.SiteID, masses bool, from time.Time) {
		if err := computing.RegistryChanged(context.WithoutCancel(ctx), cells, cars, sites, masses, from); err != nil {
			log.Error("records touched by the registry's change not queued; run rollcall recompute", zap.Error(err))
		}
	}
	keeping.Certificates = admin.Certificates{Issuer: c.Issuer, Judged: computing.Judged, Next: computing.NextCheck}
	reading := query.New(s, book, time.Now)
	reading.Document, reading.Reduce, reading.Sweeps = keeping.Registry, computing.Reduce, computing.Sweeps
	reading.State = computing.State

	pb.RegisterIngestServiceServer(server, taking)
	pb.RegisterFleetServiceServer(server, reading)
	pb.RegisterAdminServiceServer(server, keeping)
	telling := notice.New(c.Notices, s, book, time.Now, log, metrics)
	telling.Settled = computing.Settled
	pb.RegisterNoticeServiceServer(server, notice.Server{Service: telling})
	server.OnStop(taking.Stop)
	server.SetServing("", true)

	web := &http.Server{Handler: webHandler(ctx, reading, keeping, door, metrics, log), TLSConfig: pagesTLS, ErrorLog: zap.NewStdLog(log.Named("http")), ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute}

	// Three rings, ended one after the other: what listens, what commits, what
	// computes.
	computeCtx, stopComputing := context.WithCancel(context.WithoutCancel(ctx))
	commitCtx, stopCommitting := context.WithCancel(context.WithoutCancel(ctx))
	defer stopComputing()
	defer stopCommitting()
	var inner errgroup.Group
	committed := make(chan struct{})
	inner.Go(func() error { return computing.Run(computeCtx) })
	inner.Go(func() error { return telling.Run(computeCtx) })
	inner.Go(func() error { defer close(committed); return taking.Run(commitCtx) })
	outer, listening := errgroup.WithContext(ctx)
	outer.Go(func() error { return server.Serve(listening, grpcListener) })
	outer.Go(func() error {
		serve := func() error { return web.Serve(httpListener) }
		if pagesTLS != nil {
			serve = func() error { return web.ServeTLS(httpListener, "", "") }
		}
		if err := serve(); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("serve the pages: %w", err)
		}
		return nil
	})
	outer.Go(func() error {
		<-listening.Done()
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		if err := web.Shutdown(grace); err != nil {
			return web.Close()
		}
		return nil
	})
	scheme := "http"
	if pagesTLS != nil {
		scheme = "https"
	}
	log.Info("serving", zap.Stringer("grpc", grpcListener.Addr()), zap.String("pages", scheme+"://"+httpListener.Addr().String()+"/"))
	err = outer.Wait()
	stopCommitting()
	<-committed
	stopComputing()
	return errors.Join(err, inner.Wait())
}

// webHandler serves the pages, the metrics and a liveness word. Without a door the
// pages read as this machine does: they are bound to loopback. With one people
// sign in, and programs read the metrics by name and password.
func webHandler(ctx context.Context, reading *query.Server, keeping *admin.Server, door *access.Door, metrics *prometheus.Registry, log *zap.Logger) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", byPassword(door, promhttp.HandlerFor(metrics, promhttp.HandlerOpts{})))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	site := pages.Handler(reading, pages.Options{
		Log: log.Named("pages"), Status: func(err error) error { return rpc.Status(log, "pages", err) }, Admin: keeping, Door: door, Closing: ctx.Done(), Next: reading.NextOf,
		Recompute: func(ctx context.Context, progress func(stage string, done, total uint64) error) error {
			return keeping.Recompute(&pb.RecomputeRequest{}, recomputeStream{ctx: ctx, progress: progress})
		},
	})
	if door != nil {
		mux.Handle("/", site)
		return mux
	}
	mux.Handle("/", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		site.ServeHTTP(w, r.WithContext(access.NewContext(r.Context(), access.Identity{Loopback: true})))
	}))
	return mux
}

// byPassword lets who has a name and a password read (RFC 7617); without a door,
// everybody.
func byPassword(door *access.Door, next http.Handler) http.Handler {
	if door == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name, password, given := r.BasicAuth()
		if !given {
			w.Header().Set("WWW-Authenticate", `Basic realm="Rollcall", charset="UTF-8"`)
			http.Error(w, "Name and password of somebody in the people file are needed.", http.StatusUnauthorized)
			return
		}
		id, err := door.Identify(r.Context(), r.RemoteAddr, name, password)
		var many *access.TooManyError
		switch {
		case errors.As(err, &many):
			w.Header().Set("Retry-After", strconv.Itoa(int(many.Wait.Seconds())+1))
			http.Error(w, many.Error(), http.StatusTooManyRequests)
		case err != nil || !id.MayRead():
			w.Header().Set("WWW-Authenticate", `Basic realm="Rollcall", charset="UTF-8"`)
			http.Error(w, "Name or password is wrong.", http.StatusUnauthorized)
		default:
			next.ServeHTTP(w, r)
		}
	})
}

// recomputeStream takes the progress of a recompute that a page asked for.
type recomputeStream struct {
	grpc.ServerStream
	ctx      context.Context
	progress func(stage string, done, total uint64) error
}

func (s recomputeStream) Context() context.Context { return s.ctx }
func (s recomputeStream) Send(r *pb.RecomputeResponse) error {
	return s.progress(r.GetStage(), r.GetDone(), r.GetTotal())
}
