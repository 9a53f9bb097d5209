//go:build !unix

package chaos

import (
	"os"
	"syscall"
)

func apart() *syscall.SysProcAttr { return nil }

func killGroup(p *os.Process) error { return p.Kill() }

const (
	hang = syscall.SIGINT
	goOn = syscall.SIGINT
)

// stops says whether programs can be stopped and go on.
const stops = false
