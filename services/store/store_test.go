package store_test

import (
	"os"
	"testing"

	"rollcall/services/store/storetest"
)

func TestMain(m *testing.M) { os.Exit(storetest.Main(m)) }

func TestOpen(t *testing.T) {
	s := storetest.Open(t)
	version, err := s.Version(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Log(version)
}
