// Package chain runs Rollcall as a chain would, every part a process of its
// own: the service with its engine, and an agent for each cell with its folder
// and spool. The demo, the benchmarks and the end-to-end test are built on it.
package chain

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"
)

// Process is one child: the service or an agent.
type Process struct {
	Name string
	Log  string // its output
	cmd  *exec.Cmd
	done chan struct{}
	err  error
}

// Start runs a program with its output in a log file. The child gets a process
// group of its own, so that Ctrl-C reaches its parent alone, which stops its
// children in order.
func Start(name, logFile, program string, args ...string) (*Process, error) {
	if err := os.MkdirAll(filepath.Dir(logFile), 0o755); err != nil {
		return nil, fmt.Errorf("make the folder of %s's log: %w", name, err)
	}
	f, err := os.OpenFile(logFile, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o644)
	if err != nil {
		return nil, fmt.Errorf("open %s's log: %w", name, err)
	}
	defer f.Close()
	p := &Process{Name: name, Log: logFile, done: make(chan struct{})}
	p.cmd = exec.Command(program, args...)
	p.cmd.Stdout, p.cmd.Stderr = f, f
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGTERM}
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", name, err)
	}
	go func() {
		p.err = p.cmd.Wait()
		close(p.done)
	}()
	return p, nil
}

// Stop asks the child to end and waits; after the grace time it is killed.
func (p *Process) Stop(grace time.Duration) error {
	select {
	case <-p.done:
		return nil
	default:
	}
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return fmt.Errorf("stop %s: %w", p.Name, err)
	}
	select {
	case <-p.done:
		return nil
	case <-time.After(grace):
		_ = p.cmd.Process.Kill()
		<-p.done
		return fmt.Errorf("%s did not stop within %s and was killed; its log is %s", p.Name, grace, p.Log)
	}
}

// Ended returns an error when the child is no longer running.
func (p *Process) Ended() error {
	select {
	case <-p.done:
		return fmt.Errorf("%s ended by itself (%v); its log is %s", p.Name, p.err, p.Log)
	default:
		return nil
	}
}

// LoopbackAddress returns the wished loopback address when its port is free,
// else one with a free port.
func LoopbackAddress(wished string) (string, error) {
	for _, address := range []string{wished, "127.0.0.1:0"} {
		l, err := net.Listen("tcp", address)
		if err != nil {
			continue
		}
		defer l.Close()
		return l.Addr().String(), nil
	}
	return "", fmt.Errorf("no free port on 127.0.0.1")
}

// Poll calls f every interval until it says done, fails, or the context ends.
func Poll(ctx context.Context, interval time.Duration, f func() (bool, error)) error {
	ticker := time.NewTicker(interval)
	defer ticker.Stop()
	for {
		done, err := f()
		if err != nil || done {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-ticker.C:
		}
	}
}

// Kill ends the child at once, as kill -9 does, and waits.
func (p *Process) Kill() error {
	if err := p.cmd.Process.Kill(); err != nil {
		return fmt.Errorf("kill %s: %w", p.Name, err)
	}
	<-p.done
	return nil
}

// PID returns the child's process id.
func (p *Process) PID() int { return p.cmd.Process.Pid }
