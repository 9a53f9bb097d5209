package floor

import (
	"fmt"
	"slices"
	"strings"

	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
)

// handRules holds moves by hand to the rules of the search: a machine that gets
// an order must be able to knit it, and what is dyed as one lot is not split.
// Jobs that stand already are not judged. Errors hold [outlook.ErrRequest].
func (f *Floor) handRules(p *plan, problem board.Problem, s outlook.Snapshot) error {
	on := func(machines []outlook.Machine) map[string][]string {
		out := map[string][]string{}
		for i := range machines {
			for _, j := range machines[i].Jobs {
				if !slices.Contains(out[j.Order], machines[i].ID) {
					out[j.Order] = append(out[j.Order], machines[i].ID)
				}
			}
		}
		return out
	}
	before, after := on(p.snapshot.Machines), on(s.Machines)
	for _, o := range p.book.Orders {
		was, is := before[o.ID], after[o.ID]
		for _, m := range is {
			if slices.Contains(was, m) {
				continue
			}
			if r := board.Able(problem, m, o.ID); r != nil {
				return fmt.Errorf("%w: %s", outlook.ErrRequest, strings.TrimSuffix(p.book.named(r.Sentence), "."))
			}
		}
		if o.OneLot && len(is) > 1 && len(is) > len(was) {
			names := make([]string, len(is))
			for i, m := range is {
				names[i] = p.book.name(m)
			}
			return fmt.Errorf("%w: %s is dyed as one lot and would be on %s; move all of it, or take the mark of one lot off in the book", outlook.ErrRequest, o.ID, strings.Join(names, " and "))
		}
	}
	return nil
}
