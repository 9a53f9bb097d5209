// Turnwise turns the bare signals of circular knitting machines, a turn
// counter and the stop motions, into the running of a mill: kilos knitted,
// dates with their certainty, and calls for cones.
//
// The rooms: proto (what is said between programs), agent (at the machine),
// server (store, live picture, API and pages), planner (the arithmetic and the
// command line), simulator (a mill to try it on). DEVELOPERS.md has the map.
package turnwise
