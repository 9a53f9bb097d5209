package chaos

import (
	"context"
	"errors"
	"syscall"

	"turnwise/simulator/plc"
)

// hit says what a fault can strike.
type hit uint8

const (
	aMachine hit = iota // or the line to it
	aLine               // between agent and server
	anAgent             // which may end or lose what it holds
	theServer
	serverEnd // the server, which ends by it
)

// need is what a host or the programs must offer for a fault.
type need uint8

const (
	room  need = 1 << iota // small disks
	power                  // whose power can be cut
	keeps                  // backup, restore and verify of the server
	steps                  // clocks that can be stepped
	halts                  // signals that stop and go on, limits of files
)

// inject makes a trouble and gives what repairs it; ok is false where it could
// not be made just now.
type inject func(ctx context.Context, m *mill, s *station) (heal func() error, ok bool, err error)

// fault is one kind of trouble.
type fault struct {
	kind    string
	meaning string
	hits    hit
	needs   need
	inject  inject
}

// faults are all kinds.
var faults = []fault{
	{"kill agent", "SIGKILL at any instant; it starts again", anAgent, 0, endingAgent(syscall.SIGKILL)},
	{"end agent", "SIGTERM; it must end by itself within ten seconds", anAgent, 0, endingAgent(syscall.SIGTERM)},
	{"agent hangs", "the agent is stopped for a while and goes on (SIGSTOP)", anAgent, halts, hangingAgent},
	{"agent without files", "the agent can open no file and no connection, and its connection is cut", anAgent, halts, starvingAgent},
	{"agent clock wrong", "its wall clock steps by up to two hours either way", anAgent, steps, steppingAgent(false)},
	{"agent clock unset", "its wall clock says 1970", anAgent, steps, steppingAgent(true)},
	{"agent power cut", "what its disk had not synced is gone; it starts again", anAgent, power, cuttingAgent},
	{"agent disk full", "no room for its journal; room returns", anAgent, room, filling},

	{"kill server", "SIGKILL of server and broker at any instant; all sessions are lost", serverEnd, 0, endingServer(syscall.SIGKILL)},
	{"end server", "SIGTERM; it must end by itself within ten seconds", serverEnd, 0, endingServer(syscall.SIGTERM)},
	{"server hangs", "the server is stopped for a while and goes on (SIGSTOP)", theServer, halts, hangingServer},
	{"server without files", "the server can open no file and take no connection, and all are cut", theServer, halts, starvingServer},
	{"server clock wrong", "its wall clock steps by up to 20 seconds either way", theServer, steps, steppingServer},
	{"server power cut", "what its disk had not synced is gone; it starts again", serverEnd, power, cuttingServer},
	{"server disk full", "no room for its records; it must go on answering, and take records when room returns", theServer, room, fillingServer},
	{"server backed up", "a verified copy is taken beside the running server", theServer, keeps, backingUp},
	{"server restored", "the newest backup is put back; agents send what came after it", serverEnd, keeps, restoring},
	{"damaged backup", "somebody tries to restore a copy of the backup with one bit turned", serverEnd, keeps, restoringDamaged},
	{"database bit turned", "one bit of the stored records turns; what verification finds is restored from the backup", serverEnd, keeps, turningBit},

	{"line cut", "connections end and none is made", aLine, 0, blowing(cut)},
	{"all lines cut", "every agent loses the broker at once, as when it is restarted", aLine, 0, cuttingAll},
	{"line delayed", "every packet comes half a second late", aLine, 0, blowing(delayed)},
	{"line slow", "960 bytes a second", aLine, 0, blowing(slow)},
	{"line half open", "nothing passes and nobody is told", aLine, 0, blowing(deaf)},
	{"line loses acknowledgements", "nothing passes towards the agent", aLine, 0, blowing(acksLost)},
	{"line loses records", "nothing passes towards the server", aLine, 0, blowing(dataLost)},
	{"line closed late", "the agent ends and its old connection stays open beside the new one", anAgent, 0, closingLate},
	{"messages overtake", "messages arrive in another order, both ways", aLine, 0, blowing(shuffled)},
	{"messages repeated", "every message arrives twice, both ways", aLine, 0, blowing(repeated)},
	{"messages dropped", "messages are acknowledged on the way and thrown away, both ways", aLine, 0, blowing(swallowed)},

	{"machine silent", "requests are taken and never answered", aMachine, 0, breaking(plc.Silence)},
	{"machine hangs up", "the connection ends at every request", aMachine, 0, breaking(plc.Hangup)},
	{"machine half answer", "answers end in the middle", aMachine, 0, breaking(plc.Short)},
	{"machine garbage", "answers are no frames", aMachine, 0, breaking(plc.Noise)},
	{"machine wrong unit", "answers come in the name of another unit", aMachine, 0, breaking(plc.WrongUnit)},
	{"machine exception", "answers say that the device failed", aMachine, 0, breaking(plc.Exception)},
	{"counter near its end", "the counter jumps to just before it wraps", aMachine, 0, jumping("near its end")},
	{"counter set to 0", "the counter falls to 0, as in a controller that restarts", aMachine, 0, jumping("reset")},
	{"counter preset", "the counter takes another value", aMachine, 0, jumping("preset")},
	{"counter read wrong once", "one reading is far away", aMachine, 0, faltering(farOff)},
	{"counter 0 once", "one reading is 0", aMachine, 0, faltering(zero)},
	{"counter torn once", "one reading has the high word of another instant", aMachine, 0, faltering(torn)},

	{"journal tail torn", "the end of the journal that was not synced is cut off at any byte", anAgent, 0, tearing},
	{"journal bit turned", "one bit of the journal turns while the agent is off", anAgent, 0, flipping},
	{"journal lost", "the agent is replaced by one with an empty journal", anAgent, 0, losing},
	{"journal copied", "a second agent runs with a copy of the journal; people keep one, with an empty journal", anAgent, 0, copying},
	{"journal from an old image", "the agent starts with its journal of some seconds ago; people give it an empty one", anAgent, 0, imaging},
}

// Kind is a kind of fault and what it means.
type Kind struct{ Name, Meaning string }

// Kinds lists the kinds of faults.
func Kinds() []Kind {
	var out []Kind
	for _, f := range faults {
		out = append(out, Kind{f.kind, f.meaning})
	}
	return out
}

func isKind(kind string) bool {
	for _, f := range faults {
		if f.kind == kind {
			return true
		}
	}
	return false
}

// lacks tells why a fault cannot be made with this host and these programs;
// nil means that it can.
func (m *mill) lacks(ctx context.Context, f fault) error {
	switch {
	case f.needs&(room|power) != 0 && m.noDisk != nil:
		return m.noDisk
	case f.needs&power != 0 && m.noPower != nil:
		return m.noPower
	case f.needs&keeps != 0 && !offers(ctx, program(m.bin, "server"), "backup", "restore", "verify"):
		return errors.New("this server has no commands backup, restore and verify")
	case f.needs&steps != 0 && !(stepsClock(program(m.bin, "server")) && stepsClock(program(m.bin, "agent"))):
		return errors.New("these programs are built as for a release; those that are built without --bin have clocks that can be stepped")
	case f.needs&halts != 0 && !stops:
		return errors.New("processes are stopped on Unix only")
	}
	return nil
}
