package sqlite

import (
	"errors"
	"os"
	"os/exec"
	"testing"

	"golang.org/x/sys/unix"
)

// rootOnly skips what only root may do.
func rootOnly(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("only root may mount a disk")
	}
}

// needs skips without a program that anybody can install; with CI=true it fails, since
// .ci/run installs them.
func needs(t *testing.T, programs ...string) {
	t.Helper()
	for _, name := range programs {
		if _, err := exec.LookPath(name); err == nil {
			continue
		} else if os.Getenv("CI") == "true" {
			t.Fatalf("%v; install the packages e2fsprogs and mount, as .ci/run does", err)
		} else {
			t.Skipf("%v; install the packages e2fsprogs and mount to run this test", err)
		}
	}
}

// refused skips when the kernel refuses a mount, as it does in many containers, and
// fails on any other error of it.
func refused(t *testing.T, err error, said []byte) {
	t.Helper()
	_, ran := errors.AsType[*exec.ExitError](err) // mount(8) ended with what the kernel told it
	switch {
	case err == nil:
	case ran || errors.Is(err, unix.EPERM) || errors.Is(err, unix.EACCES) || errors.Is(err, unix.ENODEV):
		t.Skipf("the kernel refused to mount a disk: %v: %s", err, said)
	default:
		t.Fatalf("mount a disk: %v: %s", err, said)
	}
}
