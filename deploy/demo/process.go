package main

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

// process is one child of the demo: the service or an agent.
type process struct {
	name string
	cmd  *exec.Cmd
	log  string
	done chan struct{}
	err  error
}

// start runs a program with its output in a log file. The child gets a process
// group of its own, so that Ctrl-C reaches the demo alone and the demo stops
// its children in order.
func start(name, logFile, program string, args ...string) (*process, error) {
	if err := os.MkdirAll(filepath.Dir(logFile), 0o755); err != nil {
		return nil, fmt.Errorf("make the folder of %s's log: %w", name, err)
	}
	f, err := os.OpenFile(logFile, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o644)
	if err != nil {
		return nil, fmt.Errorf("open %s's log: %w", name, err)
	}
	defer f.Close()
	p := &process{name: name, log: logFile, done: make(chan struct{})}
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

// stop asks the child to end and waits; after the grace time it is killed.
func (p *process) stop(grace time.Duration) error {
	select {
	case <-p.done:
		return nil
	default:
	}
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return fmt.Errorf("stop %s: %w", p.name, err)
	}
	select {
	case <-p.done:
		return nil
	case <-time.After(grace):
		_ = p.cmd.Process.Kill()
		<-p.done
		return fmt.Errorf("%s did not stop within %s and was killed; its log is %s", p.name, grace, p.log)
	}
}

// ended returns an error when the child is no longer running.
func (p *process) ended() error {
	select {
	case <-p.done:
		return fmt.Errorf("%s ended by itself (%v); its log is %s", p.name, p.err, p.log)
	default:
		return nil
	}
}

// loopbackAddress returns the wished loopback address when its port is free,
// else one with a free port.
func loopbackAddress(wished string) (string, error) {
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

// poll calls f every interval until it says done, fails, or the context ends.
func poll(ctx context.Context, interval time.Duration, f func() (bool, error)) error {
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
