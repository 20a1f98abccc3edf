package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"rollcall/services/access"
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
	// LogLevel is debug, info, warn or error.
	LogLevel string `yaml:"log_level"`
}

// DefaultConfig returns what holds where nothing else is said.
func DefaultConfig() Config {
	return Config{
		DataDir:               "data",
		GRPCListen:            "127.0.0.1:7443",
		HTTPListen:            "127.0.0.1:7480",
		FalseFlagsPerCellYear: 0.1,
		FleetDelay:            500 * time.Millisecond,
		LogLevel:              "info",
	}
}

// Validate returns everything that is wrong with c at once.
func (c Config) Validate() error {
	var errs []error
	if c.DataDir == "" && c.ClickHouse == "" {
		errs = append(errs, errors.New("data_dir is empty; name a folder for the embedded engine, or a server with clickhouse"))
	}
	for key, address := range map[string]string{"grpc_listen": c.GRPCListen, "http_listen": c.HTTPListen} {
		if !strings.Contains(address, ":") {
			errs = append(errs, fmt.Errorf("%s is %q; write host:port, as 127.0.0.1:7443", key, address))
		}
	}
	if err := c.TLS.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("tls: %w", err))
	}
	if !c.TLS.Enabled() && !access.IsLoopback(c.GRPCListen) {
		errs = append(errs, fmt.Errorf("grpc_listen is %s, reachable from other machines, without tls; set tls or listen on 127.0.0.1", c.GRPCListen))
	}
	if !access.IsLoopback(c.HTTPListen) {
		errs = append(errs, fmt.Errorf("http_listen is %s; the pages have no sign-in of their own yet, listen on 127.0.0.1 and put a proxy with sign-in before it", c.HTTPListen))
	}
	if c.ClickHouse != "" {
		u, err := url.Parse(c.ClickHouse)
		if err != nil || u.Scheme != "clickhouse" || u.Host == "" || strings.Trim(u.Path, "/") == "" {
			errs = append(errs, fmt.Errorf("clickhouse is %q; write clickhouse://user@host:port/database", redact(c.ClickHouse)))
		}
	}
	if c.ClickHousePasswordFile != "" && c.ClickHouse == "" {
		errs = append(errs, errors.New("clickhouse_password_file is set but clickhouse is not; the embedded engine makes its own password"))
	}
	if !(c.FalseFlagsPerCellYear > 0 && c.FalseFlagsPerCellYear <= 12) {
		errs = append(errs, fmt.Errorf("false_flags_per_cell_year is %g; use more than 0 and at most 12, as 0.1 for one in ten cell-years", c.FalseFlagsPerCellYear))
	}
	if c.FleetDelay < 0 || c.FleetDelay > time.Hour {
		errs = append(errs, fmt.Errorf("fleet_delay is %s; use 0s to 1h", c.FleetDelay))
	}
	switch c.LogLevel {
	case "debug", "info", "warn", "error":
	default:
		errs = append(errs, fmt.Errorf("log_level is %q; use debug, info, warn or error", c.LogLevel))
	}
	return errors.Join(errs...)
}

// redact hides the password of an address.
func redact(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return "(unreadable)"
	}
	return u.Redacted()
}

// readConfig reads a YAML file over c; an unknown key is an error.
func readConfig(c *Config, r io.Reader) error {
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil
	}
	return yaml.UnmarshalWithOptions(data, c, yaml.Strict())
}

// serveFlags binds the configuration's flags, each named as its key with
// hyphens, and returns what merges file, environment and flags.
func serveFlags(cmd *cobra.Command) func() (Config, error) {
	fs := cmd.Flags()
	file := fs.String("config", "", "YAML file with these settings, keys with underscores")
	given := DefaultConfig()
	bind := func(c *Config, fs *pflag.FlagSet) {
		fs.StringVar(&c.DataDir, "data-dir", c.DataDir, "folder of the embedded engine")
		fs.StringVar(&c.GRPCListen, "grpc-listen", c.GRPCListen, "host:port of gRPC; beyond loopback it wants TLS")
		fs.StringVar(&c.HTTPListen, "http-listen", c.HTTPListen, "host:port of the pages and metrics")
		fs.StringVar(&c.TLS.CertFile, "tls-cert-file", c.TLS.CertFile, "the service's certificate, PEM")
		fs.StringVar(&c.TLS.KeyFile, "tls-key-file", c.TLS.KeyFile, "its private key, PEM")
		fs.StringVar(&c.TLS.ClientCAFile, "tls-client-ca-file", c.TLS.ClientCAFile, "authority of the clients' certificates, PEM")
		fs.StringVar(&c.ClickHouse, "clickhouse", c.ClickHouse, "clickhouse://user@host:port/database of a server to use instead of the embedded engine")
		fs.StringVar(&c.ClickHousePasswordFile, "clickhouse-password-file", c.ClickHousePasswordFile, "file with that server's password (else ROLLCALL_CLICKHOUSE_PASSWORD)")
		fs.StringVar(&c.EngineLibrary, "engine-library", c.EngineLibrary, "the engine's library (default: found by itself)")
		fs.Int64Var(&c.EngineMemoryBytes, "engine-memory-bytes", c.EngineMemoryBytes, "most memory for the engine's queries (0: half of the machine's, at most 4 GiB)")
		fs.Float64Var(&c.FalseFlagsPerCellYear, "false-flags-per-cell-year", c.FalseFlagsPerCellYear, "drift flags a cell without a fault may raise in a year")
		fs.DurationVar(&c.FleetDelay, "fleet-delay", c.FleetDelay, "how long new reference runs are gathered before the fleet is compared anew")
		fs.StringVar(&c.LogLevel, "log-level", c.LogLevel, "debug, info, warn or error")
	}
	bind(&given, fs)
	return func() (Config, error) {
		c := DefaultConfig()
		if *file != "" {
			f, err := os.Open(*file)
			if err != nil {
				return Config{}, fmt.Errorf("open the configuration: %w", err)
			}
			defer f.Close()
			if err := readConfig(&c, f); err != nil {
				return Config{}, fmt.Errorf("read configuration %s: %w", *file, err)
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
				if err := merged.Set(f.Name, v); err != nil {
					errs = append(errs, fmt.Errorf("environment %s: %w", env, err))
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
		return strings.TrimRight(string(data), "\r\n"), nil
	}
	return os.Getenv("ROLLCALL_CLICKHOUSE_PASSWORD"), nil
}

func (m Main) checkConfigCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "check-config",
		Short: "Print the merged configuration of `rollcall serve`, or what is wrong with it",
		Args:  positional(cobra.NoArgs),
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
		_, err = cmd.OutOrStdout().Write(out)
		return err
	}
	return cmd
}
