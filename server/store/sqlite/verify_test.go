package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"turnwise/server/store"
)

// spoilt are the databases that a test has changed behind the store's back.
// Tests of this package are not parallel.
var spoilt = map[string]bool{}

// undamaged verifies a database in which nothing may be wrong: what was kept
// while records came in is what they give when they are read again.
func undamaged(t *testing.T, file string) *Report {
	t.Helper()
	rep, err := Verify(context.Background(), file, VerifyOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range rep.Damages {
		t.Errorf("%s", d)
	}
	if rep.InPart > 0 {
		t.Errorf("%d machines were recounted in part", rep.InPart)
	}
	return rep
}

// spoil executes a statement behind the store's back.
func spoil(t *testing.T, file, statement string) {
	t.Helper()
	spoilt[file] = true
	db := sql.OpenDB(connector{dsn(file, "")})
	defer db.Close()
	if _, err := db.Exec(statement); err != nil {
		t.Fatal(err)
	}
}

// unguard takes away what guards the tables, as in a database of before.
func unguard(t *testing.T, file string) {
	t.Helper()
	spoilt[file] = true
	db := sql.OpenDB(connector{dsn(file, "")})
	defer db.Close()
	drop := `DROP TABLE guard;`
	err := each(t.Context(), db, func(rows *sql.Rows) error {
		var name string
		err := rows.Scan(&name)
		drop += `DROP TRIGGER ` + name + `;`
		return err
	}, `SELECT name FROM sqlite_schema WHERE type = 'trigger'`)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(drop); err != nil {
		t.Fatal(err)
	}
}

// a day of two machines with stops, unknown time and an assignment.
func smallMill(t *testing.T, s *Store) {
	t.Helper()
	_, err := s.ApplyBook(t.Context(), store.Book{
		Machines:    []store.Machine{{ID: "k01"}, {ID: "k02"}},
		Agents:      []store.BookAgent{{ID: "a1", Machines: []string{"k01", "k02"}}, {ID: "a2", Machines: []string{"k01"}}},
		Yarns:       []store.Yarn{{ID: "y1", Count: "20 tex"}},
		Articles:    []store.Article{{ID: "sj"}},
		Cards:       []store.Card{{ID: "c1", Article: "sj", Feeds: []store.FeedGroup{{ID: "ground", Yarn: "y1", Feeders: 96, CourseLengthM: 7.5}}}},
		Orders:      []store.Order{{ID: "SO-1", Article: "sj", QuantityKg: 100}},
		Assignments: []store.Assignment{{Machine: "k01", From: start.Add(105 * time.Second), Order: "SO-1", Card: "c1"}},
	}, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []string{"k01", "k02"} {
		commit(t, s, spans(t, m, 1, 60))
		last := m[len(m)-1]
		commit(t, s, seal(t, "a1", m, store.Batch{
			Stream: store.ID{1, last}, Run: store.ID{2}, FirstSeq: 61, HeadSeq: 64, Boots: map[uint32]store.ID{1: {3}},
			Clock: store.Clock{Boot: 1, Boottime: 800e9, Wall: start.UnixNano() + 800e9},
			Records: []store.Record{
				{Boot: 1, Boottime: 610e9, Kind: &store.StopBegin{Stop: store.ID{7, last}, Input: true, Cause: "yarn"}},
				{Boot: 1, Boottime: 650e9, Kind: &store.StopEnd{Stop: store.ID{7, last}}},
				{Boot: 1, Boottime: 700e9, Kind: &store.StateGap{FromBoot: 1, FromBoottime: 660e9, Reason: "agent down"}},
				{Boot: 1, Boottime: 800e9, Kind: &store.CountSpan{Life: store.ID{4, last}, From: 240, To: 280, FromBoottime: 700e9}},
			},
		}))
	}
}

func TestVerify(t *testing.T) {
	for _, c := range []struct{ name, statement, want string }{
		{"nothing", `UPDATE meta SET writes = writes + 1`, ""},
		{"body of a record", `UPDATE record SET body = CAST(zeroblob(length(body)) AS BLOB) WHERE stream_num = 1 AND seq = 7`, "record 7 of stream 0131"},
		{"check sum of a record", `UPDATE record SET crc = crc + 1 WHERE stream_num = 2 AND seq = 9`, "as the agent sealed it"},
		{"record gone", `DELETE FROM record WHERE stream_num = 1 AND seq = 12`, "found record 13, expected record 12"},
		{"newest record gone", `DELETE FROM record WHERE stream_num = 1 AND seq = 64`, "records up to 63, expected up to 64"},
		{"record of nobody", `INSERT INTO record VALUES (9, 1, 10, 0, x'00')`, "no such stream"},
		{"acknowledged", `UPDATE stream SET acked = 65 WHERE num = 1`, "expected up to 65"},
		{"horizon", `UPDATE stream SET horizon = 65 WHERE num = 1`, "backup horizon 65"},
		{"account", `UPDATE account SET revolutions = revolutions + 1 WHERE machine_num = 1`, "account of machine k01: found revolutions = 281, expected 280"},
		{"time", `UPDATE account SET run_ms = run_ms - 1 WHERE machine_num = 1`, "run + stop + unknown"},
		{"rollup", `UPDATE rollup SET run_ms = run_ms + 1 WHERE machine_num = 2 AND grain_ms = 300000`, "rollup of machine k02"},
		{"rollup gone", `DELETE FROM rollup WHERE machine_num = 2 AND grain_ms = 3600000`, "rollup of machine k02: found 60 min at"},
		{"assignment count", `UPDATE assignment_count SET revolutions = revolutions + 1 WHERE from_ms > 0`, "assignment counts of machine k01"},
		{"stop", `UPDATE stop SET end_ms = end_ms + 1 WHERE machine_num = 2`, "stops of machine k02"},
		{"stop gone", `DELETE FROM stop WHERE machine_num = 2`, "stops of machine k02: found rows = 0, expected 1"},
		{"cause", `UPDATE cause_count SET cause = 'yarm' WHERE machine_num = 1`, "stops by cause of machine k01"},
		{"unknown time", `UPDATE gap SET to_ms = to_ms + 1 WHERE machine_num = 1`, "unknown times of machine k01"},
		{"counter life", `UPDATE life SET max = max + 1 WHERE machine_num = 1`, "counter lives of machine k01"},
		{"boot", `UPDATE boot SET offset_ns = offset_ns + 1000000`, "account of machine k01: found first"},
		{"reference", `DELETE FROM machine WHERE num = 2`, "table machine does not have"},
		{"book", `UPDATE book SET body = substr(body, 2) WHERE kind = 'order'`, "order SO-1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir)
			smallMill(t, s)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			spoil(t, file(dir), c.statement)
			rep, err := Verify(t.Context(), file(dir), VerifyOptions{})
			if err != nil {
				t.Fatal(err)
			}
			var all []string
			for _, d := range rep.Damages {
				all = append(all, d.String())
			}
			if text := strings.Join(all, "\n"); c.want == "" && text != "" || !strings.Contains(text, c.want) {
				t.Errorf("found %q, want %q", text, c.want)
			} else if c.want != "" && !strings.Contains(rep.Err().Error(), "server restore") {
				t.Errorf("error %v, want what to do", rep.Err())
			}
		})
	}
}

// A machine whose agents were exchanged back and forth is counted again in the
// order in which its records came.
func TestVerifyTwoStreams(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	smallMill(t, s)
	other := func(first, last uint64) {
		b := spans(t, "k01", first, last)
		b.Stream, b.Run, b.Agent = store.ID{1, 'x'}, store.ID{2, 'x'}, "a2"
		b.Boots = map[uint32]store.ID{1: {3, 'x'}}
		b.Clock.Boottime += 1000e9
		b.Clock.Wall += 1000e9
		b.Received = b.Received.Add(1000 * time.Second)
		for i := range b.Records {
			b.Records[i].Boottime += 1000e9
			k := b.Records[i].Kind.(*store.CountSpan)
			k.From, k.To, k.FromBoottime = k.From+250, k.To+250, k.FromBoottime+1000e9
		}
		commit(t, s, seal(t, "a2", "k01", b))
	}
	other(1, 10)
	old := spans(t, "k01", 65, 70)
	old.Received = old.Received.Add(1001 * time.Second) // late word
	commit(t, s, old)
	other(11, 20)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if rep := undamaged(t, file(dir)); rep.Recounted != 2 || rep.Records != 154 {
		t.Errorf("%+v", rep)
	}
	// Where the order is not known only what does not depend on it is checked.
	spoil(t, file(dir), `DELETE FROM applied WHERE machine_num = 1`)
	rep, err := Verify(t.Context(), file(dir), VerifyOptions{})
	if err != nil || rep.Err() != nil || rep.InPart != 1 || rep.Recounted != 1 {
		t.Errorf("%+v, %v, %v", rep, err, rep.Err())
	}
	spoil(t, file(dir), `UPDATE account SET revolutions = revolutions + 1 WHERE machine_num = 1`)
	if rep, err := Verify(t.Context(), file(dir), VerifyOptions{}); err != nil || rep.Err() == nil {
		t.Errorf("%+v, %v", rep, err)
	}
}

// firstSchema takes everything away that later versions added.
func firstSchema(t *testing.T, file string) {
	t.Helper()
	unguard(t, file)
	old := `DROP TABLE backup_failure; DROP TABLE prune_run; DROP TABLE settled; DROP TABLE settlement; DROP TABLE dropped; DROP TABLE base_account; DROP TABLE base_life; DROP TABLE base_life_join; DROP TABLE base_stop; DROP TABLE base_gap; DROP TABLE base_cause_count; DROP TABLE base_rollup; DROP TABLE base_assignment_count; DROP TABLE creel_position; DROP TABLE creel_reading; DROP TABLE creel_learnt; DROP TABLE applied; DROP TABLE bounded; DROP TABLE backup; DROP TABLE kept_forecast; DROP TABLE loading_plan; DROP TABLE task_tap; DROP TABLE lot_move; DROP TABLE lot_release; DROP TABLE alarm; DROP TABLE alarm_act; DROP TABLE task_call; DROP TABLE life_join; DROP TABLE boot_line; DROP VIEW v1_totals; DELETE FROM goose_db_version WHERE version_id > 1;`
	for table, columns := range map[string]string{
		"life":    "raw ext raw_bits read_ms read_stream read_boot read_boottime prev prev_per_rev prev_to",
		"account": "life life_per_rev gone inched max_rpm", "stream": "begin_ms covers fence_ms closed unread met_ms vague late buried back_ms", "refused": "how", "agent_machine": "turn",
		"stream_boot": "booked_ns", "rollup": "inched", "meta": "kinds fine_from_ms", "creel_load": "work positions places cone_cv cone_turns", "assignment": "planned planned_ms",
	} {
		for column := range strings.FieldsSeq(columns) {
			old += fmt.Sprintf("ALTER TABLE %s DROP COLUMN %s;", table, column)
		}
	}
	spoil(t, file, old)
}

// A database of an older schema is brought up to date. Its sums, which older
// rules made, are those of today's.
func TestVerifyOlderSchema(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	smallMill(t, s)
	for i := range int64(3) {
		if _, err := s.AddLoad(t.Context(), store.Load{Machine: "k01", Group: "ground", Cones: 4 - int(i), At: time.UnixMilli(i + 1), Revolutions: 10 * i}); err != nil {
			t.Fatal(err)
		}
	}
	stood, err := s.Positions(t.Context())
	if err := errors.Join(err, s.Close()); err != nil || len(stood) != 4 {
		t.Fatalf("%d positions of 4, %v", len(stood), err)
	}
	firstSchema(t, file(dir))
	if _, err := Verify(t.Context(), file(dir), VerifyOptions{}); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("schema is version 1, this program needs %d", newestSchema)) {
		t.Errorf("error %v, want the versions", err)
	}
	s = open(t, dir)
	if now, err := s.Positions(t.Context()); err != nil || !reflect.DeepEqual(now, stood) {
		t.Errorf("positions made of the loads of an older database %+v, %v, want %+v", now, err, stood)
	}
	commit(t, s, spans(t, "k01", 65, 90))
	commit(t, s, spans(t, "k02", 65, 90))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	rep, err := Verify(t.Context(), file(dir), VerifyOptions{})
	if err != nil || rep.Err() != nil || rep.Schema != newestSchema || rep.Recounted != 2 {
		t.Errorf("%+v, %v", rep, err)
	}
	// Had the older rules given another sum, that would be no damage; it would be by
	// today's, and other turns always are.
	spoil(t, file(dir), `UPDATE account SET lost_max = lost_max + 1 WHERE machine_num = 1`)
	if rep, err := Verify(t.Context(), file(dir), VerifyOptions{}); err != nil || rep.Err() != nil || rep.InPart != 1 || rep.Recounted != 1 {
		t.Errorf("%+v, %v", rep, err)
	}
	for _, damage := range []string{fmt.Sprintf(`UPDATE applied SET rules = %d`, bookingRules), `UPDATE applied SET rules = 1; UPDATE account SET revolutions = revolutions + 1 WHERE machine_num = 1`} {
		spoil(t, file(dir), damage)
		if rep, err := Verify(t.Context(), file(dir), VerifyOptions{}); err != nil || rep.Err() == nil {
			t.Errorf("%s: %+v, %v", damage, rep, err)
		}
	}
}

// Positions that are not those of the loads are damage, also where the sums agree.
func TestVerifyPositions(t *testing.T) {
	for what, damage := range map[string]string{
		"another load": `UPDATE creel_position SET load_id = 1 WHERE number = 1`, "another turn": `UPDATE creel_position SET at = at + 1 WHERE number = 2`,
		"one missing": `DELETE FROM creel_position WHERE number = 3`, "a load marked": `UPDATE creel_load SET undone = 1 WHERE id = 2`,
	} {
		dir := t.TempDir()
		s := open(t, dir)
		smallMill(t, s)
		for i := range int64(2) {
			if _, err := s.AddLoad(t.Context(), store.Load{Machine: "k01", Group: "ground", Cones: 3, At: time.UnixMilli(i + 1), Revolutions: 10 * i}); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		undamaged(t, file(dir))
		unguard(t, file(dir))
		spoil(t, file(dir), damage+`; CREATE TABLE guard (name TEXT PRIMARY KEY, sum INTEGER NOT NULL) WITHOUT ROWID`)
		s = open(t, dir) // makes the sums anew
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		rep, err := Verify(t.Context(), file(dir), VerifyOptions{})
		if err != nil || len(rep.Damages) != 1 || rep.Damages[0].Place != "table creel_position" {
			t.Errorf("%s: %+v, %v", what, rep, err)
		}
	}
}

// The version that verification knows is that of the last migration.
func TestNewestSchema(t *testing.T) {
	entries, err := migrations.ReadDir("migrations")
	if err != nil || len(entries) != newestSchema {
		t.Errorf("%d migrations, %v, newestSchema is %d", len(entries), err, newestSchema)
	}
}

// A server that was ended in the midst of an upgrade, or an older one, may have left
// any schema behind: each of them is looked at and brought up to date.
func TestEverySchemaOpens(t *testing.T) {
	for n := int64(1); n < newestSchema; n++ {
		dir := t.TempDir()
		if err := os.MkdirAll(filepath.Dir(file(dir)), 0o700); err != nil {
			t.Fatal(err)
		}
		upTo(t, file(dir), n)
		s, err := Open(t.Context(), file(dir), Options{Log: quiet})
		if err != nil {
			t.Errorf("schema %d: %v", n, err)
			continue
		}
		s.Close()
		undamaged(t, file(dir))
	}
}

// Beside a server that writes, a verification sees one moment.
func TestVerifyBesideWriter(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	register(t, s, "k01")
	var batches []store.Batch
	for i := range uint64(40) {
		batches = append(batches, spans(t, "k01", 25*i+1, 25*i+25))
	}
	done := make(chan error, 1)
	go func() {
		for _, b := range batches {
			if _, err := s.Commit(context.Background(), []store.Batch{b}); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	for range 10 {
		undamaged(t, s.file)
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

func TestDamagedAtStart(t *testing.T) {
	for _, statement := range []string{
		`UPDATE record SET body = CAST(zeroblob(length(body)) AS BLOB) WHERE stream_num = 1 AND seq = 60`,
		`DELETE FROM record WHERE stream_num = 1 AND seq = 64`,
	} {
		dir := t.TempDir()
		s := open(t, dir)
		smallMill(t, s)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		spoil(t, file(dir), statement)
		_, err := Open(t.Context(), file(dir), Options{Log: quiet})
		if err == nil || !strings.Contains(err.Error(), "server restore") || !strings.Contains(err.Error(), file(dir)) {
			t.Errorf("%s: error %v, want the file and what to do", statement, err)
		}
	}
}
