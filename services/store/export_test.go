package store

import "testing"

// SetOpenEmpty gives this package's inner tests what only its outer tests can
// import.
func SetOpenEmpty(f func(t testing.TB) *Store) { openEmpty = f }
