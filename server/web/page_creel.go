package web

import (
	"context"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"turnwise/server/floor"
)

const (
	creelHorizon = 24 * time.Hour // as long as a device must do without a line
	creelAhead   = 2 * time.Hour  // walks; what comes later is folded
	fetchAhead   = time.Hour      // as the floor's list of cones
	tasksShown   = 60
	rollsShown   = 12
	setsBeside   = 4                 // rails that fit side by side on a tablet
	ridMark      = "\x1arequest\x1a" // replaced by each reader's own request id
)

// The creel round: what do I do next?
type creelData struct {
	Status  creelStatus
	Empty   string
	Rails   []creelRail
	Sets    []choice
	Mine    []mineChoice
	Twin    []creelTwin
	Fetch   []fetchRow
	Weigh   []weighRow
	Tells   bool // weights are told these days: the list stands open
	Share   []string
	Told    told
	Actions bool
	Read    int64 // ms since 1970, of the mill
	Scripts []string
}

type creelStatus struct{ Text, Clock string }

// A creelRail is what one person has to do next.
type creelRail struct {
	ID, Title, Quiet string
	Rows             []railRow
	Later            []railRow // for those who change early, or have no line
}

// A mineChoice is a machine that may be chosen.
type mineChoice struct {
	ID, Name string
	On       bool
}

type creelTwin struct {
	In, At                string // At is for paper, on which no minutes pass
	Counted               bool   // At is counted, not forecast
	Name, Task            string
	Cones, Window         string
	Yarn, Lot, Tip, State string
}

// A weighRow is a doffed roll that nobody weighed yet.
type weighRow struct {
	ID, Task, Back, Machine, Name string
	Number                        int64
	At, Kg                        string // doffed, and kilos by turns and card
}

// A fetchRow is cones of one lot to bring from the store.
type fetchRow struct {
	Cones          int
	Lot, Yarn, Tip string
	At             []string // machines that they are for
	By             string   // when the first of them is needed
}

// group is machines that one person looks after.
type group struct {
	title string
	ids   []string
}

func (s *site) creel(ctx context.Context, q url.Values, now time.Time) (view, error) {
	all := s.floor.Machines()
	groups, scope, wrong := chooseMachines(all, q.Get("machines"), q.Get("set"))
	d := creelData{Actions: s.o.Tap != nil, Sets: setChoices(all, q), Read: now.UnixMilli(), Scripts: []string{s.files.path("taps.js"), s.files.path("creel.js")}}
	var ids []string
	for _, g := range groups {
		ids = append(ids, g.ids...)
	}
	for _, m := range all {
		d.Mine = append(d.Mine, mineChoice{m.ID, nameOf(m), slices.Contains(ids, m.ID) && q.Get("machines") != ""})
	}
	slices.SortStableFunc(d.Mine, func(a, b mineChoice) int { return natural(a.Name, b.Name) })
	clock := now.In(s.zone).Format("15:04")
	d.Status = creelStatus{scope + ", read " + clock, clock}
	switch {
	case len(all) == 0:
		d.Empty = "No machine is registered yet."
	case wrong != "":
		d.Empty = wrong
	default:
		if err := s.fillWork(ctx, &d, groups, len(ids) == len(all) && len(groups) == 1, q, now); err != nil {
			return view{}, fmt.Errorf("web: work of %s: %w", scope, err)
		}
	}
	d.Told = s.toldBar(q, now)
	return creelView(d), nil
}

// fillWork reads tasks and walks. All machines at once are walked by the sets.
func (s *site) fillWork(ctx context.Context, d *creelData, groups []group, whole bool, q url.Values, now time.Time) error {
	var ids []string
	for _, g := range groups {
		ids = append(ids, g.ids...)
	}
	later, err := s.floor.Tasks(ctx, ids, creelHorizon)
	if err != nil {
		return err
	}
	works := make([]railWork, len(groups))
	var near []floor.TaskView
	for i, g := range groups {
		if whole {
			g.ids = nil
		}
		rounds, err := s.floor.Rounds(ctx, g.ids, creelAhead)
		if err != nil {
			return err
		}
		if !whole {
			rounds.Walks = slices.Clone(rounds.Walks)
			for j := range rounds.Walks {
				rounds.Walks[j].Set = "" // the rail says whose it is
			}
		}
		works[i] = workOf(rounds)
		near = append(near, works[i].tasks()...)
		d.Fetch = addFetchRows(d.Fetch, s.fetchRows(rounds, now))
		d.Share = append(d.Share, s.shareLines(g.title, rounds)...)
	}
	later = slices.DeleteFunc(later, func(t floor.TaskView) bool {
		return slices.ContainsFunc(near, func(n floor.TaskView) bool { return n.ID == t.ID })
	})
	slices.SortStableFunc(later, func(a, b floor.TaskView) int { return a.Due.Compare(b.Due) })
	if s.o.Tap != nil {
		rolls, tells, err := s.floor.RollsToWeigh(ctx, ids)
		if err != nil {
			return err
		}
		d.Tells = tells
		for _, r := range rolls[max(0, len(rolls)-rollsShown):] {
			d.Weigh = append(d.Weigh, weighRow{domID("w", r.Task), r.Task, scopeQuery(q), r.Machine, r.Name, r.Number, dayTime(r.At, now, s.zone), number(r.Kg, 1)})
		}
	}
	a := windowAxis(near, now)
	for i, g := range groups {
		own := slices.DeleteFunc(slices.Clone(later), func(t floor.TaskView) bool { return !slices.Contains(g.ids, t.Machine) })
		d.Rails = append(d.Rails, s.creelRail(i, g.title, works[i], own, a, q, now))
	}
	near = append(near, later...)
	for _, t := range near[:min(len(near), tasksShown)] {
		d.Twin = append(d.Twin, s.creelTwin(t, now))
	}
	return nil
}

// creelView names the parts that a live stream renews.
func creelView(d creelData) view {
	v := view{Title: "Creel round", Data: d}
	for _, rail := range d.Rails {
		ids := []string{}
		for _, r := range rail.Rows {
			ids = append(ids, r.ID)
			v.Parts = append(v.Parts, part{ID: r.ID, Template: "rail-row", Data: r})
		}
		v.Parts = append(v.Parts, part{ID: rail.ID + "-quiet", Template: "creel-quiet", Data: rail})
		v.Lists = append(v.Lists, list{rail.ID, ids})
		later := []string{}
		for _, r := range rail.Later {
			later = append(later, r.ID)
			v.Parts = append(v.Parts, part{ID: r.ID, Template: "rail-row", Data: r})
		}
		v.Lists = append(v.Lists, list{rail.ID + "-later", later})
	}
	if d.Actions {
		ids := []string{}
		for _, r := range d.Weigh {
			ids = append(ids, r.ID)
			v.Parts = append(v.Parts, part{ID: r.ID, Template: "weigh-row", Data: r})
		}
		v.Lists = append(v.Lists, list{"weigh", ids})
		v.Parts = append(v.Parts, part{ID: "weigh-none", Template: "weigh-none", Data: d})
	}
	v.Parts = append(v.Parts,
		part{ID: "scope", Template: "creel-status", Data: d.Status},
		part{ID: "nothing", Template: "creel-empty", Data: d},
		part{ID: "fetch", Template: "creel-fetch", Data: d},
		part{ID: "twin", Template: "creel-twin", Data: d},
		part{ID: "share", Template: "creel-share", Data: d})
	return v
}

// creelRail draws what one person has to do: near is walks, later the tasks
// that are not in them, soonest first.
func (s *site) creelRail(i int, title string, near railWork, later []floor.TaskView, a axis, q url.Values, now time.Time) creelRail {
	r := creelRail{ID: "rail", Title: title, Rows: s.railRows(near, a, q, now)}
	if i > 0 {
		r.ID = fmt.Sprintf("rail-%d", i)
	}
	far := windowAxis(later, now)
	for _, t := range later[:min(len(later), tasksShown)] {
		r.Later = append(r.Later, s.railRow(t, far, q, now))
	}
	switch {
	case len(r.Rows) > 0:
	case len(later) == 0:
		r.Quiet = "Nothing is due in the next 24 hours."
	default:
		next := s.creelTwin(later[0], now)
		r.Quiet = fmt.Sprintf("Nothing is due now. Next is %s at %s: %s.", next.Name, dayTime(later[0].Due, now, s.zone), next.Task)
	}
	return r
}

// chooseMachines reads the filter: ids or names by comma, or tenders' sets by
// comma, which stand side by side. Neither, or "all", means all machines.
func chooseMachines(all []floor.MachineView, machines, set string) (groups []group, scope, wrong string) {
	if machines == "all" {
		machines, set = "", ""
	}
	var names []string
	take := func(g *group, m floor.MachineView) {
		g.ids, names = append(g.ids, m.ID), append(names, nameOf(m))
	}
	switch {
	case machines != "":
		var g group
		for _, want := range strings.Split(machines, ",") {
			want = strings.TrimSpace(want)
			i := slices.IndexFunc(all, func(m floor.MachineView) bool {
				return want != "" && (m.ID == want || strings.EqualFold(nameOf(m), want))
			})
			if i >= 0 && !slices.Contains(g.ids, all[i].ID) {
				take(&g, all[i])
			}
		}
		if len(g.ids) == 0 {
			return nil, machines, "No machine is called " + machines + "."
		}
		groups = append(groups, g)
	case set != "":
		for _, want := range splitSets(all, set) {
			g := group{title: "Set " + want}
			for _, m := range all {
				if m.Set == want {
					take(&g, m)
				}
			}
			if len(g.ids) > 0 {
				groups = append(groups, g)
			}
		}
		if len(groups) == 0 {
			return nil, "set " + set, "No machine is in set " + set + "."
		}
	default:
		var g group
		for _, m := range all {
			take(&g, m)
		}
		groups = append(groups, g)
	}
	if len(groups) == 1 {
		groups[0].title = ""
	}
	return groups, scopeOf(names, groups, set), ""
}

// splitSets reads sets by comma; a set whose own name has a comma is one set.
func splitSets(all []floor.MachineView, set string) []string {
	if slices.ContainsFunc(all, func(m floor.MachineView) bool { return m.Set == set }) {
		return []string{set}
	}
	var sets []string
	for _, want := range strings.Split(set, ",") {
		if want = strings.TrimSpace(want); want != "" && !slices.Contains(sets, want) && len(sets) < setsBeside {
			sets = append(sets, want)
		}
	}
	return sets
}

func scopeOf(names []string, groups []group, set string) string {
	slices.SortFunc(names, natural)
	switch n := len(names); {
	case n == 0:
		return "no machines"
	case len(groups) > 1:
		return fmt.Sprintf("%d sets, %d machines", len(groups), n)
	case n <= 3:
		return strings.Join(names, ", ")
	case set != "":
		return fmt.Sprintf("set %s, %d machines", set, n)
	default:
		return fmt.Sprintf("%s–%s, %d machines", names[0], names[n-1], n)
	}
}

// setChoices are the links to the tenders' sets.
func setChoices(all []floor.MachineView, q url.Values) []choice {
	var sets []string
	for _, m := range all {
		if m.Set != "" && !slices.Contains(sets, m.Set) {
			sets = append(sets, m.Set)
		}
	}
	if len(sets) == 0 {
		return nil
	}
	slices.SortFunc(sets, natural)
	set, machines := q.Get("set"), q.Get("machines")
	list := []choice{{Word: "all machines", Href: "/creel?machines=all", Current: machines == "all" || set == "" && machines == ""}}
	for _, one := range sets[:min(len(sets), 12)] {
		list = append(list, choice{Word: "set " + one, Href: "/creel" + query("set", one), Current: set == one && machines == ""})
	}
	if n := min(len(sets), setsBeside); n > 1 {
		both := strings.Join(sets[:n], ",")
		word := fmt.Sprintf("sets %s–%s side by side", sets[0], sets[n-1])
		if n == 2 {
			word = fmt.Sprintf("sets %s and %s side by side", sets[0], sets[1])
		}
		list = append(list, choice{Word: word, Href: "/creel" + query("set", both), Current: set == both && machines == ""})
	}
	return list
}

// scopeQuery keeps of a query only the filter of machines.
func scopeQuery(q url.Values) string {
	return strings.TrimPrefix(query("machines", q.Get("machines"), "set", q.Get("set")), "?")
}
