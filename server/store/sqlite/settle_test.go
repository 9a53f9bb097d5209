package sqlite

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/server/store"
)

// olderSums is a mill of which k02 was booked by older rules that gave other times.
const olderSums = `UPDATE applied SET rules = rules - 1 WHERE machine_num = 2;
	UPDATE account SET run_ms = run_ms - 7, stop_ms = stop_ms + 7, lost_max = lost_max + 1 WHERE machine_num = 2; UPDATE meta SET writes = writes + 1`

// Sums that records alone can show stay for a time, which is told; then they are
// settled to the digit as they stood, with the difference in words, their records
// go, and all that comes after is counted again in full.
func TestSettle(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	defer func() { s.Close() }()
	smallMill(t, s)
	today, _, err := s.Totals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	spoil(t, s.file, olderSums)
	want := sums(t, s)
	p := prune(t, s, time.Hour, 0) // everything is old, but not by 90 days
	if len(p.Machines) != 2 || p.Machines[1].Records != 0 || p.Machines[1].Settled != "" || !strings.Contains(p.Machines[1].Kept, "settled as they stand when they are 90 days older") {
		t.Fatalf("%+v, want records of k02 kept, and until when", p)
	}
	o := PruneOptions{Before: start.Add(300 * time.Second), SettleAfter: time.Second, Most: 10, DryRun: true}
	would, err := s.Prune(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	o.DryRun = false
	did, err := s.Prune(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	words := fmt.Sprintf("account: kept run ms = %d, today's rules give %d; account: kept stop ms = %d, today's rules give %d; account: kept lost at most = 1, today's rules give 0",
		today[1].RunMS-7, today[1].RunMS, today[1].StopMS+7, today[1].StopMS)
	for what, p := range map[string]*Pruned{"would": would, "did": did} {
		if len(p.Machines) != 1 || p.Machines[0].Records != 29 || p.Machines[0].Kept != "" || p.Machines[0].Settled != words {
			t.Errorf("%s %+v", what, p)
		}
	}
	if got := sums(t, s); !slices.Equal(got, want) {
		t.Errorf("sums\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	rep := undamaged(t, s.file)
	if len(rep.Settled) != 1 || rep.Settled[0].Machine != "k02" || rep.Settled[0].Words != words || !rep.Settled[0].At.Equal(s.now()) || rep.Recounted != 2 {
		t.Errorf("%+v", rep)
	}
	if again, err := s.Prune(t.Context(), o); err != nil || len(again.Machines) != 0 {
		t.Errorf("again %+v, %v", again, err)
	}
	// It goes on by today's rules, after a start and a restore too.
	commit(t, s, spans(t, "k02", 65, 80))
	s.Close()
	s = open(t, dir)
	if o := commit(t, s, spans(t, "k02", 1, 60)); o.Applied != 0 {
		t.Errorf("told again: %+v", o)
	}
	if o := commit(t, s, spans(t, "k02", 81, 90)); o.Acked != 90 {
		t.Errorf("%+v", o)
	}
	undamaged(t, s.file)
	book := func(seconds int) error {
		_, err := s.ApplyBook(t.Context(), store.Book{Assignments: []store.Assignment{{Machine: "k02", From: start.Add(time.Duration(seconds) * time.Second), Order: "SO-1", Card: "c1"}}}, false)
		return err
	}
	if err := book(700); !errors.Is(err, store.ErrInvalid) || !strings.Contains(err.Error(), "sums settled") {
		t.Errorf("an assignment of before: %v", err)
	}
	if err := book(810); err != nil {
		t.Error(err)
	}
	take(t, s, filepath.Join(dir, "b.db"))
	s.Close()
	if _, err := Restore(t.Context(), file(dir), filepath.Join(dir, "b.db"), RestoreOptions{}); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	want = sums(t, s)
	if p := prune(t, s, time.Hour, 7); p.Records != 35+26 {
		t.Errorf("%+v, want 35 settled records and 26 after them", p)
	}
	if got := sums(t, s); !slices.Equal(got, want) {
		t.Error("other sums after the rest was dropped")
	}
	undamaged(t, s.file)
}

// What is damaged is not settled, and what is wrong in what was settled is found.
func TestSettledDamage(t *testing.T) {
	for _, c := range []struct {
		name, before, after, want string
		settled                   bool
	}{
		{"nothing", ``, ``, "", true},
		{"turns", `UPDATE account SET revolutions = revolutions + 1 WHERE machine_num = 2`, ``, "account of machine k02: found revolutions = ", false},
		{"unread", `UPDATE stream SET unread = 1 WHERE num = 2`, ``, "", false},
		{"too many", ``, `UPDATE settled SET last_seq = 100`, "account of machine k02", true},
		{"words", ``, `DROP TRIGGER guard_settlement_update; UPDATE settlement SET words = ''`, "table settlement", true},
		{"base", ``, `UPDATE base_account SET run_ms = run_ms + 1, stop_ms = stop_ms - 1 WHERE machine_num = 2`, "account of machine k02", true},
		{"kept", ``, `UPDATE account SET run_ms = run_ms + 1, stop_ms = stop_ms - 1 WHERE machine_num = 2`, "account of machine k02", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := inMemory(t)
			s := open(t, dir)
			smallMill(t, s)
			spoil(t, s.file, olderSums+`;`+c.before)
			if _, err := s.FallBack(t.Context(), start.AddDate(1, 0, 0)); err != nil {
				t.Fatal(err)
			}
			p, err := s.Prune(t.Context(), PruneOptions{Before: start.Add(300 * time.Second), SettleAfter: time.Second})
			if err != nil {
				t.Fatal(err)
			}
			if settled := p.Machines[len(p.Machines)-1].Settled != ""; settled != c.settled {
				t.Errorf("settled %v, want %v: %+v", settled, c.settled, p)
			}
			commit(t, s, spans(t, "k02", 65, 100))
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if c.after != "" {
				spoil(t, file(dir), c.after)
			}
			rep, err := Verify(t.Context(), file(dir), VerifyOptions{})
			if err != nil {
				t.Fatal(err)
			}
			all := fmt.Sprint(rep.Damages)
			if c.want == "" && len(rep.Damages) > 0 || !strings.Contains(all, c.want) {
				t.Errorf("%s, want %q in it", all, c.want)
			}
		})
	}
}
