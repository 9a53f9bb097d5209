//go:build !rehearsal

package wall

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestReleasedProgramTakesNoStep: neither the variable nor its file moves the
// clock of a program that is built as it is released.
func TestReleasedProgramTakesNoStep(t *testing.T) {
	file := filepath.Join(t.TempDir(), "step")
	if err := os.WriteFile(file, []byte("3600000000000"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv(StepFile, file)
	before := time.Now()
	if now, after := Now(), time.Now(); now.Before(before) || now.After(after) {
		t.Errorf("the clock tells %s, want an instant from %s to %s", now, before, after)
	}
}
