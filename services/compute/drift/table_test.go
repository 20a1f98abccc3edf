package drift

import (
	"encoding/csv"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// table reads a CSV file of the repository's testdata; its first line names
// the source.
func table(t testing.TB, name string) map[string][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	for k, head := range rows[0] {
		for _, row := range rows[1:] {
			out[head] = append(out[head], row[k])
		}
	}
	return out
}

func numbers(t testing.TB, column []string) []float64 {
	t.Helper()
	out := make([]float64, len(column))
	for i, s := range column {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		out[i] = v
	}
	return out
}

func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 7)) }
