//go:build rehearsal

package wall

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestStep runs with go test -tags rehearsal only.
func TestStep(t *testing.T) {
	stepFile = filepath.Join(t.TempDir(), "step")
	for _, tt := range []struct {
		text string
		want time.Duration
	}{{"", 0}, {"3600000000000\n", time.Hour}, {"-3600000000000", -time.Hour}, {"soon", 0}} {
		if err := os.WriteFile(stepFile, []byte(tt.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if got := time.Until(Now()) - tt.want; got.Abs() > time.Minute {
			t.Errorf("%q moves the clock %s away from what it says", tt.text, got)
		}
	}
}
