package forecast

// Ready weighs every machine's history once, so that [Fleet.Machine] need not for each
// plan. It returns f.
func (f *Fleet) Ready() *Fleet {
	ready := make(map[string]*Machine, len(f.histories))
	for _, h := range f.histories {
		ready[h.machine] = f.machine(h)
	}
	f.ready = ready
	return f
}

// Share gives the same knowledge to another plan: it may be used at the same time as
// the one given, since each keeps its own intermediate results.
func (f *Fleet) Share() *Fleet {
	g := *f
	g.cache = spectra{}
	return &g
}

// with is the machine by another copy of the same fleet.
func (m *Machine) with(f *Fleet) *Machine {
	n := *m
	n.fleet = f
	if m.current != nil {
		n.current = m.current.with(f)
	}
	return &n
}
