package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/mattn/go-sqlite3"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/rightstest"
	"turnwise/proto/wire"
	"turnwise/server/ingest"
	"turnwise/server/store"
	"turnwise/server/store/storetest"
)

// start of the invented days of the tests.
var start = time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)

func TestStore(t *testing.T) {
	storetest.Run(t, func(t *testing.T, dir string) store.Store {
		t.Cleanup(func() { undamaged(t, file(dir)) })
		return open(t, dir)
	})
}

// What each connection of a store keeps in memory is as it was set.
func TestCache(t *testing.T) {
	for _, tt := range []struct {
		set  int64
		want int // as SQLite says it: less than 0 is KiB
	}{{0, -32768}, {2 << 20, -2048}} {
		s, err := Open(t.Context(), file(t.TempDir()), Options{Cache: tt.set})
		if err != nil {
			t.Fatal(err)
		}
		var read, write int
		if err := s.read.QueryRow("PRAGMA cache_size").Scan(&read); err != nil {
			t.Fatal(err)
		}
		if err := s.w.row(t.Context(), "PRAGMA cache_size").Scan(&write); err != nil {
			t.Fatal(err)
		}
		if read != tt.want || write != tt.want {
			t.Errorf("a cache of %d bytes: cache_size %d and %d, want %d", tt.set, read, write, tt.want)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestPromiseRecord(t *testing.T) {
	storetest.RunPromises(t, func(t *testing.T, dir string) interface {
		store.PromiseRecord
		Close() error
	} {
		return open(t, dir)
	})
}

func TestPlans(t *testing.T) {
	storetest.RunPlans(t, func(t *testing.T, dir string) storetest.PlanStore { return open(t, dir) })
}

func TestCreelRecord(t *testing.T) {
	storetest.RunCreel(t, func(t *testing.T, dir string) interface {
		store.Store
		store.CreelRecord
	} {
		return open(t, dir)
	})
}

func TestAlarmRecord(t *testing.T) {
	storetest.RunAlarms(t, func(t *testing.T, dir string) interface {
		store.Store
		store.AlarmRecord
	} {
		return open(t, dir)
	})
}

func file(dir string) string { return filepath.Join(dir, "books of the mill?", "turnwise.db") }

func open(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(t.Context(), file(dir), Options{Log: quiet, Now: func() time.Time { return start.AddDate(0, 0, 1) }})
	if err != nil {
		t.Fatal(err)
	}
	if t, ok := t.(*testing.T); ok {
		t.Cleanup(func() { verifyAfterwards(t, file(dir)) })
	}
	return s
}

// verifyAfterwards looks at the invariants when a test is over, unless the
// test has spoilt or removed the database.
func verifyAfterwards(t *testing.T, file string) {
	t.Helper()
	if _, err := os.Stat(file); err != nil || spoilt[file] || t.Failed() {
		return
	}
	rep, err := Verify(context.Background(), file, VerifyOptions{})
	if err == nil {
		err = rep.Err()
	}
	if err != nil && !errors.Is(err, store.ErrNewerSchema) { // which the store refuses too
		t.Errorf("after the test: %v", err)
	}
}

// spans is a batch of count spans of 10 s with 4 revolutions each, seqs first
// to last of one stream.
func spans(t testing.TB, machine string, first, last uint64) store.Batch {
	t.Helper()
	b := store.Batch{
		Stream: store.ID{1, machine[len(machine)-1]}, Run: store.ID{2}, FirstSeq: first, HeadSeq: last, Boots: map[uint32]store.ID{1: {3}},
		Clock: store.Clock{Boot: 1, Boottime: int64(last) * 10e9, Wall: start.UnixNano() + int64(last)*10e9},
	}
	for n := first; n <= last; n++ {
		b.Records = append(b.Records, store.Record{Boot: 1, Boottime: int64(n) * 10e9, Wall: start.UnixNano() + int64(n)*10e9, Kind: &store.CountSpan{
			Life: store.ID{4, machine[len(machine)-1]}, From: 4 * (n - 1), To: 4 * n, FromBoottime: int64(n-1) * 10e9, PerRev: 1,
		}})
	}
	return seal(t, "a1", machine, b)
}

// seal sends a batch through the bytes of the wire.
func seal(t testing.TB, agent, machine string, b store.Batch) store.Batch {
	t.Helper()
	p, err := ingest.Wire(b)
	if err != nil {
		t.Fatal(err)
	}
	payload, err := proto.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	if p, err = wire.DecodeBatch(payload); err != nil {
		t.Fatal(err)
	}
	return ingest.Batch(agent, machine, p, time.Unix(0, b.Clock.Wall))
}

func register(t testing.TB, s *Store, machines ...string) {
	t.Helper()
	if _, err := s.RegisterAgent(t.Context(), "a1", machines, start, false); err != nil {
		t.Fatal(err)
	}
}

func commit(t testing.TB, s *Store, b store.Batch) store.Outcome {
	t.Helper()
	out, err := s.Commit(t.Context(), []store.Batch{b})
	if err != nil {
		t.Fatal(err)
	}
	return out[0]
}

func revolutions(t testing.TB, s *Store) int64 {
	t.Helper()
	totals, _, err := s.Totals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return totals[0].Revolutions
}

func TestNewerSchema(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	register(t, s, "k01")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db := sql.OpenDB(connector{dsn(file(dir), "")})
	if _, err := db.Exec(`INSERT INTO goose_db_version (version_id, is_applied) VALUES (900, 1)`); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	before, _ := os.ReadFile(file(dir))
	_, err := Open(t.Context(), file(dir), Options{})
	if !errors.Is(err, store.ErrNewerSchema) || !strings.Contains(err.Error(), "900") || !strings.Contains(err.Error(), file(dir)) {
		t.Errorf("error %v, want ErrNewerSchema with the file and version 900", err)
	}
	if after, _ := os.ReadFile(file(dir)); string(after) != string(before) {
		t.Error("the file was changed")
	}
}

func TestDatabaseOfAnotherProgram(t *testing.T) {
	name := filepath.Join(t.TempDir(), "other.db")
	db, err := sql.Open("sqlite3", dsn(name, ""))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(`CREATE TABLE account (x); INSERT INTO account VALUES (7)`); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	before, _ := os.ReadFile(name)
	if _, err := Open(t.Context(), name, Options{}); err == nil || !strings.Contains(err.Error(), `"account"`) || !strings.Contains(err.Error(), "database.file") {
		t.Errorf("error %v, want the table and what to do", err)
	}
	if after, _ := os.ReadFile(name); string(after) != string(before) {
		t.Error("the file was changed")
	}
}

func TestFolderThatCannotBeWritten(t *testing.T) {
	if rightstest.Without(t) {
		return
	}
	dir := t.TempDir()
	plain, closed := filepath.Join(dir, "file"), filepath.Join(dir, "closed")
	if err := errors.Join(os.WriteFile(plain, nil, 0o600), os.Mkdir(closed, 0o500)); err != nil {
		t.Fatal(err)
	}
	// Records that were kept, in a folder that may be read only since, and in a file that may.
	kept, shut := filepath.Join(dir, "kept", "turnwise.db"), filepath.Join(dir, "shut", "turnwise.db")
	for _, file := range []string{kept, shut} {
		s, err := Open(t.Context(), file, Options{})
		if err == nil {
			err = s.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(os.Chmod(filepath.Dir(kept), 0o500), os.Chmod(shut, 0o400)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = errors.Join(os.Chmod(filepath.Dir(kept), 0o700), os.Chmod(closed, 0o700)) })
	for _, c := range []struct {
		name, file, want string
		why              error
	}{
		{"a file where the folder should be", filepath.Join(plain, "turnwise.db"), plain, syscall.ENOTDIR},
		{"a folder where the file should be", closed, "it is a folder", nil},
		{"no permission", filepath.Join(closed, "turnwise.db"), "folder " + closed + " cannot be written", fs.ErrPermission},
		{"no permission to make the folder", filepath.Join(closed, "a", "turnwise.db"), "make its folder", fs.ErrPermission},
		{"records in a folder that may be read only", kept, "cannot be written", fs.ErrPermission},
		{"records that may be read only", shut, "permission denied", fs.ErrPermission},
	} {
		_, err := Open(t.Context(), c.file, Options{})
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "database.file") || c.why != nil && !errors.Is(err, c.why) {
			t.Errorf("%s: error %v, want %q, %v and what to do", c.name, err, c.want, c.why)
		}
	}
	if left, err := os.ReadDir(closed); err != nil || len(left) != 0 {
		t.Errorf("left %v in the folder, %v", left, err)
	}
	if err := errors.Join(os.Chmod(filepath.Dir(kept), 0o700), os.Chmod(shut, 0o600)); err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{kept, shut} {
		s, err := Open(t.Context(), file, Options{})
		if err == nil {
			err = s.Close()
		}
		if err != nil {
			t.Errorf("with the right given back: %v", err)
		}
	}
}

func TestDamagedFile(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Dir(file(dir)), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file(dir), []byte(strings.Repeat("not a database ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), file(dir), Options{}); err == nil || !strings.Contains(err.Error(), "restore a backup") {
		t.Errorf("error %v, want what to do", err)
	}
}

// The settings that durability rests on.
func TestPragmas(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	for pragma, want := range map[string]string{"synchronous": "2", "journal_mode": "wal", "cell_size_check": "1", "foreign_keys": "1", "busy_timeout": "10000"} {
		var got string
		if err := s.w.conn.QueryRowContext(t.Context(), `PRAGMA `+pragma).Scan(&got); err != nil || got != want {
			t.Errorf("%s = %q, %v, want %q", pragma, got, err, want)
		}
	}
	if _, err := s.read.ExecContext(t.Context(), `DELETE FROM machine`); err == nil {
		t.Error("the readers' connections can write")
	}
	if st, err := os.Stat(s.file); err != nil || st.Mode().Perm()&0o077 != 0 {
		t.Errorf("the file is open to others: %v, %v", st.Mode(), err)
	}
}

// A COMMIT that fails, or a full disk in between, loses and doubles nothing:
// what was remembered is read again.
func TestFailedCommit(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	register(t, s, "k01")
	commit(t, s, spans(t, "k01", 1, 50))
	err := s.w.conn.Raw(func(c any) error {
		c.(*sqlite3.SQLiteConn).RegisterCommitHook(func() int { return 1 })
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Commit(t.Context(), []store.Batch{spans(t, "k01", 51, 100)}); err == nil || !strings.Contains(err.Error(), "commit") {
		t.Fatalf("a failed COMMIT gave error %v", err)
	}
	if got := revolutions(t, s); got != 200 {
		t.Errorf("%d revolutions after a failed COMMIT, want 200", got)
	}
	if o := commit(t, s, spans(t, "k01", 51, 100)); o.Acked != 100 || o.State.Revolutions != 400 {
		t.Errorf("sent again: %+v", o)
	}
	var pages int
	if err := s.w.conn.QueryRowContext(t.Context(), `PRAGMA page_count`).Scan(&pages); err != nil {
		t.Fatal(err)
	}
	if _, err := s.w.conn.ExecContext(t.Context(), fmt.Sprintf(`PRAGMA max_page_count = %d`, pages)); err != nil {
		t.Fatal(err)
	}
	var full sqlite3.Error
	if _, err := s.Commit(t.Context(), []store.Batch{spans(t, "k01", 101, 300)}); !errors.As(err, &full) || full.Code != sqlite3.ErrFull {
		t.Fatalf("a full disk gave error %v", err)
	}
	if o := commit(t, s, spans(t, "k01", 101, 300)); o.Acked != 300 || o.State.Revolutions != 1200 {
		t.Errorf("sent again: %+v", o)
	}
}

// Another file in the place of the open one, or another writer, is noticed.
func TestOtherWriter(t *testing.T) {
	dir := t.TempDir()
	s, other := open(t, dir), open(t, dir)
	defer s.Close()
	defer other.Close()
	register(t, s, "k01")
	commit(t, s, spans(t, "k01", 1, 50))
	if o := commit(t, other, spans(t, "k01", 51, 60)); o.Acked != 60 {
		t.Fatalf("the other writer: %+v", o)
	}
	if o := commit(t, s, spans(t, "k01", 41, 70)); o.Acked != 70 || o.Applied != 10 || o.State.Revolutions != 280 {
		t.Errorf("after another writer: %+v", o)
	}
}

// What was acknowledged is in a copy of the files taken right afterwards, as a
// process that is killed leaves them. [TestFault_07_PowerCutOfTheDisk] has what
// a power cut leaves.
func TestFault_07_KilledAfterTheAcknowledgement(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	defer s.Close()
	register(t, s, "k01")
	for i := range uint64(8) {
		commit(t, s, spans(t, "k01", 50*i+1, 50*i+50))
		image := t.TempDir()
		if err := os.CopyFS(image, os.DirFS(dir)); err != nil {
			t.Fatal(err)
		}
		after := open(t, image)
		if got, want := revolutions(t, after), int64(200*(i+1)); got != want {
			t.Errorf("%d revolutions after the kill, %d were acknowledged", got, want)
		}
		if o := commit(t, after, spans(t, "k01", 50*i+26, 50*i+75)); o.Acked != 50*i+75 || o.Applied != 25 {
			t.Errorf("after the kill: %+v", o)
		}
		if err := after.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestQuarantineIsBounded(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	for i := range 1010 {
		if err := s.Quarantine(t.Context(), store.Quarantined{Agent: "a1", Topic: fmt.Sprint(i), Received: start, Payload: make([]byte, 70<<10)}); err != nil {
			t.Fatal(err)
		}
		if i == 3 { // the rest only fills
			_, _ = s.w.conn.ExecContext(t.Context(), `PRAGMA synchronous = OFF`)
		}
	}
	var rows, longest, bytes int
	var oldest string
	if err := s.read.QueryRowContext(t.Context(), `SELECT count(*), max(length(payload)), max(bytes), (SELECT topic FROM quarantine ORDER BY id LIMIT 1) FROM quarantine`).
		Scan(&rows, &longest, &bytes, &oldest); err != nil {
		t.Fatal(err)
	}
	if rows != 1000 || longest != 64<<10 || bytes != 70<<10 || oldest != "10" {
		t.Errorf("%d rows, longest payload %d of %d bytes, oldest %s; want 1000, %d, %d, 10", rows, longest, bytes, oldest, 64<<10, 70<<10)
	}
}

// The views say what the store says, and weigh as the card does.
func TestViews(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	_, err := s.ApplyBook(t.Context(), store.Book{
		Machines: []store.Machine{{ID: "k01", Feeders: 96}, {ID: "k02"}},
		Agents:   []store.BookAgent{{ID: "a1", Machines: []string{"k01", "k02"}}},
		Yarns:    []store.Yarn{{ID: "y1", Count: "20 tex"}, {ID: "y2", Count: "44 dtex"}},
		Articles: []store.Article{{ID: "sj"}},
		Cards: []store.Card{{ID: "c1", Article: "sj", Feeds: []store.FeedGroup{
			{ID: "ground", Yarn: "y1", Feeders: 96, CourseLengthM: 7.5, Ends: 2},
			{ID: "elastane", Yarn: "y2", Feeders: 48, CourseLengthM: 3, Draft: 3},
		}}},
		Orders:      []store.Order{{ID: "SO-1", Article: "sj", QuantityKg: 100}},
		Assignments: []store.Assignment{{Machine: "k01", From: start.Add(105 * time.Second), Order: "SO-1", Card: "c1"}},
	}, false)
	if err != nil {
		t.Fatal(err)
	}
	commit(t, s, spans(t, "k01", 1, 30))
	b := store.Batch{
		Stream: store.ID{1, '1'}, Run: store.ID{2}, FirstSeq: 31, HeadSeq: 32, Boots: map[uint32]store.ID{1: {3}},
		Clock: store.Clock{Boot: 1, Boottime: 400e9, Wall: start.UnixNano() + 400e9},
		Records: []store.Record{
			{Boot: 1, Boottime: 310e9, Kind: &store.StopBegin{Stop: store.ID{7}, Input: true, Cause: `ya"rn`}},
			{Boot: 1, Boottime: 400e9, Kind: &store.CountSpan{Life: store.ID{4, '1'}, From: 120, To: 120, FromBoottime: 310e9}},
		},
	}
	commit(t, s, seal(t, "a1", "k01", b))
	var got struct {
		machine, causes                                           string
		revs, stops, openStops, lostMin, lostMax, run, stop, unkn int64
		kilos                                                     float64
	}
	row := s.read.QueryRowContext(t.Context(), `SELECT machine, revolutions, stops, open_stops, lost_min, lost_max, kilos_counted, run_ms, stop_ms, unknown_ms, stops_by_cause FROM v1_totals WHERE machine = 'k01'`)
	if err := row.Scan(&got.machine, &got.revs, &got.stops, &got.openStops, &got.lostMin, &got.lostMax, &got.kilos, &got.run, &got.stop, &got.unkn, &got.causes); err != nil {
		t.Fatal(err)
	}
	if got.revs != 120 || got.stops != 1 || got.openStops != 1 || got.run != 310_000 || got.stop != 90_000 || got.unkn != 0 {
		t.Errorf("v1_totals %+v", got)
	}
	// By hand: 20 of 30 spans end at 110 s or later, 80 revolutions;
	// 96*7.5 m*2*20 tex/1000 + 48*3 m*4.4 tex/3/1000 = 28.8 + 0.2112 g each.
	if want := 80 * (28.8 + 0.2112) / 1000; math.Abs(got.kilos-want) > 1e-9 {
		t.Errorf("kilos_counted = %.9f, want %.9f", got.kilos, want)
	}
	var causes map[string]int
	if err := json.Unmarshal([]byte(got.causes), &causes); err != nil || causes[`ya"rn`] != 1 || len(causes) != 1 {
		t.Errorf("stops_by_cause = %s, %v", got.causes, err)
	}
	var machine, stream string
	var n, last int64
	if err := s.read.QueryRowContext(t.Context(), `SELECT machine, stream, count(*), max(seq) FROM v1_record GROUP BY machine, stream`).Scan(&machine, &stream, &n, &last); err != nil {
		t.Fatal(err)
	}
	if machine != "k01" || stream != fmt.Sprintf("%x", store.ID{1, '1'}) || n != 32 || last != 32 {
		t.Errorf("v1_record: %s %s %d %d", machine, stream, n, last)
	}
	var never string
	if err := s.read.QueryRowContext(t.Context(), `SELECT stops_by_cause FROM v1_totals WHERE machine = 'k02' AND revolutions = 0 AND kilos_counted = 0.0`).Scan(&never); err != nil || never != "{}" {
		t.Errorf("a machine never heard: %q, %v", never, err)
	}
}
