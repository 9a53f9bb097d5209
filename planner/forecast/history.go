package forecast

// CauseHistory is what one machine did under one cause in its counted running time.
type CauseHistory struct {
	Cause string
	// Count of stops that began.
	Count int
	// DurationsMin of the stops that ended, minutes; some may be missing.
	DurationsMin []float64
}

// History is what one machine did.
type History struct {
	Machine    string
	RunMinutes float64 // running time in which the stops were collected
	Causes     []CauseHistory
}
