package wire

import (
	"errors"
	"hash/crc32"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"turnwise/proto/turnwisepb/wirepb"
)

func id(b byte) []byte { return []byte(strings.Repeat(string(rune(b)), IDLen)) }

func batch(t testing.TB, first uint64, n int) *wirepb.Batch {
	t.Helper()
	b := &wirepb.Batch{StreamId: id('s'), FirstSeq: first, RunId: id('r'), HeadSeq: first + uint64(n) - 1, Clock: &wirepb.AgentClock{}}
	for i := range n {
		r, err := Seal(b.StreamId, &wirepb.Record{Seq: first + uint64(i), Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: id('l'), From: uint64(i), To: uint64(i) + 1}}})
		if err != nil {
			t.Fatal(err)
		}
		b.Records = append(b.Records, r)
	}
	b.Crc32C = BatchCRC(b)
	return b
}

func encode(t testing.TB, b *wirepb.Batch) []byte {
	t.Helper()
	p, err := proto.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestCRCIsCastagnoli pins the polynomial: the check value of CRC-32C
// (iSCSI) for "123456789" is E3069283 (RFC 3720 names the polynomial; the
// value is the usual catalogue one, from memory).
func TestCRCIsCastagnoli(t *testing.T) {
	if got := crc32.Checksum([]byte("123456789"), castagnoli); got != 0xE3069283 {
		t.Fatalf("CRC-32C of 123456789 is %08X, want E3069283", got)
	}
}

func TestBatchSurvivesTheWire(t *testing.T) {
	for _, n := range []int{1, 50, MaxRecords} {
		p := encode(t, batch(t, 7, n))
		b, err := DecodeBatch(p)
		if err != nil {
			t.Fatalf("%d records, %d bytes: %v", n, len(p), err)
		}
		if len(b.Records) != n || b.FirstSeq != 7 {
			t.Errorf("%d records came back as %d from %d", n, len(b.Records), b.FirstSeq)
		}
	}
}

func TestBatchRefused(t *testing.T) {
	reseal := func(b *wirepb.Batch) { b.Crc32C = BatchCRC(b) }
	tests := []struct {
		name string
		harm func(b *wirepb.Batch)
		want string
	}{
		{"short stream id", func(b *wirepb.Batch) { b.StreamId = b.StreamId[:15]; reseal(b) }, "stream_id"},
		{"short run id", func(b *wirepb.Batch) { b.RunId = nil; reseal(b) }, "run_id"},
		{"no records", func(b *wirepb.Batch) { b.Records = nil; reseal(b) }, "0 records"},
		{"sequence number zero", func(b *wirepb.Batch) { b.FirstSeq = 0; reseal(b) }, "first_seq is 0"},
		{"sequence runs over", func(b *wirepb.Batch) { b.FirstSeq = 1<<64 - 1; reseal(b) }, "runs over"},
		{"head before the end", func(b *wirepb.Batch) { b.HeadSeq = 8; reseal(b) }, "head_seq"},
		{"no clock", func(b *wirepb.Batch) { b.Clock = nil; reseal(b) }, "clock"},
		{"boot id", func(b *wirepb.Batch) { b.Boots = []*wirepb.Boot{{BootId: []byte{1}}} }, "boot_id"},
		{"record moved", func(b *wirepb.Batch) { b.FirstSeq = 8; b.HeadSeq = 20; reseal(b) }, "record 8"},
		{"record changed", func(b *wirepb.Batch) { b.Records[1].Body[0] ^= 1 }, "record 8"},
		{"records swapped", func(b *wirepb.Batch) { b.Records[0], b.Records[1] = b.Records[1], b.Records[0] }, "check sum"},
		{"empty record", func(b *wirepb.Batch) { b.Records[0].Body = nil }, "record 7"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := batch(t, 7, 3)
			tt.harm(b)
			_, err := DecodeBatch(encode(t, b))
			if !errors.Is(err, ErrMalformed) || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want ErrMalformed with %q", err, tt.want)
			}
		})
	}
	if _, err := DecodeBatch(make([]byte, MaxBatchBytes+1)); !errors.Is(err, ErrMalformed) {
		t.Errorf("oversized batch gave %v", err)
	}
	if _, err := Seal(id('s'), &wirepb.Record{Kind: &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{Evidence: strings.Repeat("x", MaxRecordBytes)}}}); !errors.Is(err, ErrMalformed) {
		t.Errorf("oversized record gave %v", err)
	}
}

// TestAnyFlippedBitIsSeen: no single bit of a batch can change unseen in what
// is applied: the sealed bodies, their place and the framing.
func TestAnyFlippedBitIsSeen(t *testing.T) {
	p := encode(t, batch(t, 7, 4))
	want, err := DecodeBatch(p)
	if err != nil {
		t.Fatal(err)
	}
	for i := range len(p) * 8 {
		q := append([]byte(nil), p...)
		q[i/8] ^= 1 << (i % 8)
		b, err := DecodeBatch(q)
		if err != nil {
			continue
		}
		if b.FirstSeq != want.FirstSeq || string(b.StreamId) != string(want.StreamId) || string(b.RunId) != string(want.RunId) || len(b.Records) != len(want.Records) {
			t.Fatalf("bit %d changed the framing unseen", i)
		}
		for k := range b.Records {
			if string(b.Records[k].Body) != string(want.Records[k].Body) {
				t.Fatalf("bit %d changed record %d unseen", i, k)
			}
		}
	}
}

func TestTopics(t *testing.T) {
	tests := []struct {
		topic string
		want  Topic
		err   error
	}{
		{Up("demo", "u-03", "k01"), Topic{"demo", "u-03", "up", "k01"}, nil},
		{State("demo", "u-03"), Topic{"demo", "u-03", "state", ""}, nil},
		{Ack("demo", "u-03"), Topic{"demo", "u-03", "down/ack", ""}, nil},
		{ServerState("demo"), Topic{"demo", "", "srv/state", ""}, nil},
		{"kt/v2/demo/u-03/up/k01", Topic{}, ErrMajor},
		{"kt/v1/demo/u-03/up", Topic{}, ErrMalformed},
		{"kt/v1/demo/u-03/up/k01/x", Topic{}, ErrMalformed},
		{"kt/v1/demo/u-03/up/K01", Topic{}, ErrMalformed},
		{"kt/v1/demo/srv/up/k01", Topic{}, ErrMalformed},
		{"kt/v1/de mo/u-03/state", Topic{}, ErrMalformed},
		{"kt/v1///state", Topic{}, ErrMalformed},
		{"kt/v1/demo//up/k01", Topic{}, ErrMalformed},
		{"kt/v1/demo/u-03/up/", Topic{}, ErrMalformed},
		{"kt/v1//srv/state", Topic{}, ErrMalformed},
		{"", Topic{}, ErrMalformed},
		{"$SYS/broker", Topic{}, ErrMalformed},
	}
	for _, tt := range tests {
		got, err := ParseTopic(tt.topic)
		if got != tt.want || !errors.Is(err, tt.err) {
			t.Errorf("ParseTopic(%q) = %+v, %v; want %+v, %v", tt.topic, got, err, tt.want, tt.err)
		}
	}
}

func TestTopicsOfAnyIDs(t *testing.T) {
	ids := rapid.StringMatching(`[a-z0-9][a-z0-9_-]{0,62}`).Filter(func(s string) bool { return s != "srv" })
	rapid.Check(t, func(t *rapid.T) {
		site, agent, machine := ids.Draw(t, "site"), ids.Draw(t, "agent"), ids.Draw(t, "machine")
		got, err := ParseTopic(Up(site, agent, machine))
		if err != nil || got != (Topic{site, agent, "up", machine}) {
			t.Fatalf("%+v, %v", got, err)
		}
	})
}
