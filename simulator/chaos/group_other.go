//go:build !unix

package chaos

import "syscall"

func apart() *syscall.SysProcAttr { return nil }

const (
	hang = syscall.SIGINT
	goOn = syscall.SIGINT
)

// stops says whether programs can be stopped and go on.
const stops = false
