package web

import (
	"context"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"
	"time"

	"turnwise/server/store"
)

const (
	copiesBack = 14 * 24 * time.Hour // that the line of backups shows
	heldShown  = 20
)

// The page of records: is there a copy of them, and since when are they kept?
type recordsData struct {
	Empty                string
	Number, Unit, Note   string // age of the newest verified backup
	Late, Failed         string
	Copies, Span, File   template.HTML
	CopiesWords          string
	SpanWords, FileWords string
	Facts                []recordFact
	Held                 []store.Held
	More, Clock          string
	Table                []copyRow
}

// recordFact is one thing that is known, with the letter of its origin.
type recordFact struct{ What, How, Origin string }

type copyRow struct{ Taken, Records, Bytes, File string }

func (s *site) records(ctx context.Context, _ url.Values, now time.Time) (view, error) {
	v := view{Title: "Records and backups", Still: true}
	if s.o.Upkeep == nil {
		v.Data = recordsData{Empty: "This server does not tell how its records are kept."}
		return v, nil
	}
	u, err := s.o.Upkeep(ctx)
	if err != nil {
		return view{}, fmt.Errorf("web: how records are kept: %w", err)
	}
	d := recordsData{Copies: drawCopies(&u, now), Span: s.drawSpan(&u, now), File: drawFile(&u)}
	limit := spell(u.BackupLimit)
	if c := u.LastBackup(); c != nil {
		d.Number, d.Unit = age(now.Sub(c.Taken))
		d.Note = fmt.Sprintf("old is the newest verified backup, of %s; %s are allowed", dayTime(c.Taken, now, s.zone), limit)
	} else {
		d.Note = fmt.Sprintf("No verified backup was taken yet. The first one should come within %s.", limit)
	}
	if u.BackupLate(now) {
		d.Late = fmt.Sprintf("No verified backup is younger than %s: a broken disk would lose what agents no longer hold. Look at the folder of the backups and take one: server backup.", limit)
	}
	if !u.BackupFailed.IsZero() {
		d.Failed = sentence(fmt.Sprintf("The newest attempt, %s, failed: %s", dayTime(u.BackupFailed, now, s.zone), u.BackupFailure))
	}
	recent := 0
	for _, c := range u.Backups {
		if now.Sub(c.Taken) <= copiesBack {
			recent++
		}
		d.Table = append(d.Table, copyRow{dayTime(c.Taken, now, s.zone), thousands(c.Records), bytesOf(c.Bytes), c.File})
	}
	d.CopiesWords = "none was taken"
	if recent > 0 {
		d.CopiesWords = fmt.Sprintf("%d %s checked in full", recent, plural(recent, "backup was", "backups were"))
	}
	s.recordsFacts(&d, &u, now)
	v.Data = d
	return v, nil
}

func (s *site) recordsFacts(d *recordsData, u *store.Upkeep, now time.Time) {
	d.SpanWords = "No record is kept."
	if !u.Oldest.IsZero() {
		d.SpanWords = "The oldest record is of " + u.Oldest.In(s.zone).Format("2 Jan 2006, 15:04") + "."
	}
	d.Facts = []recordFact{{"records kept", thousands(u.Records), "c"}, {"older ones, as sums", thousands(u.Dropped), "c"}}
	switch {
	case u.Retain == 0:
		d.Facts = append(d.Facts, recordFact{"dropped", "never", "e"})
	case u.NextPrune.IsZero():
		d.Facts = append(d.Facts, recordFact{"dropped", "after " + spell(u.Retain), "e"})
	default:
		d.Facts = append(d.Facts, recordFact{"dropped", "after " + spell(u.Retain), "e"},
			recordFact{"next prune", dayTime(u.NextPrune, now, s.zone), ""}, recordFact{"drops at the most about", thousands(u.NextCount), "k"})
	}
	if p := u.LastPrune; p != nil {
		how := fmt.Sprintf("%s: %s records, well", dayTime(p.At, now, s.zone), thousands(p.Records))
		if p.Error != "" {
			how = fmt.Sprintf("%s: %s records, then it ended early: %s", dayTime(p.At, now, s.zone), thousands(p.Records), p.Error)
		}
		d.Facts = append(d.Facts, recordFact{"newest prune", how, "c"}, recordFact{"room given back then", bytesOf(p.Given), "c"})
		d.Held = slices.Clone(p.Held[:min(len(p.Held), heldShown)])
		for i := range d.Held {
			d.Held[i].Machine = s.machineName(d.Held[i].Machine)
		}
		if n := len(p.Held) - len(d.Held); n > 0 {
			d.More = fmt.Sprintf("%d more are left out; `planner upkeep` lists them.", n)
		}
	}
	by, clock := s.setBackWords(u.SetBack, now)
	d.Facts, d.Clock = append(d.Facts, recordFact{"this server's clock", by, "c"}), clock
	words := []string{bytesOf(u.FileBytes) + ", " + bytesOf(u.FreeBytes) + " of it free"}
	if u.DiskFree >= 0 {
		words = append(words, bytesOf(u.DiskFree)+" are free on its disk")
	}
	if !u.GivesBack {
		words = append(words, "it cannot give room back until `server shrink` made it anew once")
	}
	d.FileWords = strings.Join(words, "; ") + "."
}

// setBackWords says whether the server's clock was set back, and when that was seen and what follows.
func (s *site) setBackWords(b *store.SetBack, now time.Time) (by, clock string) {
	if b == nil {
		return "never seen set back", ""
	}
	by = fmt.Sprintf("%.0f s", b.By.Seconds())
	switch {
	case b.By >= 48*time.Hour:
		by = fmt.Sprintf("%.1f days", b.By.Hours()/24)
	case b.By >= 2*time.Hour:
		by = fmt.Sprintf("%.1f h", b.By.Hours())
	case b.By >= 2*time.Minute:
		by = fmt.Sprintf("%.0f min", b.By.Minutes())
	}
	where := ""
	if b.Machine != "" {
		where = " at " + s.machineName(b.Machine)
	}
	return "set back by " + by, fmt.Sprintf("The clock was last seen set back %s%s. Turns near then may be told with bounds. See to the time service of the server's computer.", dayTime(b.Seen, now, s.zone), where)
}

// age is how old something is, coarse enough to be read at a glance.
func age(d time.Duration) (number, unit string) {
	switch d = max(d, 0); {
	case d < time.Hour:
		return fmt.Sprint(int(d.Minutes())), "min"
	case d < 72*time.Hour:
		return fmt.Sprint(int(d.Hours())), "h"
	}
	return fmt.Sprint(int(d.Hours() / 24)), "days"
}

// spell says a length of whole days or hours in words.
func spell(d time.Duration) string {
	if n := int(d.Hours() / 24); n > 0 && d%(24*time.Hour) == 0 {
		return fmt.Sprintf("%d %s", n, plural(n, "day", "days"))
	}
	n := int(d.Hours())
	return fmt.Sprintf("%d %s", n, plural(n, "hour", "hours"))
}

// bytesOf is a size with the unit in which it is read best.
func bytesOf(n int64) string {
	if n >= 1e9 {
		return fmt.Sprintf("%.1f GB", float64(n)/1e9)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}

// drawCopies draws each backup of two weeks, and where the newest should lie.
func drawCopies(u *store.Upkeep, now time.Time) template.HTML {
	a := axis{now.Add(-copiesBack), now}
	d := newDrawing("copies", 42)
	from := a.x(now.Add(-u.BackupLimit))
	d.rect("sun", from, 100-from, 2, 20)
	d.line("base", 0, 22, 100, 22)
	for i := range 15 {
		d.tick("base", 100*float64(i)/14, 22, 25)
	}
	for _, c := range u.Backups {
		if now.Sub(c.Taken) <= copiesBack {
			d.dot("bd", min(max(a.x(c.Taken), .6), 99.4), 12, 4.2)
		}
	}
	d.text("ax", "start", 0, 38, "", "14 days ago")
	d.text("ax", "middle", 50, 38, "", "a week ago")
	d.text("ax", "end", 100, 38, "", "now")
	return d.html()
}

// drawSpan draws since when records are kept, and from when on they are dropped.
func (s *site) drawSpan(u *store.Upkeep, now time.Time) template.HTML {
	from := u.Created
	if !u.Oldest.IsZero() && u.Oldest.Before(from) || from.IsZero() {
		from = u.Oldest
	}
	if cut := now.Add(-u.Retain); u.Retain > 0 && cut.Before(from) {
		from = cut
	}
	if from.IsZero() || !from.Before(now) {
		from = now.Add(-24 * time.Hour)
	}
	a := axis{from.Add(-now.Sub(from) / 30), now}
	d := newDrawing("span", 42)
	d.line("base", 0, 22, 100, 22)
	if !u.Oldest.IsZero() {
		x := min(a.x(u.Oldest), 99)
		d.rect("run", x, 100-x, 6, 12)
		if u.Dropped > 0 {
			d.line("unk", 0, 12, x, 12)
		}
	} else if u.Dropped > 0 {
		d.line("unk", 0, 12, 100, 12)
	}
	if u.Retain > 0 {
		d.post("pr", a.x(now.Add(-u.Retain)), 3, 2, 20)
	}
	d.text("ax", "start", 0, 38, "", a.from.In(s.zone).Format("2 Jan 2006"))
	d.text("ax", "end", 100, 38, "", "now")
	return d.html()
}

// drawFile draws what of the file is in use.
func drawFile(u *store.Upkeep) template.HTML {
	d := newDrawing("file", 20)
	used := 100.0
	if u.FileBytes > 0 {
		used = 100 * float64(u.FileBytes-u.FreeBytes) / float64(u.FileBytes)
	}
	d.rect("off", used, 99.8-used, 5, 10)
	d.rect("run", 0, min(used, 99.8), 4, 12)
	return d.html()
}
