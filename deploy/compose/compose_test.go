// Package compose checks the Docker Compose files of an installation: what they
// say, and that setup.sh makes everything they name.
package compose

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/xml"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"

	"rollcall/dashboards/grafana"
)

type service struct {
	Image       string
	Restart     string
	Ports       []string
	Volumes     []string
	Environment map[string]string
	Secrets     []any
	Healthcheck struct {
		Test              []string
		Interval, Timeout string
		Retries           int
		StartPeriod       string `yaml:"start_period"`
	}
	DependsOn map[string]struct{ Condition string } `yaml:"depends_on"`
	StopGrace string                                `yaml:"stop_grace_period"`
	Ulimits   map[string]map[string]int
}

type file struct {
	Name     string
	Services map[string]service
	Volumes  map[string]any
	Secrets  map[string]struct{ File string }
}

func read(t *testing.T) file {
	t.Helper()
	data, err := os.ReadFile("compose.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var f file
	if err := yaml.UnmarshalWithOptions(data, &f, yaml.Strict()); err != nil {
		t.Fatal(err)
	}
	return f
}

func TestCompose(t *testing.T) {
	f := read(t)
	pinned := regexp.MustCompile(`^[a-z0-9/-]+:[0-9]+\.[0-9]+(\.[0-9]+)*$`)
	for _, name := range []string{"clickhouse", "grafana"} {
		s, ok := f.Services[name]
		if !ok {
			t.Fatalf("no service %s", name)
		}
		if !pinned.MatchString(s.Image) {
			t.Errorf("%s: image %q is not pinned by a version", name, s.Image)
		}
		if len(s.Healthcheck.Test) < 2 || s.Healthcheck.Interval == "" || s.Healthcheck.Timeout == "" || s.Healthcheck.Retries == 0 {
			t.Errorf("%s: health check %+v", name, s.Healthcheck)
		}
		for _, p := range s.Ports {
			if !strings.HasPrefix(p, "127.0.0.1:") {
				t.Errorf("%s: port %s is open beyond this machine", name, p)
			}
		}
		data := false
		for _, v := range s.Volumes {
			from, _, _ := strings.Cut(v, ":")
			if _, named := f.Volumes[from]; named {
				data = true
			} else if !strings.HasPrefix(from, "./") || !strings.HasSuffix(v, ":ro") {
				t.Errorf("%s: volume %s is neither named nor read-only", name, v)
			}
		}
		if !data || s.Restart == "" {
			t.Errorf("%s: no volume for its data, or no restart: %+v", name, s)
		}
		for key, value := range s.Environment {
			if strings.Contains(key, "PASSWORD") && !strings.HasPrefix(value, "/run/secrets/") {
				t.Errorf("%s: %s is no file of a secret", name, key)
			}
		}
	}
	g := f.Services["grafana"]
	if g.DependsOn["clickhouse"].Condition != "service_healthy" {
		t.Errorf("grafana does not wait for clickhouse: %v", g.DependsOn)
	}
	if want := "grafana-clickhouse-datasource@" + grafana.PluginVersion; g.Environment["GF_PLUGINS_PREINSTALL_SYNC"] != want {
		t.Errorf("plugin %q, want %q, for which the panels are made", g.Environment["GF_PLUGINS_PREINSTALL_SYNC"], want)
	}
}

// setup.sh makes every file that compose.yaml names, again keeps the secrets,
// and the users are those that Grafana's files and the service use.
func TestSetup(t *testing.T) {
	dir := t.TempDir()
	program := filepath.Join(dir, "rollcall")
	if out, err := exec.Command("go", "build", "-o", program, "../../services/cmd/rollcall").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	script, err := os.ReadFile("setup.sh")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "setup.sh"), script, 0o755); err != nil {
		t.Fatal(err)
	}
	run := func(args ...string) ([]byte, error) {
		c := exec.Command("bash", append([]string{filepath.Join(dir, "setup.sh")}, args...)...)
		c.Dir = "/"
		return c.CombinedOutput()
	}
	text := func(name string) string {
		t.Helper()
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	if out, err := run("no-such-program"); err == nil || !strings.Contains(string(out), "give its path") {
		t.Errorf("without the program: %v\n%s", err, out)
	}
	var kept string
	for range 2 {
		if out, err := run(program); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if kept != "" && kept != text("secrets/rollcall") {
			t.Error("a second run made another password")
		}
		kept = text("secrets/rollcall")
	}
	f := read(t)
	for name, s := range f.Secrets {
		if text(s.File) == "" {
			t.Errorf("secret %s is empty", name)
		}
	}
	for _, s := range f.Services {
		for _, v := range s.Volumes {
			if from, _, _ := strings.Cut(v, ":"); strings.HasPrefix(from, "./") {
				if info, err := os.Stat(filepath.Join(dir, from)); err != nil || !info.IsDir() {
					t.Errorf("volume %s: %v", v, err)
				}
			}
		}
	}
	if info, err := os.Stat(filepath.Join(dir, "secrets")); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("secrets: %v %v", info.Mode(), err)
	}
	type user struct {
		Hash    string   `xml:"password_sha256_hex"`
		Profile string   `xml:"profile"`
		Grants  []string `xml:"grants>query"`
	}
	var users struct {
		Readonly int  `xml:"profiles>rollcall_reader>readonly"`
		Rollcall user `xml:"users>rollcall"`
		Grafana  user `xml:"users>grafana"`
	}
	if err := xml.Unmarshal([]byte(text("secrets/users.xml")), &users); err != nil {
		t.Fatal(err)
	}
	for file, u := range map[string]user{"rollcall": users.Rollcall, "grafana_clickhouse": users.Grafana} {
		password := text("secrets/" + file)
		sum := sha256.Sum256([]byte(password))
		if u.Hash != hex.EncodeToString(sum[:]) || len(password) != 40 || strings.Contains(text("secrets/users.xml"), password) {
			t.Errorf("%s: password of %d characters, hash %s", file, len(password), u.Hash)
		}
	}
	if users.Readonly != 2 || users.Grafana.Profile != "rollcall_reader" || !slices.Equal(users.Grafana.Grants, []string{"GRANT SELECT ON rollcall.*"}) {
		t.Errorf("grafana's user %+v, profile readonly %d", users.Grafana, users.Readonly)
	}
	var sources struct {
		Datasources []struct {
			JSONData       map[string]any    `yaml:"jsonData"`
			SecureJSONData map[string]string `yaml:"secureJsonData"`
		}
	}
	if err := yaml.Unmarshal([]byte(text("grafana/provisioning/datasources/rollcall.yaml")), &sources); err != nil {
		t.Fatal(err)
	}
	if d := sources.Datasources[0]; d.JSONData["host"] != "clickhouse" || d.JSONData["username"] != "grafana" || d.SecureJSONData["password"] != "$__file{/run/secrets/grafana_clickhouse}" {
		t.Errorf("data source %+v", d)
	}
	if !strings.Contains(text("grafana/provisioning/dashboards/rollcall.yaml"), "/etc/rollcall/dashboards") {
		t.Error("the dashboards are not where compose.yaml puts them")
	}
}
