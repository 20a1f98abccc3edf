package engine

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	mathrand "math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"text/template"
)

// folder is a data folder this process holds the lock of.
type folder struct {
	dir      string
	lock     *os.File
	parent   int // process this engine ends with; 0: none
	password string
	reader   string
}

// errDying says that the engine which holds the folder is about to end. It comes
// with ErrFolderInUse.
var errDying = errors.New("that engine is stopping")

// openFolder makes dir where it is absent, takes its lock and reads or makes
// its passwords. parent is the process this engine ends with, 0: none. The
// error wraps ErrFolderInUse when another engine holds the lock, and errDying
// when that one is about to end.
func openFolder(dir string, parent int) (*folder, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the data folder: %w", err)
	}
	lock, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the data folder's lock: %w", err)
	}
	if err := tryLock(lock); err != nil {
		note, _ := os.ReadFile(lock.Name())
		lock.Close()
		if errors.Is(err, errLocked) {
			return nil, inUse(dir, string(note))
		}
		return nil, fmt.Errorf("lock the data folder %s: %w", dir, err)
	}
	f := &folder{dir: dir, lock: lock, parent: parent}
	f.note(holds)
	if f.password, err = readOrMakeSecret(f.path("password")); err != nil {
		f.close()
		return nil, err
	}
	if f.reader, err = readOrMakeSecret(f.path("reader")); err != nil {
		f.close()
		return nil, err
	}
	// The engine cannot attach system tables it left behind (query_log and the
	// like); they hold nothing of the service's.
	for _, left := range []string{"data/system", "metadata/system"} {
		if err := os.RemoveAll(filepath.Join(f.path("clickhouse"), left)); err != nil {
			f.close()
			return nil, fmt.Errorf("remove the engine's leftover system tables: %w", err)
		}
	}
	return f, nil
}

// What the note in the lock says of its holder.
const (
	holds    = "holds"
	stopping = "stopping"
)

// note writes into the lock who holds it, "PID PARENT STATE". It is only for
// those who find the folder locked; the lock is what counts.
func (f *folder) note(state string) {
	// Every note has the same length, so that one write replaces the last.
	_, _ = f.lock.WriteAt(fmt.Appendf(nil, "%10d %10d %-8s\n", os.Getpid(), f.parent, state), 0)
}

// inUse makes the error of a folder that another engine holds, from its note.
func inUse(dir, note string) error {
	var pid, parent int
	var state string
	if n, _ := fmt.Sscan(note, &pid, &parent, &state); n != 3 {
		return fmt.Errorf("%w: %s; stop that one, or give this one a folder of its own with --data-dir", ErrFolderInUse, dir)
	}
	now, alive := parentOf(pid)
	switch {
	case state == stopping, alive && parent != 0 && now != parent:
		return fmt.Errorf("%w: %s (process %d); %w, but has not ended yet", ErrFolderInUse, dir, pid, errDying)
	case alive && parent != 0:
		return fmt.Errorf("%w: %s (process %d, started by process %d); stop process %d, or give this one a folder of its own with --data-dir", ErrFolderInUse, dir, pid, parent, parent)
	case alive:
		return fmt.Errorf("%w: %s (process %d); stop that one, or give this one a folder of its own with --data-dir", ErrFolderInUse, dir, pid)
	}
	return fmt.Errorf("%w: %s, in another container or on another machine (process %d there); stop that one, or give this one a folder of its own with --data-dir", ErrFolderInUse, dir, pid)
}

func (f *folder) path(name string) string { return filepath.Join(f.dir, name) }

func (f *folder) close() { f.lock.Close() }

// readOrMakeSecret returns the first line of the file, or writes 32 random
// hexadecimal digits into a new one that only this user may read.
func readOrMakeSecret(path string) (string, error) {
	for {
		data, err := os.ReadFile(path)
		if err == nil {
			secret := strings.TrimSpace(string(data))
			if secret == "" {
				return "", fmt.Errorf("the password file %s is empty; remove it and a new one is made", path)
			}
			if info, err := os.Stat(path); err == nil && info.Mode().Perm()&0o077 != 0 {
				return "", fmt.Errorf("the password file %s can be read by others (mode %v); run: chmod 600 %s", path, info.Mode().Perm(), path)
			}
			return secret, nil
		}
		if !errors.Is(err, os.ErrNotExist) {
			return "", fmt.Errorf("read the password file: %w", err)
		}
		secret, err := randomHex(32)
		if err != nil {
			return "", err
		}
		if err := writeFile(path, []byte(secret+"\n")); err != nil {
			return "", err
		}
	}
}

// writeFile replaces path with data whole or not at all, readable by this
// user only.
func writeFile(path string, data []byte) error {
	tmp, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	defer os.Remove(tmp.Name())
	_, err = tmp.Write(data)
	err = errors.Join(err, tmp.Sync(), tmp.Close())
	if err == nil {
		err = os.Rename(tmp.Name(), path)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}

func randomHex(digits int) (string, error) {
	b := make([]byte, digits/2)
	if _, err := rand.Read(b); err != nil {
		return "", fmt.Errorf("read random bytes: %w", err)
	}
	return hex.EncodeToString(b), nil
}

// portPair holds the two ports of an engine.
type portPair struct {
	Native int `json:"native_port"`
	HTTP   int `json:"http_port"`
}

func (f *folder) savePorts(p portPair) error {
	data, err := json.Marshal(p)
	if err != nil {
		return fmt.Errorf("write ports: %w", err)
	}
	return writeFile(f.path("ports.json"), append(data, '\n'))
}

// choosePorts returns the ports asked for, which must be free, and for those
// not asked for (0) the ones used last when free, else free ones.
func choosePorts(f *folder, native, http int) (portPair, error) {
	var last portPair
	if data, err := os.ReadFile(f.path("ports.json")); err == nil {
		if json.Unmarshal(data, &last) != nil {
			last = portPair{} // Only a hint; a damaged one is no hint.
		}
	}
	var got portPair
	var err error
	if got.Native, err = choosePort("native-port", native, last.Native, http); err != nil {
		return portPair{}, err
	}
	if got.HTTP, err = choosePort("http-port", http, last.HTTP, got.Native); err != nil {
		return portPair{}, err
	}
	return got, nil
}

// Free ports are taken from below the range Linux takes outgoing connections'
// ports from (32768 on by default), so that while an engine restarts no
// connection can sit on its port.
const (
	lowestFreePort  = 20000
	highestFreePort = 32000
)

func choosePort(name string, asked, last, not int) (int, error) {
	if asked != 0 {
		if err := portFree(asked); err != nil {
			return 0, fmt.Errorf("%w: port %d on %s; stop that program, or choose another with --%s (0: a free one): %v", ErrPortInUse, asked, Host, name, err)
		}
		return asked, nil
	}
	if last != 0 && last != not && portFree(last) == nil {
		return last, nil
	}
	for range 1000 {
		port := lowestFreePort + mathrand.IntN(highestFreePort-lowestFreePort)
		if port != not && portFree(port) == nil {
			return port, nil
		}
	}
	return 0, fmt.Errorf("%w: found no free port on %s from %d to %d; name one with --%s", ErrPortInUse, Host, lowestFreePort, highestFreePort, name)
}

func portFree(port int) error {
	l, err := net.Listen("tcp4", net.JoinHostPort(Host, strconv.Itoa(port)))
	if err != nil {
		return err
	}
	return l.Close()
}

var configTemplate = template.Must(template.New("config.xml").Funcs(template.FuncMap{"xml": escape}).Parse(
	`<clickhouse>
  <log-level>{{xml .LogLevel}}</log-level>
  <listen_host>{{xml .Host}}</listen_host>
  <tcp_port>{{.Ports.Native}}</tcp_port>
  <http_port>{{.Ports.HTTP}}</http_port>
  <users_config>{{xml .Users}}</users_config>
  <macros><rollcall_engine>{{xml .Nonce}}</rollcall_engine></macros>
  <max_server_memory_usage>{{.Memory}}</max_server_memory_usage>
  <mark_cache_size>67108864</mark_cache_size>
  <primary_index_cache_size>33554432</primary_index_cache_size>
  <uncompressed_cache_size>0</uncompressed_cache_size>
  <index_mark_cache_size>8388608</index_mark_cache_size>
  <mmap_cache_size>64</mmap_cache_size>
  <compiled_expression_cache_size>16777216</compiled_expression_cache_size>
  <max_concurrent_queries>200</max_concurrent_queries>
  <background_pool_size>4</background_pool_size>
  <background_schedule_pool_size>8</background_schedule_pool_size>
  <background_distributed_schedule_pool_size>4</background_distributed_schedule_pool_size>
  <backups><allowed_path>{{xml .Backups}}</allowed_path></backups>
  <http_handlers>
    <rule><url>/metrics</url><handler><type>prometheus</type><metrics>true</metrics><events>true</events></handler></rule>
    <defaults/>
  </http_handlers>
</clickhouse>
`))

// The launcher's own session is always the user default without a password;
// it may open the ports and nothing else, and only from this machine. An idle
// connection looks every poll_interval seconds whether the engine is stopping.
var usersTemplate = template.Must(template.New("users.xml").Funcs(template.FuncMap{"xml": escape}).Parse(
	`<clickhouse>
  <profiles>
    <default><poll_interval>1</poll_interval></default>
    <reader><poll_interval>1</poll_interval><readonly>2</readonly><max_execution_time>30</max_execution_time></reader>
  </profiles>
  <quotas><default/></quotas>
  <users>
    <default>
      <no_password/>
      <networks><ip>::1</ip></networks>
      <profile>default</profile><quota>default</quota>
      <grants><query>GRANT SYSTEM LISTEN ON *.*</query></grants>
    </default>
    <{{.User}}>
      <password_sha256_hex>{{.Password}}</password_sha256_hex>
      <networks><ip>{{xml .Host}}</ip></networks>
      <profile>default</profile><quota>default</quota>
    </{{.User}}>
    <{{.Reader}}>
      <password_sha256_hex>{{.ReaderPassword}}</password_sha256_hex>
      <networks><ip>{{xml .Host}}</ip></networks>
      <profile>reader</profile><quota>default</quota>
      <grants><query>GRANT SELECT ON {{.Database}}.*</query></grants>
    </{{.Reader}}>
  </users>
</clickhouse>
`))

func escape(s string) (string, error) {
	var b bytes.Buffer
	if err := xml.EscapeText(&b, []byte(s)); err != nil {
		return "", err
	}
	return b.String(), nil
}

// writeConfig writes config.xml and users.xml for this start.
func (f *folder) writeConfig(o Options, ports portPair, nonce string) error {
	memory := o.MemoryBytes
	if memory == 0 {
		memory = defaultMemory()
	}
	for _, dir := range []string{"clickhouse", "backups"} {
		if err := os.MkdirAll(f.path(dir), 0o700); err != nil {
			return fmt.Errorf("make the data folder: %w", err)
		}
	}
	var b bytes.Buffer
	err := configTemplate.Execute(&b, map[string]any{
		"LogLevel": o.LogLevel, "Host": Host, "Ports": ports, "Users": f.path("users.xml"), "Nonce": nonce,
		"Memory": memory, "Backups": f.path("backups") + "/",
	})
	if err != nil {
		return fmt.Errorf("write config.xml: %w", err)
	}
	if err := writeFile(f.path("config.xml"), b.Bytes()); err != nil {
		return err
	}
	b.Reset()
	err = usersTemplate.Execute(&b, map[string]any{
		"Host": Host, "User": User, "Reader": Reader, "Database": Database,
		"Password": sha256Hex(f.password), "ReaderPassword": sha256Hex(f.reader),
	})
	if err != nil {
		return fmt.Errorf("write users.xml: %w", err)
	}
	return writeFile(f.path("users.xml"), b.Bytes())
}

func sha256Hex(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:])
}

// defaultMemory is half of the machine's memory, between 256 MiB and 4 GiB.
func defaultMemory() int64 {
	const low, high = 256 << 20, 4 << 30
	return min(max(machineMemory()/2, low), high)
}

// describeEnd turns the engine's last words into a sentence.
func describeEnd(dir string, err error) error {
	if err == nil {
		return errors.New("the engine ended by itself")
	}
	text := err.Error()
	switch {
	case strings.Contains(text, "Code: 76") && strings.Contains(text, "lock"):
		return fmt.Errorf("%w: %s; stop that one, or give this one a folder of its own with --data-dir", ErrFolderInUse, dir)
	case strings.Contains(text, "Code: 210"):
		return fmt.Errorf("%w: %s", ErrPortInUse, text)
	}
	return fmt.Errorf("the engine ended: %w", err)
}
