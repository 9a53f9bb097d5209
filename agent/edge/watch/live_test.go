package watch

import (
	"testing"
	"time"
)

func TestSpeed(t *testing.T) {
	tests := []struct {
		name  string
		every float64 // seconds for one count
		per   uint32
		want  float64
	}{
		{"30 rpm", 2, 1, 30},
		{"20 rpm at four counts", 0.75, 4, 20},
		{"slow: 4 rpm", 15, 1, 4},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newScript(t, Config{PerRevolution: tt.per, StopAfter: 20 * time.Second})
			var v Speed
			for i := range 120 {
				second := float64(i) / 2
				s.at(second, 100+uint64(second/tt.every))
				v.Add(s.st)
			}
			l := s.w.Live(s.st, &v, -1)
			if l.GetSpeedRpm() < tt.want*0.95 || l.GetSpeedRpm() > tt.want*1.05 || !l.GetTurning() {
				t.Errorf("speed %.2f rpm, turning %v; want %.0f", l.GetSpeedRpm(), l.GetTurning(), tt.want)
			}
			if l := s.w.Live(s.st, &v, 27.5); l.GetSpeedRpm() != 27.5 {
				t.Errorf("speed %.2f rpm although the machine itself says 27.5", l.GetSpeedRpm())
			}
			s.at(100, s.st.Raw)
			v.Add(s.st)
			if l := s.w.Live(s.st, &v, -1); l.GetTurning() || l.GetSpeedRpm() != 0 {
				t.Errorf("still %.2f rpm long after the last count", l.GetSpeedRpm())
			}
		})
	}
}

func TestLiveNamesTheCause(t *testing.T) {
	s := newScript(t, Config{Stops: twoInputs})
	s.at(0, 5)
	s.at(1, 5, 1)
	l := s.w.Live(s.st, &Speed{}, -1)
	if l.GetCause() != "needle" || len(l.GetStopId()) != 16 || l.GetTurning() {
		t.Errorf("live view %v, want the needle stop", l)
	}
}
