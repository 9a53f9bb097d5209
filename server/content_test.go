package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/host"
	"turnwise/server/ingest"
)

// millFile writes a configuration whose records are in a folder of the test.
func millFile(t *testing.T, more string) (config, db string) {
	t.Helper()
	dir := t.TempDir()
	config, db = filepath.Join(dir, "server.yaml"), filepath.Join(dir, "data", "t.db")
	text := "database: { file: " + db + " }\nlisten: { grpc: off, http: off, mqtt: 127.0.0.1:0, metrics: off }\n" + more
	if err := errors.Join(os.WriteFile(config, []byte(text), 0o600), os.Mkdir(filepath.Dir(db), 0o700)); err != nil {
		t.Fatal(err)
	}
	return config, db
}

// span is a count span of minute n, (from, to] of the counter.
func span(n int, from, to uint64) *wirepb.Record {
	return &wirepb.Record{BoottimeNs: int64(n) * int64(time.Minute), Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{
		LifeId: ident(4), From: from, To: to, RawTo: to, RawBits: 32, FromBoottimeNs: int64(n-1) * int64(time.Minute),
		CountsPerRevolution: 1, Quality: wirepb.CountQuality_COUNT_QUALITY_SURE,
	}}}
}

func ident(b byte) []byte { return append(make([]byte, wire.IDLen-1), b) }

// minutes are records of 10 turns a minute; first is their sequence number.
func minutes(first, last int) (records []*wirepb.Record) {
	for n := first; n <= last; n++ {
		records = append(records, span(n, uint64(n-1)*10, uint64(n)*10))
	}
	return records
}

// sealed is a batch as an agent sends it at the end of its last minute.
func sealed(t *testing.T, begun time.Time, first int, records ...*wirepb.Record) []byte {
	t.Helper()
	last := first + len(records) - 1
	b := &wirepb.Batch{
		StreamId: ident(1), FirstSeq: uint64(first), HeadSeq: uint64(last), RunId: ident(2),
		Boots: []*wirepb.Boot{{Index: 1, BootId: ident(3)}},
		Clock: &wirepb.AgentClock{Boot: 1, BoottimeNs: int64(last) * int64(time.Minute), WallNs: begun.Add(time.Duration(last) * time.Minute).UnixNano(), Quality: wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED},
	}
	for i, r := range records {
		r.Seq, r.Boot, r.WallNs = uint64(first+i), 1, begun.UnixNano()+r.BoottimeNs
		x, err := wire.Seal(b.StreamId, r)
		if err != nil {
			t.Fatal(err)
		}
		b.Records = append(b.Records, x)
	}
	b.Crc32C = wire.BatchCRC(b)
	payload, err := proto.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	return payload
}

// take puts payloads into the records by the way of the server, each as if
// received at begun plus so many minutes.
func take(t *testing.T, db string, received time.Time, payloads ...[]byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(db), 0o700); err != nil {
		t.Fatal(err)
	}
	quiet := slog.New(slog.DiscardHandler)
	st, err := host.OpenRecords(t.Context(), db, quiet, func() time.Time { return received })
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if _, err := st.RegisterAgent(t.Context(), "u-01", []string{"k01"}, received, false); err != nil {
		t.Fatal(err)
	}
	clerk, err := ingest.NewClerk(t.Context(), st, ingest.Options{Site: "demo", Log: quiet, Now: func() time.Time { return received }})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range payloads {
		m := ingest.Read("u-01", "k01", wire.Up("demo", "u-01", "k01"), p, received)
		if _, err := clerk.Commit(t.Context(), []ingest.Message{m}, func(int) uint32 { return 1 }); err != nil {
			t.Fatal(err)
		}
	}
}

// figures is what verify tells of records.
type figures struct {
	Records, Revolutions int64
	Damages              []struct{ Place string }
}

func verified(t *testing.T, args ...string) (f figures) {
	t.Helper()
	out := want(t, 0, "{", append([]string{"verify", "--json"}, args...)...)
	if err := json.Unmarshal([]byte(out), &f); err != nil || len(f.Damages) > 0 {
		t.Fatalf("report %s, %v", out, err)
	}
	return f
}

// A backup of records is restored over newer ones: what it had is back, what
// was there is kept, and after the agent has told the rest again every turn is
// counted once. One changed byte in it refuses it, and nothing moves.
func TestRestoreWithRecords(t *testing.T) {
	config, db := millFile(t, "")
	begun := time.Now().Add(-2 * time.Hour)
	at := func(n int) time.Time { return begun.Add(time.Duration(n) * time.Minute) }
	take(t, db, at(30), sealed(t, begun, 1, minutes(1, 30)...))
	backup := filepath.Join(filepath.Dir(config), "b.db")
	want(t, 0, "30 records of 1 machines, 300 turns", "backup", "-c", config, "--to", backup)
	later := sealed(t, begun, 31, minutes(31, 50)...)
	take(t, db, at(50), later)
	if f := verified(t, "-c", config); f.Records != 50 || f.Revolutions != 500 {
		t.Fatalf("before the restore %+v, want 50 records, 500 turns", f)
	}

	content, err := os.ReadFile(backup)
	if err != nil {
		t.Fatal(err)
	}
	body, err := proto.Marshal(minutes(17, 17)[0].GetCountSpan())
	if err != nil {
		t.Fatal(err)
	}
	place := bytes.Index(content, body[:len(body)-2])
	if place < 0 {
		t.Fatal("the span of minute 17 is not in the backup")
	}
	for name, spoil := range map[string]func([]byte) []byte{
		"a bit of a record": func(b []byte) []byte { b[place+3] ^= 4; return b },
		"cut in half":       func(b []byte) []byte { return b[:len(b)/2] },
		"not a database":    func([]byte) []byte { return bytes.Repeat([]byte("wool "), 4000) },
	} {
		bad := filepath.Join(t.TempDir(), "bad.db")
		if err := os.WriteFile(bad, spoil(bytes.Clone(content)), 0o600); err != nil {
			t.Fatal(err)
		}
		want(t, 1, "the database is unchanged", "restore", "-c", config, "--verify", "--from", bad)
		if f := verified(t, "-c", config); f.Records != 50 || f.Revolutions != 500 {
			t.Errorf("%s: after the refusal %+v, want the 50 records that were there", name, f)
		}
		if left, _ := filepath.Glob(db + "*before-restore*"); len(left) > 0 {
			t.Errorf("%s: the records were moved to %v", name, left)
		}
	}

	out := want(t, 0, `"kept_aside"`, "restore", "-c", config, "--verify", "--from", backup, "--json")
	var r struct {
		Aside   string `json:"kept_aside"`
		Records int64
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil || r.Records != 30 {
		t.Fatalf("restored %s, %v, want 30 records", out, err)
	}
	if f := verified(t, "-c", config); f.Records != 30 || f.Revolutions != 300 {
		t.Errorf("after the restore %+v, want what the backup has", f)
	}
	aside := filepath.Join(t.TempDir(), "aside.yaml")
	if err := os.WriteFile(aside, []byte("database: { file: "+r.Aside+" }\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if f := verified(t, "-c", aside); f.Records != 50 {
		t.Errorf("kept aside %+v, want the 50 records that were there", f)
	}
	take(t, db, at(55), later, later) // the agent tells again, and once more
	if f := verified(t, "-c", config); f.Records != 50 || f.Revolutions != 500 {
		t.Errorf("after the agent has told again %+v, want 500 turns", f)
	}
	startServer(t, config)() // it runs on the restored records
}

// What was kept aside is listed with its reason, and a message comes out byte
// by byte as it came in.
func TestQuarantineCommands(t *testing.T) {
	config, db := millFile(t, "")
	want(t, 1, "no such file", "quarantine", "list", "-c", config)
	begun := time.Now().Add(-time.Hour)
	backwards := span(3, 20, 30)
	backwards.GetCountSpan().From = 40
	garbage := []byte("\x00\xffnot a batch\n\x7f")
	good := sealed(t, begun, 1, append(minutes(1, 2), backwards)...)
	take(t, db, begun.Add(3*time.Minute), good, garbage, good[:len(good)-5])

	out := want(t, 0, "record 3 of machine k01", "quarantine", "list", "-c", config)
	for _, text := range []string{"RECEIVED", "message 1 on " + wire.Up("demo", "u-01", "k01"), "message 2 on", "runs backwards, from 40 to 30"} {
		if !strings.Contains(out, text) {
			t.Errorf("list %q, want %q in it", out, text)
		}
	}
	type line struct {
		Message, Record, Bytes                int64
		Agent, Machine, Topic, Reason, Stream string
		Received                              time.Time
	}
	var lines []line
	dec := json.NewDecoder(strings.NewReader(want(t, 0, "", "quarantine", "list", "-c", config, "--json")))
	for dec.More() {
		lines = append(lines, line{})
		if err := dec.Decode(&lines[len(lines)-1]); err != nil {
			t.Fatal(err)
		}
	}
	if len(lines) != 3 {
		t.Fatalf("%d lines, want two messages and a record: %+v", len(lines), lines)
	}
	for _, l := range lines {
		if l.Agent != "u-01" || l.Reason == "" || l.Bytes == 0 || l.Received.UnixMilli() != begun.Add(3*time.Minute).UnixMilli() {
			t.Errorf("line %+v", l)
		}
		if (l.Message > 0) == (l.Record > 0) || l.Record > 0 && (l.Record != 3 || l.Machine != "k01" || l.Stream != fmt.Sprintf("%x", ident(1))) {
			t.Errorf("line %+v, want a message, or record 3 of k01", l)
		}
	}
	if out := want(t, 0, `"message":2`, "quarantine", "list", "-c", config, "--limit", "1", "--json"); strings.Count(out, "\n") != 1 {
		t.Errorf("with --limit 1: %q, want the newest only", out)
	}
	want(t, 2, "1 to 10000 is expected", "quarantine", "list", "-c", config, "--limit", "0")

	to := filepath.Join(t.TempDir(), "message")
	want(t, 0, fmt.Sprintf("message 1: %d bytes in %s", len(garbage), to), "quarantine", "export", "-c", config, "1", "--to", to)
	if got, err := os.ReadFile(to); err != nil || !bytes.Equal(got, garbage) {
		t.Errorf("exported %q, %v, want %q", got, err, garbage)
	}
	if st, err := os.Stat(to); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v, want 0600", st.Mode(), err)
	}
	want(t, 1, "name a file that is not there yet", "quarantine", "export", "-c", config, "2", "--to", to)
	if got, _ := os.ReadFile(to); !bytes.Equal(got, garbage) {
		t.Error("the file that was there was written over")
	}
	none := filepath.Join(t.TempDir(), "none")
	want(t, 1, "not found", "quarantine", "export", "-c", config, "77", "--to", none)
	if _, err := os.Stat(none); err == nil {
		t.Error("a file was written for a message that is not there")
	}
	want(t, 2, "--to", "quarantine", "export", "-c", config, "1")
	if f := verified(t, "-c", config); f.Records != 3 || f.Revolutions != 20 {
		t.Errorf("%+v, want the 20 turns that could be true", f)
	}
}

// Old records go when a backup holds them; what people see is the same, beside
// a running server too, and what the agent tells again is not counted again.
func TestPruneCommand(t *testing.T) {
	config, db := millFile(t, "")
	begun := time.Now().Add(-401 * 24 * time.Hour)
	at := func(n int) time.Time { return begun.Add(time.Duration(n) * time.Minute) }
	first := sealed(t, begun, 1, minutes(1, 30)...)
	take(t, db, at(30), first)
	want(t, 1, "no such file", "prune", "-c", filepath.Join(t.TempDir(), "none.yaml"))
	want(t, 2, "at least", "prune", "-c", config, "--older-than", "30d")
	want(t, 0, "older records stay: no verified backup holds record 1", "prune", "-c", config)
	backup := filepath.Join(filepath.Dir(config), "b.db")
	want(t, 0, "30 records", "backup", "-c", config, "--to", backup)

	end := startServer(t, config)
	want(t, 0, "machine k01: 30 records up to", "prune", "-c", config, "--dry-run")
	if f := verified(t, "-c", config); f.Records != 30 {
		t.Errorf("after a dry run %+v", f)
	}
	out := want(t, 0, `"records": 30`, "prune", "-c", config, "--json")
	var p struct {
		Records  int64
		DryRun   bool `json:"dry_run"`
		Machines []struct {
			Machine string
			Records int64
			Until   time.Time
		}
	}
	if err := json.Unmarshal([]byte(out), &p); err != nil || p.DryRun || len(p.Machines) != 1 || p.Machines[0].Until.UnixMilli() != at(30).UnixMilli() {
		t.Errorf("result %s, %v, want records up to %s", out, err, at(30))
	}
	want(t, 0, "30 older records were dropped", "verify", "-c", config)
	want(t, 0, "0 records", "prune", "-c", config)
	want(t, 0, "of them free; before", "prune", "-c", config)
	end()
	text, err := os.ReadFile(config)
	if err == nil {
		err = os.WriteFile(config, append(text, "retain: { records: off, fine_cells: 300d }\n"...), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	want(t, 0, "cells of five minutes of before", "prune", "-c", config)
	want(t, 0, `"fine_cells"`, "prune", "-c", config, "--json")
	take(t, db, at(40), first, sealed(t, begun, 31, minutes(31, 40)...))
	if f := verified(t, "-c", config); f.Records != 10 || f.Revolutions != 400 {
		t.Errorf("after the agent went on %+v, want 10 records and 400 turns", f)
	}
	want(t, 0, "start the server", "restore", "-c", config, "--verify", "--from", backup) // with the records again
	take(t, db, at(40), sealed(t, begun, 31, minutes(31, 40)...))
	if f := verified(t, "-c", config); f.Records != 40 || f.Revolutions != 400 {
		t.Errorf("after the restore %+v, want 40 records and 400 turns", f)
	}
}

// The file is made anew with the server stopped; killed in the midst, or without
// room, it is as it was.
func TestShrinkCommand(t *testing.T) {
	config, db := millFile(t, "")
	begun := time.Now().Add(-401 * 24 * time.Hour)
	take(t, db, begun.Add(30*time.Minute), sealed(t, begun, 1, minutes(1, 30)...))
	want(t, 1, "no such file", "shrink", "-c", filepath.Join(t.TempDir(), "none.yaml"))
	end := startServer(t, config)
	want(t, 1, "in use by process", "shrink", "-c", config)
	want(t, 0, "nothing was changed", "shrink", "-c", config, "--dry-run")
	end()
	for stages := range 4 {
		cmd := process(t, "shrink", "-c", config)
		pipe, err := cmd.StderrPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(pipe)
		for range stages {
			lines.Scan()
		}
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if f := verified(t, "-c", config); f.Records != 30 || f.Revolutions != 300 {
			t.Errorf("killed after %d stages: %+v", stages, f)
		}
	}
	out := want(t, 0, "shrink: checking the new file", "shrink", "-c", config, "--json")
	var x struct {
		File                 string
		Records, Revolutions int64
		Before, After        struct {
			Bytes int64 `json:"file_bytes"`
			Free  int64 `json:"free_bytes"`
			Gives bool  `json:"gives_back"`
		}
	}
	st, err := os.Stat(db)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(out), &x); err != nil || x.File != db || x.Records != 30 || x.Revolutions != 300 || !x.After.Gives || x.After.Free != 0 || x.After.Bytes != st.Size() {
		t.Errorf("result %s, %v, the file has %d bytes", out, err, st.Size())
	}
	if st.Mode().Perm() != 0o600 {
		t.Errorf("mode %v", st.Mode())
	}
	if left, _ := filepath.Glob(db + "*"); len(left) != 4 { // with its two locks and the ballast
		t.Errorf("left %v", left)
	}
	startServer(t, config)()
	if f := verified(t, "-c", config); f.Records != 30 || f.Revolutions != 300 {
		t.Errorf("after the shrink %+v", f)
	}
}
