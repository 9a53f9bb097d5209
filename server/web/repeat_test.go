package web

import (
	"strings"
	"testing"
)

// The picture says in words what it draws; a structure that nobody has a name
// for has no picture instead of a wrong one.
func TestRepeatOfAStructure(t *testing.T) {
	tests := []struct {
		structure, name string
		says            string
	}{
		{"single jersey", "single jersey", "all knit"},
		{"Rib 1x1", "1x1 rib", "dial"},
		{"double pique", "double pique", "tuck"},
		{"", "", ""},
		{"<script>", "", ""},
		{"house pattern 7", "", ""},
	}
	for _, tt := range tests {
		r := repeatOf(tt.structure)
		if r.Name != tt.name || (r.Picture == "") != (tt.name == "") {
			t.Errorf("repeatOf(%q) is %q with %d bytes of picture, want %q", tt.structure, r.Name, len(r.Picture), tt.name)
		}
		_, desc, _ := strings.Cut(string(r.Picture), "<desc")
		if !strings.Contains(desc, tt.says) {
			t.Errorf("the description of %q does not say %q: %.200s", tt.structure, tt.says, desc)
		}
	}
}
