package modbus

import "testing"

// BenchmarkRead is one look: three registers and three inputs, two requests.
func BenchmarkRead(b *testing.B) {
	d := bench{newDevice(b), "u32be"}
	d.Show(7)
	s, err := Open(d.config())
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Read(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
}
