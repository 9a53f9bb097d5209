// Package wall tells the wall clock of this host to agent and server. The one
// rule: a program as it is released tells the clock and nothing else.
//
// Only a program that is built with the tag rehearsal can be told a step of
// its clock, by a file that the environment names; no setting of a released
// program does that. It is how broken clocks are rehearsed without touching
// the clock of the host.
package wall

// StepFile is the variable that names the file with the step, in a program
// built with the tag rehearsal: whole nanoseconds in decimal digits, read anew
// each time the clock is asked. No variable, no file or no number is no step.
const StepFile = "REHEARSAL_CLOCK_STEP_FILE"

// Tag is the build tag of a program whose wall clock can be stepped.
const Tag = "rehearsal"
