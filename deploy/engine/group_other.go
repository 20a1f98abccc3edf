//go:build !unix

package engine

import "syscall"

func ownGroup() *syscall.SysProcAttr { return nil }
