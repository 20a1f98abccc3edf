package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"rollcall/agent/source/csvfolder"
	"rollcall/agent/spool"
	"rollcall/agent/uplink"
	"rollcall/services/fleet"
)

// Config is an agent's configuration. Flags are named as the keys with hyphens
// (--spool-max-bytes) and go over the environment (ROLLCALL_SPOOL_MAX_BYTES),
// that over the file. Relative paths in the file are relative to the file.
type Config struct {
	// Cell is the cell this agent writes for, as in the registry.
	Cell string `yaml:"cell"`
	// Server is the service's gRPC address, host:port.
	Server string `yaml:"server"`
	// TLS is needed for any server but this machine.
	TLS TLSConfig `yaml:"tls"`
	// Folder is the folder that is watched for files.
	Folder string `yaml:"folder"`
	// Mapping is the file that says how those files are read.
	Mapping string `yaml:"mapping"`
	// SettleSeconds is how long a file must stand still before it counts as
	// complete; 0: at once, for files that appear by renaming.
	SettleSeconds float64 `yaml:"settle_s"`
	// DeleteDone deletes files that are taken instead of moving them to done/.
	DeleteDone bool `yaml:"delete_done"`
	// StateDir holds status.json and aside/, the messages set aside.
	StateDir string `yaml:"state_dir"`
	// Spool is where messages are kept until the service has them.
	Spool SpoolConfig `yaml:"spool"`
	// LogLevel is debug, info, warn or error.
	LogLevel string `yaml:"log_level"`
}

// TLSConfig names the PEM files of mutual TLS: all or none.
type TLSConfig struct {
	Cert string `yaml:"cert"` // this cell's certificate
	Key  string `yaml:"key"`  // its private key
	CA   string `yaml:"ca"`   // authority of the service's certificate
}

// SpoolConfig says where the spool is and how large it may grow.
type SpoolConfig struct {
	Dir      string `yaml:"dir"`       // default: spool in state_dir
	MaxBytes int64  `yaml:"max_bytes"` // default 10 GiB
}

// DefaultConfig returns the defaults; cell, server, folder and mapping have
// none.
func DefaultConfig() Config {
	return Config{
		SettleSeconds: csvfolder.DefaultConfig().Settle.Seconds(),
		StateDir:      filepath.Join(stateRoot(), "rollcell"),
		Spool:         SpoolConfig{MaxBytes: spool.DefaultConfig().MaxBytes},
		LogLevel:      "info",
	}
}

// stateRoot is where programs of this system keep their state.
func stateRoot() string {
	if runtime.GOOS == "windows" {
		if dir := os.Getenv("ProgramData"); dir != "" {
			return dir
		}
		return `C:\ProgramData`
	}
	return "/var/lib"
}

// configPlaces is where the file is looked for when it is not named.
func configPlaces() []string {
	if runtime.GOOS == "windows" {
		return []string{"agent.yaml", filepath.Join(stateRoot(), "rollcell", "agent.yaml")}
	}
	return []string{"agent.yaml", "/etc/rollcell/agent.yaml"}
}

// Validate returns all that is wrong with a configuration, files' contents not
// included.
func (c Config) Validate() error {
	var errs []error
	if c.Folder == "" {
		errs = append(errs, errors.New("folder is empty: name the folder the logger writes its files to"))
	}
	if c.Mapping == "" {
		errs = append(errs, errors.New("mapping is empty: name the file that says how the logger's files are read"))
	}
	if c.StateDir == "" {
		errs = append(errs, errors.New("state_dir is empty: name a folder for status.json and the messages set aside"))
	}
	if c.SettleSeconds < 0 || c.SettleSeconds > 3600 {
		errs = append(errs, fmt.Errorf("settle_s is %v: give 0 to 3600", c.SettleSeconds))
	}
	if _, err := zapcore.ParseLevel(c.LogLevel); err != nil {
		errs = append(errs, fmt.Errorf("log_level is %q: give debug, info, warn or error", c.LogLevel))
	}
	return errors.Join(append(errs, c.spool().Validate(), c.uplink().Validate())...)
}

func (c Config) spool() spool.Config {
	s := spool.DefaultConfig()
	s.Dir, s.MaxBytes = c.Spool.Dir, c.Spool.MaxBytes
	// A small spool has smaller segments, so that its space comes back in time.
	s.SegmentBytes = max(64<<10, min(s.SegmentBytes, s.MaxBytes/8))
	return s
}

func (c Config) uplink() uplink.Config {
	u := uplink.DefaultConfig()
	u.Cell, u.Server, u.Version = c.Cell, c.Server, version()
	u.TLS = uplink.TLS{CertFile: c.TLS.Cert, KeyFile: c.TLS.Key, CAFile: c.TLS.CA}
	u.AsideDir = c.asideDir()
	return u
}

func (c Config) csvfolder() csvfolder.Config {
	f := csvfolder.DefaultConfig()
	f.Folder, f.Cell, f.AgentVersion = c.Folder, fleet.CellID(c.Cell), version()
	f.Settle, f.Delete = time.Duration(c.SettleSeconds*float64(time.Second)), c.DeleteDone
	return f
}

func (c Config) asideDir() string   { return filepath.Join(c.StateDir, "aside") }
func (c Config) statusFile() string { return filepath.Join(c.StateDir, "status.json") }

func (c Config) logger(w io.Writer) (*zap.Logger, error) {
	level, err := zapcore.ParseLevel(c.LogLevel)
	if err != nil {
		return nil, err
	}
	e := zap.NewProductionEncoderConfig()
	e.EncodeTime = zapcore.RFC3339NanoTimeEncoder
	return zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(e), zapcore.Lock(zapcore.AddSync(w)), level)), nil
}

// readConfig reads a YAML file over c. Every unknown key and every value of the
// wrong kind is named with its line.
func readConfig(c *Config, file string) error {
	text, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("read configuration: %w", err)
	}
	tree, err := parser.ParseBytes(text, 0)
	if err != nil {
		return fmt.Errorf("read configuration: %w", explainYAML(file, "", 0, err))
	}
	var bodies []ast.Node
	for _, d := range tree.Docs {
		// A document of comments alone would set every setting to nothing.
		if _, comment := d.Body.(*ast.CommentGroupNode); !comment && d.Body != nil {
			bodies = append(bodies, d.Body)
		}
	}
	if len(bodies) > 1 {
		return fmt.Errorf("read configuration: %s:%d: a second document begins here; keep one in the file", file, bodies[1].GetToken().Position.Line)
	}
	for _, body := range bodies {
		top, ok := body.(ast.MapNode)
		if !ok {
			return fmt.Errorf("read configuration: %s:%d: write one `key: value` a line, as cell: fen-1", file, body.GetToken().Position.Line)
		}
		errs := readPairs(top, c, map[string]any{"tls": &c.TLS, "spool": &c.Spool}, file)
		if len(errs) > 0 {
			return fmt.Errorf("read configuration:\n%w", errors.Join(errs...))
		}
	}
	dir, err := filepath.Abs(filepath.Dir(file))
	if err != nil {
		return fmt.Errorf("read configuration %s: %w", file, err)
	}
	for _, path := range []*string{&c.TLS.Cert, &c.TLS.Key, &c.TLS.CA, &c.Folder, &c.Mapping, &c.StateDir, &c.Spool.Dir} {
		if *path != "" && !filepath.IsAbs(*path) {
			*path = filepath.Join(dir, *path)
		}
	}
	return nil
}

// readPairs reads settings into to, and returns all that is wrong with them;
// inner are the settings that have settings of their own.
func readPairs(top ast.MapNode, to any, inner map[string]any, file string) (errs []error) {
	for pairs := top.MapRange(); pairs.Next(); {
		pair := pairs.KeyValue()
		key := pair.Key.GetToken().Value
		if below, ok := pair.Value.(ast.MapNode); ok && inner[key] != nil {
			errs = append(errs, readPairs(below, inner[key], nil, file)...)
		} else if err := yaml.NodeToValue(pair, to, yaml.Strict()); err != nil {
			errs = append(errs, explainYAML(file, key, pair.Key.GetToken().Position.Line, err))
		}
	}
	return errs
}

// explainYAML puts an error of the YAML library about a key, if any, into one
// line, with the line of the file it knows or else the one given.
func explainYAML(file, key string, line int, err error) error {
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
		text = strings.Replace(text, "unknown field", "unknown key", 1) + "; `rollcell check-config` prints those there are"
	case errors.As(err, &kind):
		want := map[reflect.Kind]string{reflect.Float64: "a number", reflect.Int64: "a whole number", reflect.String: "a text", reflect.Bool: "true or false"}[kind.DstType.Kind()]
		if want != "" {
			text = key + ": " + want + " is needed here"
		}
	case key != "":
		text = key + ": " + text
	}
	return fmt.Errorf("%s:%d: %s", file, line, text)
}

// configFlags binds a command's configuration flags and returns what merges
// defaults, file, environment and flags.
func configFlags(cmd *cobra.Command) func() (Config, error) {
	fs := cmd.Flags()
	file := fs.String("config", "", "YAML file with these settings (default: "+strings.Join(configPlaces(), ", else ")+")")
	given := DefaultConfig()
	bind := func(c *Config, fs *pflag.FlagSet) {
		fs.StringVar(&c.Cell, "cell", c.Cell, "the cell this agent writes for")
		fs.StringVar(&c.Server, "server", c.Server, "host:port of the service; beyond loopback it wants the tls flags")
		fs.StringVar(&c.TLS.Cert, "tls-cert", c.TLS.Cert, "this cell's certificate, PEM")
		fs.StringVar(&c.TLS.Key, "tls-key", c.TLS.Key, "its private key, PEM")
		fs.StringVar(&c.TLS.CA, "tls-ca", c.TLS.CA, "authority of the service's certificate, PEM")
		fs.StringVar(&c.Folder, "folder", c.Folder, "folder to watch")
		fs.StringVar(&c.Mapping, "mapping", c.Mapping, "file that says how the folder's files are read")
		fs.Float64Var(&c.SettleSeconds, "settle-s", c.SettleSeconds, "how long a file must stand still to be complete, s; 0: files appear by renaming")
		fs.BoolVar(&c.DeleteDone, "delete-done", c.DeleteDone, "delete files that are taken instead of moving them to done/")
		fs.StringVar(&c.StateDir, "state-dir", c.StateDir, "folder of status.json and messages set aside")
		fs.StringVar(&c.Spool.Dir, "spool-dir", c.Spool.Dir, "folder of the spool (default: spool in the state folder)")
		fs.Int64Var(&c.Spool.MaxBytes, "spool-max-bytes", c.Spool.MaxBytes, "most bytes the spool takes on disk")
		fs.StringVar(&c.LogLevel, "log-level", c.LogLevel, "debug, info, warn or error")
	}
	bind(&given, fs)
	return func() (Config, error) {
		c := DefaultConfig()
		name := *file
		if name == "" {
			name = os.Getenv("ROLLCALL_CONFIG")
		}
		if name == "" {
			for _, place := range configPlaces() {
				if _, err := os.Stat(place); err == nil {
					name = place
					break
				}
			}
		}
		if name != "" {
			if err := readConfig(&c, name); err != nil {
				return Config{}, usageError{err}
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
				_ = merged.Set(f.Name, f.Value.String()) // It was parsed already.
			}
		})
		if c.Spool.Dir == "" && c.StateDir != "" {
			c.Spool.Dir = filepath.Join(c.StateDir, "spool")
		}
		if err := errors.Join(append(errs, c.Validate())...); err != nil {
			from := "no configuration file"
			if name != "" {
				from = name
			}
			return Config{}, usageError{fmt.Errorf("configuration (%s):\n%w", from, err)}
		}
		return c, nil
	}
}
