package floor

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"turnwise/planner/outlook"
	"turnwise/server/store"
)

// Limits of a quote.
const (
	leastRisk, mostRisk = 0.01, 0.5
	mostQuoteKg         = 10e6 // a year of the largest mill
)

// Quote gives a date for kilos of an article behind the present jobs, missed
// with the accepted chance (0 = that of the mill). No machines = the best of
// those with a card for the article. Errors: [store.ErrNotFound] for an
// unknown article or machine, [store.ErrInvalid] for impossible numbers.
func (f *Floor) Quote(ctx context.Context, article string, kg, risk float64, machines []string) (QuoteView, error) {
	if risk == 0 {
		risk = f.c.Risk
	}
	if !(kg > 0) || kg > mostQuoteKg {
		return QuoteView{}, fmt.Errorf("quote of %g kg: %w: expected more than 0 and at most %g kg", kg, store.ErrInvalid, float64(mostQuoteKg))
	}
	if math.IsNaN(risk) || risk < leastRisk || risk > mostRisk {
		return QuoteView{}, fmt.Errorf("quote at risk %g: %w: expected %g to %g", risk, store.ErrInvalid, leastRisk, mostRisk)
	}
	p, err := f.outlook(ctx)
	if err != nil {
		return QuoteView{}, err
	}
	if _, ok := p.book.articles[article]; !ok {
		return QuoteView{}, fmt.Errorf("article %q: %w: %s", article, store.ErrNotFound, p.book.knownArticles())
	}
	for _, id := range machines {
		if _, ok := p.book.machines[id]; !ok {
			return QuoteView{}, store.Unknown("machine", id)
		}
	}
	r, err := outlook.Quote(p.snapshot, f.c.Now(), outlook.QuoteRequest{Article: article, QuantityKg: kg, Risk: risk, Machines: machines})
	if err != nil {
		return QuoteView{}, fmt.Errorf("floor: quote %g kg of %s: %w", kg, article, err)
	}
	return QuoteView{Promise: r.Promise, Finish: r.Finish, Jobs: r.Jobs, Assumptions: r.Assumptions}, nil
}

// Agents returns every registered agent, and those that are heard without
// being registered, by id.
func (f *Floor) Agents(ctx context.Context) ([]AgentView, error) {
	registered, err := f.st.Agents(ctx)
	if err != nil {
		return nil, fmt.Errorf("floor: read agents: %w", err)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, a := range registered {
		f.agent(a.ID).registered = a
	}
	out := make([]AgentView, 0, len(f.agents))
	for id, a := range f.agents {
		out = append(out, AgentView{
			ID: id, Machines: a.registered.Machines, Registered: a.registered.Registered, Outstanding: a.registered.Outstanding,
			Online: a.online, Heard: a.heard, ClockOffset: a.offset, Version: a.version, JournalBytes: a.journal,
		})
	}
	slices.SortFunc(out, func(a, b AgentView) int { return strings.Compare(a.ID, b.ID) })
	return out, nil
}
