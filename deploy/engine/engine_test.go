package engine

import (
	"os"
	"testing"
)

const childEnv = "ROLLCALL_TEST_ENGINE_CHILD"

// TestMain lets the test binary be the engine's process.
func TestMain(m *testing.M) {
	if os.Getenv(childEnv) != "" {
		os.Exit(Main(os.Args[1:]))
	}
	os.Exit(m.Run())
}
