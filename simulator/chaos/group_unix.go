//go:build unix

package chaos

import "syscall"

// apart keeps a program out of reach of the keyboard's Ctrl-C: this process
// ends it, after it has ended what the program needs.
func apart() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setpgid: true} }

// Signals that stop a program and let it go on.
const (
	hang = syscall.SIGSTOP
	goOn = syscall.SIGCONT
)

// stops says whether programs can be stopped and go on.
const stops = true
