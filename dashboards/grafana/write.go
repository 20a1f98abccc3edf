package grafana

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// DataSource says how Grafana reaches ClickHouse. The password is never written
// down: Grafana reads it from the environment variable or the file named.
type DataSource struct {
	Host        string // name or address
	Port        int    // of the native protocol
	Database    string
	User        string // needs no more than SELECT
	PasswordEnv string // name of Grafana's environment variable; empty: ROLLCALL_GRAFANA_PASSWORD
	// PasswordFile is a file with the password as Grafana sees it, in place of the
	// variable.
	PasswordFile string
	Secure       bool // TLS
}

// Write puts provisioning files and dashboards into dir, for Grafana to read at
// its start:
//
//	dir/provisioning/datasources/rollcall.yaml
//	dir/provisioning/dashboards/rollcall.yaml
//	dir/provisioning/alerting/rollcall.yaml
//	dir/dashboards/fleet.json, cell.json, car.json, ingest.json
//
// Grafana's provisioning path is dir/provisioning, and at is the path of
// dir/dashboards as Grafana sees it, which a container may see elsewhere; empty:
// the same. Files are replaced one by one, each whole or not at all.
func Write(dir, at string, source DataSource) error {
	if at == "" {
		at = filepath.Join(dir, "dashboards")
	}
	if source.PasswordEnv == "" {
		source.PasswordEnv = "ROLLCALL_GRAFANA_PASSWORD"
	}
	if source.Host == "" || source.Port < 1 || source.Port > 65535 || source.Database == "" || source.User == "" {
		return fmt.Errorf("write Grafana files: the data source needs a host, a port from 1 to 65535, a database and a user; it has %q, %d, %q, %q", source.Host, source.Port, source.Database, source.User)
	}
	if strings.ContainsFunc(source.PasswordEnv, func(r rune) bool {
		return r != '_' && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z')
	}) {
		return fmt.Errorf("write Grafana files: %q is not the name of an environment variable", source.PasswordEnv)
	}
	password := "$" + source.PasswordEnv
	if source.PasswordFile != "" {
		if !strings.HasPrefix(source.PasswordFile, "/") || strings.ContainsAny(source.PasswordFile, "{}$\n") {
			return fmt.Errorf("write Grafana files: %q is not the path of a file as Grafana sees it, from /", source.PasswordFile)
		}
		password = strconv.Quote("$__file{" + source.PasswordFile + "}")
	}
	files := map[string][]byte{
		filepath.Join("provisioning", "datasources", "rollcall.yaml"): fmt.Appendf(nil, `# Written by Rollcall. Grafana reads the password where it says.
apiVersion: 1
datasources:
  - name: Rollcall
    uid: %s
    type: %s
    access: proxy
    editable: false
    jsonData:
      host: %s
      port: %d
      protocol: native
      secure: %t
      username: %s
      defaultDatabase: %s
    secureJsonData:
      password: %s
`, DataSourceUID, dataSource, literal(source.Host), source.Port, source.Secure, literal(source.User), literal(source.Database), password),
		filepath.Join("provisioning", "dashboards", "rollcall.yaml"): fmt.Appendf(nil, `# Written by Rollcall.
apiVersion: 1
providers:
  - name: rollcall
    folder: %s
    folderUid: %s
    type: file
    allowUiUpdates: false
    options:
      path: %s
`, FolderTitle, FolderUID, literal(at)),
	}
	files[filepath.Join("provisioning", "alerting", "rollcall.yaml")] = append([]byte("# Written by Rollcall.\n"), alertFile()...)
	for _, d := range Dashboards() {
		files[filepath.Join("dashboards", d.Name+".json")] = d.JSON
	}
	for name, data := range files {
		if err := writeWhole(filepath.Join(dir, name), data); err != nil {
			return fmt.Errorf("write Grafana files: %w", err)
		}
	}
	return nil
}

// literal is a YAML text that Grafana does not expand: a $ is written twice.
func literal(s string) string { return strconv.Quote(strings.ReplaceAll(s, "$", "$$")) }

// writeWhole writes a file beside its name and then gives it its name.
func writeWhole(path string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".rollcall-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // Gone already when all went well.
	_, err = f.Write(data)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if closing := f.Close(); err == nil {
		err = closing
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	return err
}
