package sqlite

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"hash"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/mattn/go-sqlite3"

	"turnwise/proto/wire"
	"turnwise/server/ingest/sealed"
	"turnwise/server/store"
)

// Damage is one thing in a database that is not as it must be.
type Damage struct {
	Place    string `json:"place"`
	Found    string `json:"found"`
	Expected string `json:"expected"`
	Repair   string `json:"repair"`
}

func (d Damage) String() string {
	return fmt.Sprintf("%s: found %s, expected %s; %s", d.Place, d.Found, d.Expected, d.Repair)
}

// maxDamages bounds what is told; a broken page can hold thousands of records.
const maxDamages = 50

// Report is what was found in a database or a backup.
type Report struct {
	File        string `json:"file"`
	Bytes       int64  `json:"bytes"`
	Incarnation string `json:"incarnation"`
	Schema      int64  `json:"schema"`
	// CheckedAs is the schema of today, where the sums of a backup of an older one
	// were checked in a copy that was brought up to it; else 0.
	CheckedAs int64     `json:"checked_as_schema,omitempty"`
	Taken     time.Time `json:"taken,omitzero"` // of a backup
	Machines  int       `json:"machines"`
	Streams   int       `json:"streams"`
	Records   int64     `json:"records"`
	// Dropped are older records, whose sums stand in their place; see RETAIN.md.
	Dropped     int64 `json:"dropped_records"`
	Revolutions int64 `json:"revolutions"`
	// Recounted tells of how many machines all kept sums were counted again.
	Recounted int `json:"recounted_machines"`
	// InPart tells of how many machines the order of the records is not known,
	// or that the rules of an older version gave other sums than today's, so
	// that only what depends on neither was counted again.
	InPart int `json:"recounted_in_part"`
	// Settled are machines of which sums that their records alone could show were
	// settled as they stood.
	Settled []Settlement `json:"settled"`
	Damages []Damage     `json:"damages"`
	More    int          `json:"more_damages"` // beyond the list

	acked map[store.ID]uint64
	seal  *stamp
}

// Err is nil for a database without damage, else [store.ErrDamaged] with the
// first of it.
func (r *Report) Err() error {
	if len(r.Damages) == 0 {
		return nil
	}
	if n := len(r.Damages) + r.More - 1; n > 0 {
		return fmt.Errorf("%s is %w: %s (and %d more)", r.File, store.ErrDamaged, r.Damages[0], n)
	}
	return fmt.Errorf("%s is %w: %s", r.File, store.ErrDamaged, r.Damages[0])
}

// Summary is Err for who has told the damages already: it counts them.
func (r *Report) Summary() error {
	switch n := len(r.Damages) + r.More; n {
	case 0:
		return nil
	case 1:
		return fmt.Errorf("%s is %w in 1 place, told above with what to do", r.File, store.ErrDamaged)
	default:
		return fmt.Errorf("%s is %w in %d places, told above with what to do", r.File, store.ErrDamaged, n)
	}
}

// VerifyOptions tunes Verify. The zero value works.
type VerifyOptions struct {
	// Backup says that the file is a backup: nobody writes it, and it must
	// bear the seal that a backup gets when it is complete.
	Backup bool
	// Progress hears how many records of about how many were read. Nil hears
	// nothing.
	Progress func(done, total int64)
	// Repair is the last part of every damage. Empty means the usual one.
	Repair string
}

// Verify reads a whole database as it is at this moment, beside a server that
// runs, and checks it: the structure, every record's check sum, the chain of
// every stream, and every kept sum against a count from the records. Damage is
// in the report; the error is about not having been able to look. It holds
// back the checkpoints of the journal while it reads.
func Verify(ctx context.Context, file string, o VerifyOptions) (*Report, error) {
	if !o.Backup {
		if err := present(file); err != nil {
			return nil, fmt.Errorf("sqlite: verify: %w", err)
		}
		used, err := share(file)
		if err == nil {
			defer used.Close()
		} else if !errors.Is(err, fs.ErrPermission) && !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, syscall.EROFS) { // who may only read may look
			return nil, err
		}
	}
	v, err := begin(ctx, file, o)
	if err != nil {
		return nil, err
	}
	defer v.end()
	checks := v.run
	if v.olderBackup(ctx) {
		checks = v.runOlder
	}
	if err := checks(ctx); err != nil {
		return nil, fmt.Errorf("sqlite: verify %s: %w", file, err)
	}
	if s := v.rep.seal; o.Backup && s != nil && len(s.sum) == 0 {
		v.damage("seal", "one without a sum: the backup was ended before it was whole", "the sum that a finished backup bears")
	}
	return v.rep, nil
}

// run does all checks, up to damage behind which the others tell nothing.
func (v *verifier) run(ctx context.Context) error {
	for _, check := range []func(context.Context) error{v.head, v.structure, v.guards, v.records, v.book, v.positions, v.sums} {
		if v.stop {
			return nil
		}
		if err := v.note("reading", check(ctx)); err != nil {
			return err
		}
	}
	return nil
}

// verifier reads one snapshot through one connection.
type verifier struct {
	o     VerifyOptions
	db    *sql.DB
	w     *writer // for its readers; nothing is written
	rep   *Report
	stop  bool   // what follows would tell nothing
	sum   []byte // of the content
	total int64
}

func begin(ctx context.Context, file string, o VerifyOptions) (*verifier, error) {
	if err := readableBackup(file); err != nil { // of records in use it was looked at before
		return nil, fmt.Errorf("sqlite: verify: %w", err)
	}
	st, err := os.Stat(file)
	if err != nil {
		return nil, fmt.Errorf("sqlite: verify: %w; repeat it", err)
	}
	pragmas := readPragmas + "&_synchronous=FULL"
	if o.Backup {
		pragmas += "&immutable=1"
	}
	if o.Repair == "" {
		o.Repair = repairDamage
		if o.Backup {
			o.Repair = "do not use this backup; take an older one"
		}
	}
	v := &verifier{o: o, db: sql.OpenDB(connector{dsn(file, pragmas)}), rep: &Report{File: file, Bytes: st.Size(), Damages: []Damage{}, acked: map[store.ID]uint64{}}}
	v.db.SetMaxOpenConns(1)
	conn, err := v.db.Conn(ctx)
	if err == nil {
		v.w = &writer{conn: conn, stmts: map[string]*sql.Stmt{}}
		_, err = conn.ExecContext(ctx, `BEGIN`)
	}
	if err := v.note("opening", err); err != nil {
		v.end()
		return nil, fmt.Errorf("sqlite: verify %s: %w", file, asOwner(err))
	}
	if st.Size() == 0 {
		v.damage("file", "no bytes", "what the store has written")
		v.stop = true
	}
	return v, nil
}

func (v *verifier) end() {
	if v.w != nil {
		v.w.close()
	}
	_ = v.db.Close()
}

func (v *verifier) damage(place, found, expected string) {
	if len(v.rep.Damages) >= maxDamages {
		v.rep.More++
		return
	}
	v.rep.Damages = append(v.rep.Damages, Damage{place, found, expected, v.o.Repair})
}

// note turns an error that comes from the content of the file into damage and
// gives back any other.
func (v *verifier) note(what string, err error) error {
	if err == nil {
		return nil
	}
	if !fromContent(err) {
		return err
	}
	v.damage(what, fmt.Sprintf("%q", err.Error()), "what the store has written")
	v.stop = true
	return nil
}

// fromContent tells errors that a damaged file gives from those of the world.
func fromContent(err error) bool {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, store.ErrNewerSchema) || errors.Is(err, errOldSchema) {
		return false
	}
	if e, ok := errors.AsType[sqlite3.Error](err); ok {
		switch e.Code {
		case sqlite3.ErrBusy, sqlite3.ErrLocked, sqlite3.ErrPerm, sqlite3.ErrAuth, sqlite3.ErrCantOpen, sqlite3.ErrNomem, sqlite3.ErrInterrupt, sqlite3.ErrFull:
			return false
		case sqlite3.ErrIoErr:
			return e.ExtendedCode == sqlite3.ErrIoErrShortRead
		}
	}
	return true
}

// errOldSchema says that a newer server has to bring the file up to date.
var errOldSchema = errors.New("schema of an older version")

// newestSchema is the version of the last migration.
const newestSchema = 22

// head reads what kind of database this is.
func (v *verifier) head(ctx context.Context) (err error) {
	if v.rep.Schema, err = v.schema(ctx); err != nil {
		return err
	}
	if n := v.rep.Schema; n > newestSchema {
		return fmt.Errorf("%w: its schema is version %d, this program knows up to %d; use the program that wrote it", store.ErrNewerSchema, n, newestSchema)
	} else if n < newestSchema {
		return fmt.Errorf("%w: its schema is version %d, this program needs %d; start this version of the server on it once, or use the program that wrote it", errOldSchema, n, newestSchema)
	}
	var b []byte
	var kinds int64
	if err := v.w.row(ctx, `SELECT incarnation, kinds FROM meta`).Scan(&b, &kinds); err != nil {
		return err
	}
	if err := knownKinds(kinds); err != nil {
		return fmt.Errorf("%w; use the program that wrote it", err)
	}
	v.rep.Incarnation = fmt.Sprintf("%x", b)
	if err := v.sealed(ctx); err != nil {
		return err
	}
	return v.w.row(ctx, `SELECT coalesce(sum(records), 0) - (SELECT coalesce(sum(records), 0) FROM dropped) FROM stream`).Scan(&v.total)
}

// schema is the version of the schema.
func (v *verifier) schema(ctx context.Context) (n int64, err error) {
	err = v.w.row(ctx, `SELECT max(version_id) FROM goose_db_version WHERE is_applied`).Scan(&n)
	return n, err
}

// sealed reads the seal, which a backup must bear.
func (v *verifier) sealed(ctx context.Context) (err error) {
	if v.rep.seal, err = readSeal(ctx, v.w.conn); err != nil {
		return err
	}
	if s := v.rep.seal; s != nil {
		v.rep.Taken = s.taken
	} else if v.o.Backup {
		v.damage("seal", "none", "the seal that a finished backup bears")
		v.stop = true
	}
	return nil
}

// structure lets SQLite check its own.
func (v *verifier) structure(ctx context.Context) error {
	err := each(ctx, v.w.conn, func(rows *sql.Rows) error {
		var s string
		if err := rows.Scan(&s); err != nil {
			return err
		}
		if s != "ok" {
			v.damage("structure", strings.Join(strings.Fields(s), " "), "ok from integrity_check") // it comes on several lines
		}
		return nil
	}, fmt.Sprintf(`PRAGMA integrity_check(%d)`, maxDamages))
	if err != nil {
		return err
	}
	return each(ctx, v.w.conn, func(rows *sql.Rows) error {
		var table, parent string
		var row, key sql.NullInt64
		if err := rows.Scan(&table, &row, &parent, &key); err != nil {
			return err
		}
		v.damage("table "+table, "a row that names what table "+parent+" does not have", "every row to name what is there")
		return nil
	}, `PRAGMA foreign_key_check`)
}

// chain is a stream while its records are read.
type chain struct {
	num                  int64
	id                   store.ID
	text                 string
	acked                uint64
	told, found          int64  // records
	dropped              int64  // of told
	next                 uint64 // expected
	horizon              uint64
	brokenCRC, brokenSeq int
}

// records checks every record and takes the sum of all content.
func (v *verifier) records(ctx context.Context) error {
	chains := map[int64]*chain{}
	read := readDropped
	if v.rep.Schema < newestSchema {
		read = readOlderDropped
	}
	gone, err := read(ctx, v.w.conn)
	if err != nil {
		return err
	}
	err = each(ctx, v.w.conn, func(rows *sql.Rows) error {
		c := &chain{next: 1}
		var b []byte
		var acked, horizon int64
		var agent, machine string
		if err := rows.Scan(&c.num, &b, &agent, &machine, &acked, &horizon, &c.told); err != nil {
			return err
		}
		c.id, c.acked, c.horizon = id(b), uint64(acked), uint64(horizon)
		if d, ok := gone[c.num]; ok {
			c.next, c.dropped = d.last+1, d.records
			v.rep.Dropped += d.records
		}
		c.text = fmt.Sprintf("stream %x of machine %s, agent %s", c.id[:], machine, agent)
		if len(b) != len(c.id) {
			v.damage(c.text, fmt.Sprintf("an id of %d bytes", len(b)), fmt.Sprintf("%d", len(c.id)))
		}
		chains[c.num] = c
		v.rep.acked[c.id] = c.acked
		v.rep.Streams++
		return nil
	}, `SELECT s.num, s.id, s.agent, coalesce(m.id, '?'), s.acked, s.horizon, s.records FROM stream s LEFT JOIN machine m ON m.num = s.machine_num`)
	if err != nil {
		return err
	}
	h := sha256.New()
	if err := digest(ctx, v.w.conn, h, func(h hash.Hash) error { return v.scan(ctx, h, chains) }); err != nil {
		return err
	}
	for _, num := range slices.Sorted(maps.Keys(chains)) {
		v.endChain(chains[num])
	}
	v.sum = h.Sum(nil)
	if s := v.rep.seal; s != nil && len(s.sum) > 0 && !bytes.Equal(s.sum, v.sum) {
		v.damage("seal", fmt.Sprintf("content with the sum %x", v.sum), fmt.Sprintf("%x, as when the backup was taken", s.sum))
	}
	v.stop = v.stop || len(v.rep.Damages) > 0 // no sum can be right on wrong records
	return nil
}

// scan reads the records in the order of their keys.
func (v *verifier) scan(ctx context.Context, h hash.Hash, chains map[int64]*chain) error {
	if v.o.Progress != nil {
		v.o.Progress(0, v.total)
	}
	var b []byte
	return each(ctx, v.w.conn, func(rows *sql.Rows) error {
		var num, seq, kind, crc int64
		var x any // a text in the place of the bytes would pass unseen otherwise
		if err := rows.Scan(&num, &seq, &kind, &crc, &x); err != nil {
			return err
		}
		body, ok := x.([]byte)
		if !ok {
			v.damage(fmt.Sprintf("record %d of stream number %d", seq, num), fmt.Sprintf("a body of type %T", x), "bytes")
			return nil
		}
		b = appendInt(b[:0], num)
		b = appendInt(b, seq)
		b = appendInt(b, kind)
		b = appendInt(b, crc)
		b = append(appendInt(b, int64(len(body))), body...)
		h.Write(b)
		v.rep.Records++
		if v.o.Progress != nil && v.rep.Records%4096 == 0 {
			v.o.Progress(v.rep.Records, v.total)
		}
		c := chains[num]
		if c == nil {
			v.damage(fmt.Sprintf("record %d of stream number %d", seq, num), "no such stream", "every record to belong to a stream")
			return nil
		}
		v.record(c, uint64(seq), kind, crc, body)
		return nil
	}, `SELECT stream_num, seq, kind, crc, body FROM record ORDER BY stream_num, seq`)
}

func (v *verifier) record(c *chain, seq uint64, kind, kept int64, body []byte) {
	c.found++
	v.kind(c, seq, kind, body)
	crc := crcOf(kind, kept)
	if got := wire.RecordCRC(c.id[:], seq, body); got != crc {
		if c.brokenCRC++; c.brokenCRC <= 5 {
			v.damage(fmt.Sprintf("record %d of %s", seq, c.text), fmt.Sprintf("bytes with check sum %08x", got), fmt.Sprintf("%08x, as the agent sealed it", crc))
		}
	}
	if seq != c.next && !bridged(seq, c.next, body) {
		if c.brokenSeq++; c.brokenSeq <= 5 {
			v.damage(c.text, fmt.Sprintf("record %d", seq), fmt.Sprintf("record %d, without a gap", c.next))
		}
	}
	c.next = seq + 1
}

// kind looks whether the kept kind of a record is that of its body.
func (v *verifier) kind(c *chain, seq uint64, kind int64, body []byte) {
	r := store.Record{Seq: seq}
	if sealed.Decode(body, &r) != nil {
		r.Kind = nil
	}
	base, told := kind&^coarseKind, kindOf(&r)
	if base == told || base == 0 && told > newestFirstKind {
		return
	}
	v.damage(fmt.Sprintf("record %d of %s", seq, c.text), fmt.Sprintf("kind %d", base), fmt.Sprintf("%d, as its bytes say", told))
}

// newestFirstKind is the highest kind that every server has known: others may
// have been stored unread.
const newestFirstKind = 18

func (v *verifier) endChain(c *chain) {
	if c.next-1 != c.acked {
		v.damage(c.text, fmt.Sprintf("records up to %d", c.next-1), fmt.Sprintf("up to %d, which was acknowledged", c.acked))
	}
	if c.found+c.dropped != c.told {
		v.damage(c.text, fmt.Sprintf("%d records", c.found), fmt.Sprintf("%d, as counted when they came, less %d that were dropped", c.told-c.dropped, c.dropped))
	}
	if c.horizon > c.acked {
		v.damage(c.text, fmt.Sprintf("backup horizon %d", c.horizon), fmt.Sprintf("at most %d, which was acknowledged", c.acked))
	}
	if n := max(c.brokenCRC-5, 0) + max(c.brokenSeq-5, 0); n > 0 {
		v.rep.More += n
	}
}
