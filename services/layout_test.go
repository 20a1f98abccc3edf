package services

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// clockCalls are the functions of package time that read or wait for the clock.
var clockCalls = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}

// pureStandard are the packages of the standard library that compute may use.
// time is for values; its clock is refused above.
var pureStandard = []string{"bytes", "cmp", "crypto/sha256", "embed", "encoding/binary", "encoding/hex", "errors", "fmt", "iter", "maps", "math", "math/big", "math/bits", "math/cmplx", "math/rand/v2", "hash/crc32", "slices", "sort", "strconv", "strings", "time", "unicode", "unicode/utf8"}

// breach says why a file may not import path, or use name of package time, or "".
func breach(folder, path, timeName string) string {
	within := func(roots ...string) bool {
		return slices.ContainsFunc(roots, func(r string) bool { return path == r || strings.HasPrefix(path, r+"/") })
	}
	own := within("rollcall")
	standard := !strings.Contains(strings.SplitN(path, "/", 2)[0], ".") && !own
	in := func(root string) bool { return folder == root || strings.HasPrefix(folder, root+"/") }
	switch {
	case timeName != "":
		if (in("services/compute") || in("services/fleet") || in("services/certificate") || in("services/checklist")) && slices.Contains(clockCalls, timeName) {
			return "pure packages never read the clock (time." + timeName + "); pass the time in"
		}
	case in("services/fleet"):
		if path != "time" {
			return "fleet imports time only"
		}
	case in("services/compute"):
		if standard && !slices.Contains(pureStandard, path) || !standard && !within("gonum.org/v1/gonum", "rollcall/services/fleet", "rollcall/services/compute") {
			return "computing packages import mathematics and text, gonum, fleet and each other only"
		}
	case in("services/wire"):
		if !standard && !within("rollcall/proto", "rollcall/services/fleet", "google.golang.org/protobuf", "google.golang.org/genproto", "google.golang.org/grpc/codes", "google.golang.org/grpc/status") {
			return "wire imports proto and fleet only, and of gRPC the codes"
		}
	case in("services/certificate"), in("services/checklist"):
		if path == "context" || within("rollcall/proto", "rollcall/services/store", "rollcall/services/query", "rollcall/services/admin", "rollcall/services/pipeline", "rollcall/agent", "google.golang.org/grpc") {
			return "what is printed is made from values only: no context, database or wire type"
		}
	case in("services/store"):
		if within("rollcall/services/ingest", "rollcall/services/pipeline", "rollcall/services/query", "rollcall/services/rpc", "rollcall/dashboards", "rollcall/agent") {
			return "store knows nothing of who uses it"
		}
	case in("services/cmd"):
		return ""
	case in("services"):
		if within("rollcall/services/cmd", "rollcall/agent", "rollcall/deploy") {
			return "only the commands import everything"
		}
	case in("agent/spool"):
		if within("rollcall/proto", "rollcall/services", "google.golang.org", "net") {
			return "spool knows no proto and no network"
		}
	case in("agent"):
		if within("rollcall/services") && !within("rollcall/services/fleet", "rollcall/services/compute", "rollcall/services/wire") || within("rollcall/dashboards", "rollcall/deploy") {
			return "the agent imports proto, fleet, compute and wire of ours only"
		}
	case in("dashboards"):
		if within("rollcall/services/store", "rollcall/services/ingest", "rollcall/services/pipeline", "rollcall/services/cmd", "rollcall/agent") {
			return "pages read through the Fleet service"
		}
	}
	return ""
}

// breaches returns those of one file. folder is relative to the repository.
func breaches(t *testing.T, folder, name string, source any) []string {
	t.Helper()
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, name, source, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	add := func(at token.Pos, what string) {
		if what != "" {
			all = append(all, set.Position(at).String()+": "+what)
		}
	}
	timeAs := ""
	for _, i := range file.Imports {
		path, err := strconv.Unquote(i.Path.Value)
		if err != nil {
			t.Fatal(err)
		}
		if why := breach(folder, path, ""); why != "" {
			add(i.Pos(), "imports "+path+": "+why)
		}
		if path == "time" {
			if timeAs = "time"; i.Name != nil {
				timeAs = i.Name.Name
			}
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		if s, ok := n.(*ast.SelectorExpr); ok {
			if x, ok := s.X.(*ast.Ident); ok && x.Name == timeAs && timeAs != "" {
				add(s.Pos(), breach(folder, "time", s.Sel.Name))
			}
		}
		return true
	})
	return all
}

// Every file of the tree, tests apart, keeps to the layout's arrows.
func TestLayout(t *testing.T) {
	files := 0
	for _, root := range []string{"services", "agent", "dashboards"} {
		err := filepath.WalkDir(filepath.Join("..", root), func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			if d.IsDir() && (d.Name() == "testdata" || d.Name() == "node_modules") {
				return filepath.SkipDir
			}
			if d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return nil
			}
			files++
			for _, b := range breaches(t, filepath.ToSlash(strings.TrimPrefix(filepath.Dir(path), "../")), path, nil) {
				t.Error(b)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if files < 20 {
		t.Errorf("only %d files were looked at", files)
	}
}

// The rules catch what they are for, and nothing else.
func TestLayoutRules(t *testing.T) {
	for _, c := range []struct{ name, folder, source, want string }{
		{"pure", "services/compute/gum", `import ("math"; "gonum.org/v1/gonum/mat"; "rollcall/services/fleet"; "time"); var d time.Duration`, ""},
		{"context", "services/compute/gum", `import "context"`, "mathematics"},
		{"os", "services/compute/gum", `import "os"`, "mathematics"},
		{"net", "services/compute/gum", `import "net/http"`, "mathematics"},
		{"log", "services/compute/gum", `import "go.uber.org/zap"`, "mathematics"},
		{"proto", "services/compute/gum", `import pb "rollcall/proto/rollcall/v1"`, "mathematics"},
		{"database", "services/compute/gum", `import "database/sql"`, "mathematics"},
		{"store", "services/compute/gum", `import "rollcall/services/store"`, "mathematics"},
		{"now", "services/compute/gum", `import "time"; var t = time.Now()`, "clock (time.Now)"},
		{"now by another name", "services/compute/gum", `import clock "time"; var t = clock.Since(clock.Time{})`, "clock (time.Since)"},
		{"now as a value", "services/compute/gum", `import "time"; var now = time.Now`, "clock (time.Now)"},
		{"certificate may", "services/certificate", `import ("github.com/go-pdf/fpdf"; "rollcall/services/show"; "time"); var t time.Time`, ""},
		{"certificate may not", "services/certificate", `import "rollcall/services/store"`, "values only"},
		{"certificate has no clock", "services/certificate", `import "time"; var t = time.Now()`, "clock (time.Now)"},
		{"fleet", "services/fleet", `import "fmt"`, "time only"},
		{"agent may", "agent/uplink", `import ("rollcall/services/wire"; "rollcall/services/compute/finding"; "net")`, ""},
		{"agent may not", "agent/uplink", `import "rollcall/services/store"`, "the agent imports"},
		{"spool", "agent/spool", `import "rollcall/services/wire"`, "no proto"},
		{"store may", "services/store", `import "rollcall/services/fleet"`, ""},
		{"store may not", "services/store", `import "rollcall/services/pipeline"`, "who uses it"},
		{"wire may", "services/wire", `import ("rollcall/proto/rollcall/v1"; "google.golang.org/protobuf/proto"; "errors"; "google.golang.org/grpc/codes")`, ""},
		{"wire opens no stream", "services/wire", `import "google.golang.org/grpc"`, "wire imports"},
		{"wire may not", "services/wire", `import "rollcall/services/store"`, "wire imports"},
		{"room imports cmd", "services/query", `import "rollcall/services/cmd/rollcall"`, "only the commands"},
		{"cmd may", "services/cmd/rollcall", `import ("rollcall/services/store"; "rollcall/dashboards/pages"; "rollcall/deploy/engine")`, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := strings.Join(breaches(t, c.folder, "x.go", "package x\n"+c.source), "\n")
			if c.want == "" && got != "" || !strings.Contains(got, c.want) {
				t.Errorf("breaches %q, want %q", got, c.want)
			}
		})
	}
}
