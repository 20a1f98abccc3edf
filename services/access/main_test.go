package access

import (
	"os"
	"testing"

	"golang.org/x/crypto/bcrypt"
)

// TestMain makes passwords cheap: under the race detector one costs seconds else.
func TestMain(m *testing.M) {
	bcryptCost = bcrypt.MinCost
	os.Exit(m.Run())
}
