package forecast

// CauseHistory is what one machine did under one cause in its counted running time.
type CauseHistory struct {
	Cause string
	// Count of stops that began.
	Count int
	// DurationsMin of the stops that ended, minutes; some may be missing.
	DurationsMin []float64
}
