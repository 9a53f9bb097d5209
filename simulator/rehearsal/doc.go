// Package rehearsal plays agents, network, server and disks in one thread from
// one seed, with every fault that the mill can think of, thousands of times
// faster than life. The code under it is the real one: journal, watch and
// counter, scribe and sender of the agent, clerk and tally of the server. The
// wires, the disks, the clocks and the power are made up, and lie as told.
//
// The one rule: the same seed plays the same, bit by bit, so that whatever
// goes wrong can be looked at again. What is right is judged by a truth that
// shares no arithmetic with the product.
//
// It does not rehearse the broker, TLS, SQLite's own file handling or the
// operating system: simulator/chaos does that with real processes, slowly.
package rehearsal
