// Package forecast gives the law of the working minutes that a job still takes.
// The one rule: stops happen while the machine runs, so their clock is running
// minutes; what is learned of a machine is shrunk towards the fleet, and what
// is not known is said in the basis instead of being made up. It knows no calendar
// and no kilos.
package forecast
