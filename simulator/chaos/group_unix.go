//go:build unix

package chaos

import (
	"os"
	"syscall"
)

// apart keeps a program out of reach of the keyboard's Ctrl-C: this process
// ends it, after it has ended what the program needs.
func apart() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setpgid: true} }

// killGroup ends a program that was started apart and all that it started.
func killGroup(p *os.Process) error { return syscall.Kill(-p.Pid, syscall.SIGKILL) }

// Signals that stop a program and let it go on.
const (
	hang = syscall.SIGSTOP
	goOn = syscall.SIGCONT
)

// stops says whether programs can be stopped and go on.
const stops = true
