package conf

import (
	"strings"
	"testing"
)

func TestCheckArgs(t *testing.T) {
	for _, tt := range []struct {
		args []string
		want string // "" = they are good
	}{
		{nil, ""},
		{[]string{"care", "done", "oil-k05", "--at=2026-11-28T06:00", "--dry-run"}, ""},
		{[]string{"stops", "--since", "8h"}, ""},
		{[]string{"book", "apply", "-"}, ""},
		{[]string{"whatif", "slow K03 27", "--", "-1"}, ""},
		{[]string{"units", "register", "u-03", "a=b="}, ""},
		{[]string{"calc", "--note=a="}, ""},
		{[]string{"a="}, ""}, // no flag: whoever reads it says what is wrong with it
		{[]string{"care", "done", "oil-k05", "--at="}, "--at: found nothing behind =, expected a value; give one, or leave --at out"},
		{[]string{"care", "done", "oil-k05", "--at=  "}, "--at: found nothing behind ="},
		{[]string{"care", "done", "--at", "", "oil-k05"}, "--at: found an empty word behind it"},
		{[]string{"run", "-c", " \t"}, "-c: found an empty word behind it"},
		{[]string{"run", "-c="}, "-c: found nothing behind ="},
		{[]string{"plan", "start", "K03", ""}, "argument 4 is an empty word"},
		{[]string{"plan", "start", "--at=2026-11-28T06:00", ""}, "argument 4 is an empty word"},
		{[]string{""}, "argument 1 is an empty word"},
		{[]string{"plan", "start", "--", ""}, "empty word"},
	} {
		switch err := CheckArgs(tt.args); {
		case tt.want == "" && err != nil:
			t.Errorf("%q: %v, want them to be good", tt.args, err)
		case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)):
			t.Errorf("%q: %v, want %q", tt.args, err, tt.want)
		}
	}
}
