package floor

import (
	"strings"
	"time"
)

// DefaultCauses is the list of causes of a mill that configures none. Letters
// are the knot letters, elements the time elements of ISO 22400-2.
func DefaultCauses() []Cause {
	return []Cause{
		{ID: "yarn", Letter: "y", Word: "yarn", Element: "ADET"},
		{ID: "needle", Letter: "n", Word: "needle", Element: "ADET"},
		{ID: "fabric", Letter: "f", Word: "press-off", Element: "ADET"},
		{ID: "doff", Letter: "d", Word: "doff", Element: "ADET"},
		{ID: "door", Letter: "f", Word: "guard", Element: "ADET"},
		{ID: "unspecified", Letter: "?", Word: "not given", Element: "ADET"},
		{ID: "setup", Letter: "s", Word: "set-up", Element: "AUST"},
		{ID: "care", Letter: "m", Word: "maintenance", Element: "APMT"},
		{ID: "noorder", Letter: "o", Word: "no order", Element: "ADOT"},
		{ID: "power", Letter: "z", Word: "power", Element: "ADET", Group: PowerCut},
	}
}

// Causes that have a meaning in themselves.
const (
	noOrder = "noorder"
	doff    = "doff"
	// Power is the cause whose group rule holds for alarms of stops of every cause:
	// without current no input tells why.
	Power = "power"
)

// PowerCut is the rule of [Power] where a mill gives none.
var PowerCut = Group{Machines: 5, Within: 3 * time.Second}

// notGiven is the cause of a standstill that nothing explains.
var notGiven = Cause{Letter: "?", Word: "not given", Element: "ADET"}

// short gathers stops under [shortStop] in sums.
var short = Cause{ID: "short", Letter: ".", Word: "short < 30 s", Element: "ADET"}

// cause finds a cause by id. One that the mill does not list is shown by its
// id: the agent knew something, even if nobody gave it a letter.
func (f *Floor) cause(id string) Cause {
	if c, ok := f.causes[id]; ok {
		return c
	}
	if id == "" {
		return notGiven
	}
	return Cause{ID: id, Letter: "?", Word: strings.ReplaceAll(id, "_", " "), Element: "ADET"}
}

// Causes returns the causes of the mill in the order they were given.
func (f *Floor) Causes() []Cause { return f.c.Causes }
