package main

import (
	"errors"
	"fmt"
	"net"
	"os"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"rollcall/services/access"
	"rollcall/services/notice"
	"rollcall/services/store"
)

// Config is everything `rollcall serve` can be told. A flag wins over the
// environment (ROLLCALL_GRPC_LISTEN for grpc_listen), that over the file.
type Config struct {
	// DataDir holds the embedded engine's data and its password.
	DataDir string `yaml:"data_dir"`
	// GRPCListen and HTTPListen are host:port. Beyond loopback gRPC wants TLS.
	GRPCListen string `yaml:"grpc_listen"`
	HTTPListen string `yaml:"http_listen"`
	// TLS names the files of mutual TLS; empty: none, loopback only.
	TLS access.Config `yaml:"tls"`
	// Pages names the files of TLS and sign-in of the pages; empty: none, loopback
	// only.
	Pages access.PagesConfig `yaml:"pages"`
	// ClickHouse is clickhouse://user@host:port/database of a server to use
	// instead of the embedded engine; empty: the embedded engine.
	ClickHouse string `yaml:"clickhouse"`
	// ClickHousePasswordFile holds that server's password; else the environment
	// variable ROLLCALL_CLICKHOUSE_PASSWORD, else the one in the address.
	ClickHousePasswordFile string `yaml:"clickhouse_password_file"`
	// EngineLibrary is the engine's library; empty: found by itself.
	EngineLibrary string `yaml:"engine_library"`
	// EngineMemoryBytes is the most memory the engine's queries may take; 0: half of
	// the machine's, at most 4 GiB.
	EngineMemoryBytes int64 `yaml:"engine_memory_bytes"`
	// FalseFlagsPerCellYear is how many drift flags a cell without a fault may
	// raise in a year, on average.
	FalseFlagsPerCellYear float64 `yaml:"false_flags_per_cell_year"`
	// FleetDelay is how long new reference runs are gathered before the fleet
	// is compared anew.
	FleetDelay time.Duration `yaml:"fleet_delay"`
	// Issuer is the name and address that stand in the head of certificates;
	// empty: the operator of the site.
	Issuer string `yaml:"issuer"`
	// LogLevel is debug, info, warn or error.
	LogLevel string `yaml:"log_level"`
	// Notices say who is told of what. They stand in the file only.
	Notices notice.Config `yaml:"notices"`
}

// DefaultConfig returns what holds where nothing else is said.
func DefaultConfig() Config {
	return Config{
		DataDir:               "data",
		GRPCListen:            "127.0.0.1:7443",
		HTTPListen:            "127.0.0.1:7480",
		FalseFlagsPerCellYear: 0.1,
		FleetDelay:            2 * time.Second,
		LogLevel:              "info",
		Notices:               notice.DefaultConfig(),
	}
}

// Validate returns everything that is wrong with c at once.
func (c Config) Validate() error {
	var errs []error
	if c.DataDir == "" && c.ClickHouse == "" {
		errs = append(errs, errors.New("data_dir is empty; name a folder for the embedded engine, or a server with clickhouse"))
	}
	if err := checkAddress("grpc_listen", c.GRPCListen, "127.0.0.1:7443"); err != nil {
		errs = append(errs, err)
	} else if !c.TLS.Enabled() && !access.IsLoopback(c.GRPCListen) {
		errs = append(errs, fmt.Errorf("grpc_listen is %s, reachable from other machines, without tls; set tls (rollcall certs makes the files) or listen on 127.0.0.1", c.GRPCListen))
	}
	if err := checkAddress("http_listen", c.HTTPListen, "127.0.0.1:7480"); err != nil {
		errs = append(errs, err)
	} else if !c.Pages.Enabled() && !access.IsLoopback(c.HTTPListen) {
		errs = append(errs, fmt.Errorf("http_listen is %s, reachable from other machines, without sign-in; set pages (cert_file, key_file and people_file, which `rollcall people add` makes) or listen on 127.0.0.1", c.HTTPListen))
	}
	if err := c.Pages.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("pages: %w", err))
	}
	if err := c.TLS.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("tls: %w", err))
	}
	if c.ClickHouse != "" {
		// The error itself would show the password.
		o, err := clickhouse.ParseDSN(c.ClickHouse)
		if err != nil || !strings.HasPrefix(c.ClickHouse, "clickhouse://") || o.Auth.Database == "" {
			errs = append(errs, fmt.Errorf("clickhouse is %q; write clickhouse://user@host:port/database", redact(c.ClickHouse)))
		} else {
			sc := store.DefaultConfig()
			sc.DSN = c.ClickHouse
			if err := sc.Validate(); err != nil {
				errs = append(errs, fmt.Errorf("clickhouse: %w", err))
			}
		}
	}
	if c.ClickHousePasswordFile != "" && c.ClickHouse == "" {
		errs = append(errs, errors.New("clickhouse_password_file is set but clickhouse is not; the embedded engine makes its own password"))
	}
	if c.EngineMemoryBytes < 0 || c.EngineMemoryBytes > 0 && c.EngineMemoryBytes < 256<<20 {
		errs = append(errs, fmt.Errorf("engine_memory_bytes is %d; the engine needs at least 268435456 (256 MiB), or 0 for half of the machine's", c.EngineMemoryBytes))
	}
	if !(c.FalseFlagsPerCellYear > 0 && c.FalseFlagsPerCellYear <= 12) {
		errs = append(errs, fmt.Errorf("false_flags_per_cell_year is %g; use more than 0 and at most 12, as 0.1 for one in ten cell-years", c.FalseFlagsPerCellYear))
	}
	if c.FleetDelay < 0 || c.FleetDelay > time.Hour {
		errs = append(errs, fmt.Errorf("fleet_delay is %s; use 0s to 1h", c.FleetDelay))
	}
	if len([]rune(c.Issuer)) > 200 {
		errs = append(errs, fmt.Errorf("issuer has %d characters; at most 200 have room in the head of a certificate", len([]rune(c.Issuer))))
	}
	switch c.LogLevel {
	case "debug", "info", "warn", "error":
	default:
		errs = append(errs, fmt.Errorf("log_level is %q; use debug, info, warn or error", c.LogLevel))
	}
	if err := c.Notices.Validate(); err != nil {
		for line := range strings.Lines(err.Error()) {
			errs = append(errs, errors.New("notices: "+strings.TrimSuffix(line, "\n")))
		}
	}
	return errors.Join(errs...)
}

// checkAddress returns what is wrong with an address to listen on.
func checkAddress(key, address, example string) error {
	_, port, err := net.SplitHostPort(address)
	if err == nil {
		_, err = strconv.ParseUint(port, 10, 16)
	}
	if err != nil {
		return fmt.Errorf("%s is %q; write host:port, as %s", key, address, example)
	}
	return nil
}

// redact hides the passwords of an address, also of one that cannot be read.
func redact(address string) string {
	scheme, rest, found := strings.Cut(address, "://")
	if found {
		scheme += "://"
	} else {
		scheme, rest = "", address
	}
	if at := strings.LastIndexByte(rest, '@'); at >= 0 {
		if user, _, secret := strings.Cut(rest[:at], ":"); secret {
			rest = user + ":" + hidden + rest[at:]
		}
	}
	return scheme + passwordOption.ReplaceAllString(rest, "${1}"+hidden)
}

const hidden = "xxxxx"

var passwordOption = regexp.MustCompile(`([?&]password=)[^&]*`)

// readConfig reads YAML over c; file is its name. Every unknown key and every
// value of the wrong kind is named with its line; no text of the file is
// repeated, for it may hold a password.
func readConfig(c *Config, file string, data []byte) error {
	tree, err := parser.ParseBytes(data, 0)
	if err != nil {
		return explainYAML(file, 0, err)
	}
	var bodies []ast.Node
	for _, d := range tree.Docs {
		if _, comment := d.Body.(*ast.CommentGroupNode); d.Body != nil && !comment {
			bodies = append(bodies, d.Body)
		}
	}
	if len(bodies) == 0 {
		return nil // nothing is said
	}
	if len(bodies) > 1 {
		return fmt.Errorf("%s:%d: a second document begins here; keep one in the file", file, bodies[1].GetToken().Position.Line)
	}
	top, ok := bodies[0].(ast.MapNode)
	if !ok {
		return fmt.Errorf("%s:%d: write one `key: value` a line, as grpc_listen: 127.0.0.1:7443", file, bodies[0].GetToken().Position.Line)
	}
	var errs []error
	for pairs := top.MapRange(); pairs.Next(); {
		pair := pairs.KeyValue()
		if err := yaml.NodeToValue(pair, c, yaml.Strict()); err != nil {
			errs = append(errs, explainYAML(file, pair.Key.GetToken().Position.Line, fmt.Errorf("%s: %w", pair.Key, err)))
		}
	}
	return errors.Join(errs...)
}

// explainYAML puts an error of the YAML library into one line, with the line
// of the file it knows or else the one given.
func explainYAML(file string, line int, err error) error {
	text := err.Error()
	var known yaml.Error
	if errors.As(err, &known) {
		text = known.GetMessage()
		if t := known.GetToken(); t != nil && t.Position != nil {
			line = t.Position.Line
		}
	}
	var kind *yaml.TypeError
	var unknown *yaml.UnknownFieldError
	switch {
	case errors.As(err, &unknown):
		text = strings.Replace(text, "unknown field", "unknown key", 1) + "; `rollcall check-config` prints those there are"
	case errors.As(err, &kind):
		want := map[reflect.Kind]string{reflect.Float64: "a number", reflect.Int64: "a whole number", reflect.String: "a text"}[kind.DstType.Kind()]
		if kind.DstType == reflect.TypeFor[time.Duration]() {
			want = "a time with its unit, as 500ms,"
		}
		if want != "" {
			text = want + " is needed here"
		}
	}
	return fmt.Errorf("%s:%d: %s", file, line, text)
}

// serveFlags binds the configuration's flags, each named as its key with
// hyphens, and returns what merges file, environment and flags.
func serveFlags(cmd *cobra.Command) func() (Config, error) {
	fs := cmd.Flags()
	file := fs.String("config", "", "YAML file with these settings, keys with underscores, and notices")
	given := DefaultConfig()
	bind := func(c *Config, fs *pflag.FlagSet) {
		fs.StringVar(&c.DataDir, "data-dir", c.DataDir, "folder of the embedded engine")
		fs.StringVar(&c.GRPCListen, "grpc-listen", c.GRPCListen, "host:port of gRPC; beyond loopback it wants TLS")
		fs.StringVar(&c.HTTPListen, "http-listen", c.HTTPListen, "host:port of the pages and metrics; beyond loopback it wants sign-in")
		fs.StringVar(&c.TLS.CertFile, "tls-cert-file", c.TLS.CertFile, "the service's certificate, PEM")
		fs.StringVar(&c.TLS.KeyFile, "tls-key-file", c.TLS.KeyFile, "its private key, PEM")
		fs.StringVar(&c.TLS.ClientCAFile, "tls-client-ca-file", c.TLS.ClientCAFile, "authority of the clients' certificates, PEM")
		fs.StringVar(&c.Pages.CertFile, "pages-cert-file", c.Pages.CertFile, "the pages' certificate, PEM")
		fs.StringVar(&c.Pages.KeyFile, "pages-key-file", c.Pages.KeyFile, "its private key, PEM")
		fs.StringVar(&c.Pages.PeopleFile, "pages-people-file", c.Pages.PeopleFile, "who may sign in to the pages, made by rollcall people add")
		fs.StringVar(&c.ClickHouse, "clickhouse", c.ClickHouse, "clickhouse://user@host:port/database of a server to use instead of the embedded engine")
		fs.StringVar(&c.ClickHousePasswordFile, "clickhouse-password-file", c.ClickHousePasswordFile, "file with that server's password (else ROLLCALL_CLICKHOUSE_PASSWORD)")
		fs.StringVar(&c.EngineLibrary, "engine-library", c.EngineLibrary, "the engine's library (default: found by itself)")
		fs.Int64Var(&c.EngineMemoryBytes, "engine-memory-bytes", c.EngineMemoryBytes, "most memory for the engine's queries (0: half of the machine's, at most 4 GiB)")
		fs.Float64Var(&c.FalseFlagsPerCellYear, "false-flags-per-cell-year", c.FalseFlagsPerCellYear, "drift flags a cell without a fault may raise in a year")
		fs.DurationVar(&c.FleetDelay, "fleet-delay", c.FleetDelay, "how long new reference runs are gathered before the fleet is compared anew")
		fs.StringVar(&c.Issuer, "issuer", c.Issuer, "name and address in the head of certificates (default: the operator of the site)")
		fs.StringVar(&c.LogLevel, "log-level", c.LogLevel, "debug, info, warn or error")
	}
	bind(&given, fs)
	return func() (Config, error) {
		c := DefaultConfig()
		if *file != "" {
			data, err := os.ReadFile(*file)
			if err != nil {
				return Config{}, usageError{fmt.Errorf("read the configuration: %w", err)}
			}
			if err := readConfig(&c, *file, data); err != nil {
				return Config{}, usageError{fmt.Errorf("configuration:\n%w", err)}
			}
		}
		// A second flag set over c takes what the environment and then the
		// command line said.
		merged := pflag.NewFlagSet("merged", pflag.ContinueOnError)
		bind(&c, merged)
		var errs []error
		merged.VisitAll(func(f *pflag.Flag) {
			env := "ROLLCALL_" + strings.ToUpper(strings.ReplaceAll(f.Name, "-", "_"))
			if v, ok := os.LookupEnv(env); ok {
				if err := f.Value.Set(v); err != nil {
					errs = append(errs, fmt.Errorf("environment %s is %q: %w", env, v, err))
				}
			}
		})
		fs.Visit(func(f *pflag.Flag) {
			if merged.Lookup(f.Name) != nil {
				_ = merged.Set(f.Name, f.Value.String()) // it was parsed already
			}
		})
		if err := errors.Join(append(errs, c.Validate())...); err != nil {
			return Config{}, usageError{fmt.Errorf("configuration:\n%w", err)}
		}
		return c, nil
	}
}

// clickHousePassword returns the password for the server: from the file, else
// from the environment; empty: as in the address.
func (c Config) clickHousePassword() (string, error) {
	if c.ClickHousePasswordFile != "" {
		data, err := os.ReadFile(c.ClickHousePasswordFile)
		if err != nil {
			return "", fmt.Errorf("read the ClickHouse password: %w", err)
		}
		password := strings.TrimRight(string(data), "\r\n")
		if password == "" {
			return "", fmt.Errorf("%s is empty; write the ClickHouse password into it", c.ClickHousePasswordFile)
		}
		return password, nil
	}
	return os.Getenv("ROLLCALL_CLICKHOUSE_PASSWORD"), nil
}

func (m Main) checkConfigCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "check-config",
		Short: "Print the merged configuration of `rollcall serve`, or what is wrong with it",
		Long: "Prints the merged configuration of `rollcall serve`, passwords hidden, and reads the files it\n" +
			"names. Exit codes: 0 all is well; 2 something is wrong.",
		Args: positional(cobra.NoArgs),
	}
	config := serveFlags(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		c, err := config()
		if err != nil {
			return err
		}
		if c.ClickHouse != "" {
			c.ClickHouse = redact(c.ClickHouse)
		}
		out, err := yaml.Marshal(c)
		if err != nil {
			return fmt.Errorf("write the configuration: %w", err)
		}
		if _, err := cmd.OutOrStdout().Write(out); err != nil {
			return err
		}
		var errs []error
		if c.TLS.Enabled() {
			if _, err := access.ServerTLS(c.TLS); err != nil {
				errs = append(errs, fmt.Errorf("tls: %w", err))
			}
		}
		if _, _, err := pagesDoor(c); err != nil {
			errs = append(errs, fmt.Errorf("pages: %w", err))
		}
		if _, err := c.clickHousePassword(); err != nil {
			errs = append(errs, err)
		}
		if err := c.Notices.CheckFiles(); err != nil {
			errs = append(errs, fmt.Errorf("notices: %w", err))
		}
		if err := errors.Join(errs...); err != nil {
			return usageError{fmt.Errorf("configuration:\n%w", err)}
		}
		return nil
	}
	return cmd
}
