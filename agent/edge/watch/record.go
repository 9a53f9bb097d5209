package watch

import (
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// id copies a 16-byte id for a message.
func id(v [16]byte) []byte { return append([]byte(nil), v[:]...) }

// instant is another moment of the boot of a reading, by its clocks.
func instant(clock source.Instant, boottime int64) source.Instant {
	clock.Wall += boottime - clock.Boottime
	clock.Boottime = boottime
	return clock
}

// tell adds a record that speaks of an instant.
func (p *pass) tell(at source.Instant, kind any) {
	r := &wirepb.Record{Boot: p.w.boot(at.Boot), BoottimeNs: at.Boottime, WallNs: at.Wall, Clock: quality(at.Quality)}
	switch k := kind.(type) {
	case *wirepb.Record_CountSpan:
		r.Kind = k
	case *wirepb.Record_StopBegin:
		r.Kind = k
	case *wirepb.Record_StopEnd:
		r.Kind = k
	case *wirepb.Record_StateGap:
		r.Kind = k
	case *wirepb.Record_LifeLink:
		r.Kind = k
	case *wirepb.Record_Discontinuity:
		r.Kind = k
	case *wirepb.Record_ConfigApplied:
		r.Kind = k
	case *wirepb.Record_ClockStep:
		r.Kind = k
	default:
		panic("watch: unknown record kind")
	}
	p.recs = append(p.recs, r)
}

func quality(q source.Quality) wirepb.ClockQuality {
	switch q {
	case source.Free:
		return wirepb.ClockQuality_CLOCK_QUALITY_FREE
	case source.NTPSynced:
		return wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED
	case source.ServerSynced:
		return wirepb.ClockQuality_CLOCK_QUALITY_SERVER_SYNCED
	}
	return wirepb.ClockQuality_CLOCK_QUALITY_UNSET
}

// flush tells the counts up to ext that are not told yet, until an instant in
// the boot of clock. Without such counts it tells nothing: the time belongs to
// what comes next.
func (p *pass) flush(clock source.Instant, until int64, ext uint64) {
	if ext > p.st.Told && !p.st.Count.Beginning() {
		p.span(clock, p.st.Covered, until, ext, p.quality())
	}
}

// quality is that of counts of which it is known when they were made.
func (p *pass) quality() wirepb.CountQuality {
	if p.st.stop.open && p.st.stop.rested {
		return wirepb.CountQuality_COUNT_QUALITY_INCHED
	}
	return wirepb.CountQuality_COUNT_QUALITY_SURE
}

// unit is that of the life that is told, which may be of another configuration.
func (p *pass) unit() Unit {
	if p.st.Unit != (Unit{}) {
		return p.st.Unit
	}
	return p.w.unit()
}

func (p *pass) span(clock source.Instant, from, until int64, ext uint64, q wirepb.CountQuality) {
	if q == wirepb.CountQuality_COUNT_QUALITY_INCHED && ext == p.st.Told {
		q = wirepb.CountQuality_COUNT_QUALITY_SURE // watched, and not turned
	}
	unit := p.unit()
	raw := ext // a pulse count is its own raw counter
	if m := uint64(1) << unit.Bits; unit.Bits > 0 {
		raw = (p.base.Raw + m - (p.base.Ext-ext)%m) % m
	}
	p.tell(instant(clock, until), &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{
		LifeId: id(p.st.Life), From: p.st.Told, To: ext,
		RawTo: raw, RawBits: uint32(unit.Bits), FromBoottimeNs: min(from, until),
		CountsPerRevolution: unit.PerRevolution, Quality: q,
	}})
	p.st.Told = ext
	p.st.Covered = max(p.st.Covered, until)
}
