package forecast

// Share gives the same knowledge to another plan: it may be used at the same time as
// the one given, since each keeps its own intermediate results.
func (f *Fleet) Share() *Fleet {
	g := *f
	g.cache = spectra{}
	return &g
}
