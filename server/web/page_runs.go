package web

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"

	"turnwise/server/floor"
)

// The page of threads: which machine lost when, and why?
type runsData struct {
	Head  runsHead
	Axis  template.HTML
	Rows  []runsRow
	Sort  string
	Sorts []choice
	Twin  runsTwin
	Empty string
	Past  string
	Next  string
	Label string
}

// choice is one of several links of which one is current.
type choice struct {
	Word, Href string
	Current    bool
}

type runsHead struct {
	Title   string // "Morning shift 06:00–14:00, so far 4 h 40 min"
	Share   string
	Origin  string
	Note    string
	Causes  []causeFigure
	NoShare bool
}

type causeFigure struct {
	Letter, Word string
	Minutes      string
	Unit         string
}

type runsRow struct {
	ID, Machine, Name, Label string
	Thread                   template.HTML
	Sentence                 string
	Lost, LostOrigin         string
	Share                    string
	Why                      string
	Abnormal, Silent         bool
}

type runsTwin struct {
	Heads  []string // causes with their letters
	Rows   []twinRow
	Sum    twinRow
	Off    bool
	Groups []string
}

type twinRow struct {
	Name, Elapsed, Run, Unknown, Off string
	Causes                           []string
}

func (s *site) runs(ctx context.Context, q url.Values, now time.Time) (view, error) {
	at, past := now, false
	if t, err := time.ParseInLocation(shiftStamp, q.Get("at"), s.zone); err == nil && t.Before(now) {
		at, past = t, true
	}
	sh, err := s.floor.Shift(ctx, at)
	if err != nil {
		return view{}, fmt.Errorf("web: shift at %s: %w", at.Format(time.RFC3339), err)
	}
	if !past || sh.To.After(now) {
		past = false
	}
	picNow := sh.Now
	if picNow.IsZero() {
		picNow = now
	}
	a := shiftAxis(sh.From, sh.To, picNow)
	hours := hourMarks(a, s.zone)
	words := causeWords(sh)
	d := runsData{
		Head:  s.runsHead(sh, picNow, past),
		Axis:  drawAxis(a, picNow, s.zone, hours, sh.Groups, words),
		Sort:  q.Get("sort"),
		Label: "Threads, one for each machine",
	}
	threads := slices.Clone(sh.Threads)
	sortThreads(threads, d.Sort)
	for _, c := range []choice{{Word: "kg lost"}, {Word: "stops", Href: "stops"}, {Word: "number", Href: "number"}} {
		c.Current = c.Href == d.Sort
		c.Href = "/runs" + query("sort", c.Href, "at", q.Get("at"))
		d.Sorts = append(d.Sorts, c)
	}
	if !sh.From.IsZero() {
		d.Past = "/runs" + query("sort", d.Sort, "at", sh.From.Add(-time.Minute).In(s.zone).Format(shiftStamp))
	}
	if past {
		d.Next = "/runs" + query("sort", d.Sort, "at", sh.To.In(s.zone).Format(shiftStamp))
		if !sh.To.Before(now) {
			d.Next = "/runs" + query("sort", d.Sort)
		}
	}
	v := view{Title: "Runs and stops", Still: past}
	ids := []string{}
	for _, t := range threads {
		row := s.runsRow(t, a, picNow, hours, sh.Groups)
		d.Rows = append(d.Rows, row)
		ids = append(ids, row.ID)
		v.Parts = append(v.Parts, part{ID: row.ID, Template: "runs-row", Data: row})
	}
	if len(threads) == 0 {
		d.Empty = "No machine is registered yet. A machine appears here when its agent is enrolled and first heard."
	}
	d.Twin = newTwin(sh, threads, words, s.zone)
	v.Data = d
	v.Parts = append(v.Parts, part{ID: "sum", Template: "runs-head", Data: d.Head}, part{ID: "axis", Template: "runs-axis", Data: d}, part{ID: "twin", Template: "runs-twin", Data: d.Twin, Slow: true})
	v.Lists = []list{{"threads", ids}}
	return v, nil
}

// shiftStamp is how a link names an instant: local wall time.
const shiftStamp = "2006-01-02T15:04"

func (s *site) runsHead(sh floor.ShiftView, now time.Time, past bool) runsHead {
	h := runsHead{Share: share(sh.RunShare), Origin: counted, NoShare: math.IsNaN(sh.RunShare)}
	if h.NoShare {
		h.Origin = unknown
	}
	name := "Outside the calendar"
	if sh.Name != "" {
		name = capital(sh.Name) + " shift"
	}
	from, to := sh.From.In(s.zone), sh.To.In(s.zone)
	span := from.Format("15:04") + "–" + to.Format("15:04")
	if past {
		h.Title = fmt.Sprintf("%s, %s %s", from.Format("Mon 2 Jan"), strings.ToLower(name[:1])+name[1:], span)
	} else {
		h.Title = fmt.Sprintf("%s %s, so far %s", name, span, soFar(now.Sub(sh.From)))
	}
	h.Note = "run share of the time heard"
	if h.NoShare {
		h.Note = "nothing heard in this shift"
	}
	if sh.UnknownMS > 0 {
		h.Note += "; " + minutes(time.Duration(sh.UnknownMS)*time.Millisecond) + " unknown"
	}
	for _, c := range sh.Lost {
		if c.MS <= 0 || len(h.Causes) == 10 {
			continue
		}
		f := causeFigure{Letter: letter(c.Cause), Word: word(c.Cause), Unit: "min"}
		f.Minutes = thousands((c.MS + 30000) / 60000)
		if c.MS < 60000 {
			f.Minutes, f.Unit = fmt.Sprint(c.MS/1000), "s"
		}
		h.Causes = append(h.Causes, f)
	}
	return h
}

func soFar(d time.Duration) string {
	d = max(0, d.Truncate(time.Minute))
	if d < time.Hour {
		return fmt.Sprintf("%d min", int(d/time.Minute))
	}
	return fmt.Sprintf("%d h %d min", int(d/time.Hour), int(d%time.Hour/time.Minute))
}

func (s *site) runsRow(t floor.Thread, a axis, now time.Time, hours []time.Time, groups []floor.GroupEvent) runsRow {
	row := runsRow{
		ID: domID("r", t.Machine), Machine: t.Machine, Name: t.Name, Label: t.Label,
		Thread: drawThread(t, a, now, hours, groups), Sentence: threadSentence(t),
		Lost: kilos(t.LostKg), LostOrigin: calculated, Share: wholeShare(t.RunShare),
		Why: t.Why, Abnormal: t.Abnormal, Silent: t.Silent,
	}
	if row.Name == "" {
		row.Name = t.Machine
	}
	switch {
	case t.RunMS+t.StopMS == 0:
		row.Lost, row.LostOrigin = "–", unknown
	case t.UnknownMS > 0:
		row.LostOrigin = "k+?"
	}
	return row
}

func sortThreads(t []floor.Thread, by string) {
	stops := func(t floor.Thread) (n int) {
		for _, c := range t.StopsBy {
			n += c.Count
		}
		return n
	}
	byName := func(a, b floor.Thread) int { return natural(a.Name, b.Name) }
	switch by {
	case "number":
		slices.SortStableFunc(t, byName)
	case "stops":
		slices.SortStableFunc(t, func(a, b floor.Thread) int {
			return cmp.Or(cmp.Compare(stops(b), stops(a)), byName(a, b))
		})
	default:
		slices.SortStableFunc(t, func(a, b floor.Thread) int {
			return cmp.Or(cmp.Compare(b.LostKg, a.LostKg), byName(a, b))
		})
	}
}

// natural compares names so that K2 comes before K10.
func natural(a, b string) int {
	digits := func(s string) int {
		n := 0
		for n < len(s) && s[n] >= '0' && s[n] <= '9' {
			n++
		}
		return n
	}
	x, y := a, b
	for x != "" && y != "" {
		if n, m := digits(x), digits(y); n > 0 && m > 0 {
			p, q := strings.TrimLeft(x[:n], "0"), strings.TrimLeft(y[:m], "0")
			if c := cmp.Or(cmp.Compare(len(p), len(q)), cmp.Compare(p, q)); c != 0 {
				return c
			}
			x, y = x[n:], y[m:]
			continue
		}
		if x[0] != y[0] {
			return cmp.Compare(x[0], y[0])
		}
		x, y = x[1:], y[1:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), cmp.Compare(a, b))
}

// causeWords maps knot letters to words, for group events.
func causeWords(sh floor.ShiftView) map[string]string {
	words := map[string]string{}
	note := func(list []floor.CauseMinutes) {
		for _, c := range list {
			l, w := letter(c.Cause), word(c.Cause)
			switch have := words[l]; {
			case have == "":
				words[l] = w
			case !strings.Contains(have, "/") && have != w: // two causes may share a letter
				words[l] = have + "/" + w
			}
		}
	}
	note(sh.Lost)
	for _, t := range sh.Threads {
		note(t.StopsBy)
	}
	return words
}

// newTwin is the table that says the same as the threads. Every row adds up.
func newTwin(sh floor.ShiftView, threads []floor.Thread, words map[string]string, zone *time.Location) runsTwin {
	var tw runsTwin
	var letters []string
	seen := map[string]bool{}
	add := func(list []floor.CauseMinutes) {
		for _, c := range list {
			if l := letter(c.Cause); !seen[l] {
				seen[l] = true
				letters = append(letters, l)
			}
		}
	}
	add(sh.Lost)
	var off int64
	for _, t := range threads {
		add(t.StopsBy)
		off += t.OffMS
		if stopRest(t) > 0 && !seen["?"] {
			seen["?"] = true
			letters = append(letters, "?")
		}
	}
	for _, l := range letters {
		w := words[l]
		if w == "" {
			w = "not given"
		}
		tw.Heads = append(tw.Heads, strings.TrimSuffix(w, " < 30 s")+" "+l)
	}
	tw.Off = off > 0
	sum := make([]int64, 3+len(letters))
	for _, t := range slices.SortedFunc(slices.Values(threads), func(a, b floor.Thread) int { return natural(a.Name, b.Name) }) {
		ms := twinParts(t, letters)
		for i, v := range ms {
			sum[i] += v
		}
		tw.Rows = append(tw.Rows, newTwinRow(t.Name, ms))
	}
	tw.Sum = newTwinRow("all", sum)
	for _, g := range sh.Groups {
		tw.Groups = append(tw.Groups, fmt.Sprintf("%s (%s): %s.", groupText(g, zone, words), letter(floor.Cause{Letter: g.Letter}), strings.Join(g.Machines, " ")))
	}
	return tw
}

// stopRest is stop time that the causes do not explain.
func stopRest(t floor.Thread) int64 {
	rest := t.StopMS
	for _, c := range t.StopsBy {
		rest -= c.MS
	}
	return max(0, rest)
}

// twinParts are run, unknown, off and the causes in the order of letters.
func twinParts(t floor.Thread, letters []string) []int64 {
	ms := make([]int64, 3+len(letters))
	ms[0], ms[1], ms[2] = t.RunMS, t.UnknownMS, t.OffMS
	for _, c := range t.StopsBy {
		ms[3+slices.Index(letters, letter(c.Cause))] += c.MS
	}
	if rest := stopRest(t); rest > 0 {
		ms[3+slices.Index(letters, "?")] += rest
	}
	return ms
}

func newTwinRow(name string, ms []int64) twinRow {
	sec, whole := apportion(ms)
	r := twinRow{Name: name, Elapsed: clock(whole), Run: clock(sec[0]), Unknown: clock(sec[1]), Off: clock(sec[2])}
	for _, s := range sec[3:] {
		r.Causes = append(r.Causes, clock(s))
	}
	return r
}

func capital(s string) string {
	for i, r := range s {
		return strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}

// query builds "?a=b&c=d" of the pairs that have a value.
func query(pairs ...string) string {
	v := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			v.Set(pairs[i], pairs[i+1])
		}
	}
	if len(v) == 0 {
		return ""
	}
	return "?" + v.Encode()
}
