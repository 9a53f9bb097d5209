//go:build unix

// Package rightstest runs a test once more as a user without rights, since root
// may write everywhere and would see no refusal. It is for tests only.
package rightstest

import (
	"errors"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
)

// nobody is the user without rights, by common practice of Linux systems (no source).
const nobody = 65534

// Without runs the test in a child that may not write everywhere, when this
// process may, and reports that it has been done. What the test made before is
// not the child's: call it first.
func Without(t *testing.T) bool {
	t.Helper()
	if os.Geteuid() != 0 {
		return false
	}
	exe, err := os.Open("/proc/self/exe")
	if err != nil {
		t.Skipf("the test's own program is not found: %v", err)
	}
	defer exe.Close()
	// Through the open file: nobody may enter the folder of the program.
	cmd := exec.Command("/proc/self/fd/3", "-test.run=^"+t.Name()+"$", "-test.v")
	cmd.ExtraFiles = []*os.File{exe}
	cmd.Dir = "/"
	cmd.Env = []string{"TMPDIR=/tmp", "HOME=/tmp"}
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	out, err := cmd.CombinedOutput()
	if errors.Is(err, syscall.EPERM) {
		t.Skipf("root without the right to become somebody else: %v", err)
	}
	if err != nil || !strings.Contains(string(out), "--- PASS: "+t.Name()) {
		t.Errorf("without rights: %v\n%s", err, out)
	}
	return true
}
