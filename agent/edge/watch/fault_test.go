package watch

import (
	"testing"
	"time"
)

// The agent dies in an open stop. A counter that has not moved says that the
// stop went on; one that has says that it ended somewhere in between.
func TestFault_46_CrashInAStop(t *testing.T) {
	for _, tt := range []struct {
		name   string
		raw    uint64 // at the first reading afterwards
		active []int
		want   []string
	}{
		{"no movement", 102, []int{0}, []string{"30 gap from 1/6 raw 102 to 102 down, stop continued"}},
		{"movement, and stopped again", 109, []int{0}, []string{"30 gap from 1/6 raw 102 to 109 down",
			"30 span 01 (102,109] from 6 unsure", "30 end at 109 earliest 6", "30 stop yarn/top at 109"}},
		{"movement, and it runs", 109, nil, []string{"30 gap from 1/6 raw 102 to 109 down",
			"30 span 01 (102,109] from 6 unsure", "30 end at 109 earliest 6"}},
		{"no movement, but nothing holds it", 102, nil, []string{"30 gap from 1/6 raw 102 to 102 down", "30 end at 102 earliest 6"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := newScript(t, Config{Stops: twoInputs, StopAfter: 5 * time.Second, CrawlRPM: 4})
			s.at(0, 100)
			s.at(2, 101)
			s.at(4, 102, 0)
			s.at(6, 102, 0)
			s.told = nil
			s.restart()
			s.at(30, tt.raw, tt.active...)
			s.want(tt.want...)
		})
	}
}
