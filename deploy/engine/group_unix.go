//go:build unix

package engine

import "syscall"

// ownGroup keeps the terminal's Ctrl-C from the engine: the service stops
// first, then its engine.
func ownGroup() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setpgid: true} }
