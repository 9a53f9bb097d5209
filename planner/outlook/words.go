package outlook

import "strings"

// stopWords are what people call the stops of well-known causes: many, and one.
var stopWords = map[string][2]string{
	"":            {"standstills without a signal", "the standstill"},
	"unspecified": {"stops without a cause given", "the stop"},
	"yarn":        {"yarn stops", "the yarn stop"},
	"needle":      {"needle stops", "the needle stop"},
	"fabric":      {"press-offs", "the press-off"},
	"door":        {"guard stops", "the guard stop"},
	"power":       {"power cuts", "the power cut"},
	"care":        {"maintenance", "the maintenance"},
	"creel":       {"cone rounds", "the cone round"},
	"cleaning":    {"cleaning", "the cleaning"},
	causeDoff:     {"doffs", "the doff"},
	causeSetup:    {"set-ups", "the set-up"},
	causeNoOrder:  {"waiting for an order", "the wait for an order"},
}

func wordsOf(cause string) [2]string {
	if w, ok := stopWords[cause]; ok {
		return w
	}
	word := strings.ReplaceAll(cause, "_", " ")
	return [2]string{word + " stops", "the " + word + " stop"}
}

// Words say what a part of the time is.
func (p Part) Words() string {
	w := wordsOf(p.Cause)
	switch p.Kind {
	case PartRunning:
		return "running"
	case PartSlow:
		return "turning slower than the card"
	case PartWaiting:
		return "waiting for a person"
	case PartHeld:
		return "machine taken away"
	case PartCare:
		return "planned care of the machine"
	case PartProgress:
		return "the rest of " + w[1]
	case PartPlanned:
		return w[0] + ", planned"
	}
	return w[0]
}

// Words say on which condition a lever's gain is had. Nobody can do without doffs, but
// they can be fewer or shorter.
func (l Lever) Words() string {
	w := wordsOf(l.Cause)
	switch l.Kind {
	case PartSlow:
		return "at the speed of the card"
	case PartWaiting:
		return "if no stop waited for a person"
	case PartHeld:
		return "if the machine were not taken away"
	case PartCare:
		return "if the planned care came later"
	case PartProgress:
		return "if " + w[1] + " ended now"
	case PartPlanned:
		return "if " + w[0] + " took no time"
	}
	return "without " + w[0]
}

// stopsOf names the stops of a cause in a sentence.
func stopsOf(cause string) string { return wordsOf(cause)[0] }

// WaitingNotKnown is said beside parts that tell no [PartWaiting].
const WaitingNotKnown = "Waiting for a person is inside the stops: how much is unknown until people tell when they take stops up."
