// Package wire fixes what agent and server must agree on beyond the protobuf
// messages: topic names, limits, check sums and the sealing of records.
package wire

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"strings"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
)

// Major is the protocol major version; it stands in every topic.
const Major = 1

// Limits of one message. They keep a message far below the packet limit of
// the broker, so that no agent can be shut out by its own backlog.
const (
	MaxRecords     = 200       // records in a batch
	MaxBatchBytes  = 32 << 10  // serialised batch
	MaxRecordBytes = 1 << 10   // serialised record
	MaxPacketBytes = 256 << 10 // any MQTT packet
	MaxBoots       = 64        // boots named in a batch
	MaxMachines    = 256       // machines in an agent state
	MaxAcks        = 256       // acknowledgements in a message
	MaxIDLen       = 63        // site, area, agent and machine ids
	IDLen          = 16        // stream, life, stop, run, boot and incarnation ids
)

// ErrMalformed is inside every error about bytes that are not what the wire
// allows.
var ErrMalformed = errors.New("malformed")

// ErrMajor is inside the error about a topic of another protocol major.
var ErrMajor = errors.New("protocol major not spoken here")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// RecordCRC is CRC-32C over stream id, sequence number (8 bytes, big endian)
// and body: a record moved to another place in a stream does not check.
func RecordCRC(stream []byte, seq uint64, body []byte) uint32 {
	var s [8]byte
	binary.BigEndian.PutUint64(s[:], seq)
	c := crc32.Update(0, castagnoli, stream)
	c = crc32.Update(c, castagnoli, s[:])
	return crc32.Update(c, castagnoli, body)
}

// BatchCRC is CRC-32C over stream id, first sequence number, run id and the
// check sums of the records in order (4 bytes each, big endian).
func BatchCRC(b *wirepb.Batch) uint32 {
	var s [8]byte
	binary.BigEndian.PutUint64(s[:], b.GetFirstSeq())
	c := crc32.Update(0, castagnoli, b.GetStreamId())
	c = crc32.Update(c, castagnoli, s[:])
	c = crc32.Update(c, castagnoli, b.GetRunId())
	for _, r := range b.GetRecords() {
		binary.BigEndian.PutUint32(s[:4], r.GetCrc32C())
		c = crc32.Update(c, castagnoli, s[:4])
	}
	return c
}

// Seal serialises a record for good.
func Seal(stream []byte, r *wirepb.Record) (*wirepb.SealedRecord, error) {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
	if err != nil {
		return nil, fmt.Errorf("wire: seal record %d: %w", r.GetSeq(), err)
	}
	if len(body) > MaxRecordBytes {
		return nil, fmt.Errorf("wire: seal record %d: %d bytes, at most %d are allowed: %w", r.GetSeq(), len(body), MaxRecordBytes, ErrMalformed)
	}
	return &wirepb.SealedRecord{Body: body, Crc32C: RecordCRC(stream, r.GetSeq(), body)}, nil
}

// DecodeBatch reads and checks the payload of an up topic: sizes, id lengths
// and all check sums. The records stay sealed. Errors are [ErrMalformed].
func DecodeBatch(payload []byte) (*wirepb.Batch, error) {
	if len(payload) > MaxBatchBytes {
		return nil, fmt.Errorf("wire: batch of %d bytes, at most %d are allowed: %w", len(payload), MaxBatchBytes, ErrMalformed)
	}
	b := new(wirepb.Batch)
	if err := proto.Unmarshal(payload, b); err != nil {
		return nil, fmt.Errorf("wire: batch is not a Batch message: %w: %w", ErrMalformed, err)
	}
	return b, CheckBatch(b)
}

// CheckBatch checks a decoded batch as [DecodeBatch] does.
func CheckBatch(b *wirepb.Batch) error {
	fail := func(format string, args ...any) error {
		return fmt.Errorf("wire: batch: "+format+": %w", append(args, ErrMalformed)...)
	}
	if n := len(b.GetStreamId()); n != IDLen {
		return fail("stream_id has %d bytes, %d expected", n, IDLen)
	}
	if n := len(b.GetRunId()); n != IDLen {
		return fail("run_id has %d bytes, %d expected", n, IDLen)
	}
	if n := len(b.GetRecords()); n == 0 || n > MaxRecords {
		return fail("%d records, 1 to %d expected", n, MaxRecords)
	}
	if b.GetFirstSeq() == 0 {
		return fail("first_seq is 0, sequence numbers begin at 1")
	}
	last := b.GetFirstSeq() + uint64(len(b.GetRecords())) - 1
	if last < b.GetFirstSeq() {
		return fail("first_seq %d runs over", b.GetFirstSeq())
	}
	if b.GetHeadSeq() < last {
		return fail("head_seq %d is before the last record %d", b.GetHeadSeq(), last)
	}
	if n := len(b.GetBoots()); n > MaxBoots {
		return fail("%d boots, at most %d expected", n, MaxBoots)
	}
	for _, boot := range b.GetBoots() {
		if n := len(boot.GetBootId()); n != IDLen {
			return fail("boot_id has %d bytes, %d expected", n, IDLen)
		}
	}
	if b.GetClock() == nil {
		return fail("clock is missing")
	}
	if got := BatchCRC(b); got != b.GetCrc32C() {
		return fail("check sum is %08x, %08x computed", b.GetCrc32C(), got)
	}
	for i, r := range b.GetRecords() {
		seq := b.GetFirstSeq() + uint64(i)
		if n := len(r.GetBody()); n == 0 || n > MaxRecordBytes {
			return fail("record %d has %d bytes, 1 to %d expected", seq, n, MaxRecordBytes)
		}
		if got := RecordCRC(b.GetStreamId(), seq, r.GetBody()); got != r.GetCrc32C() {
			return fail("record %d has check sum %08x, %08x computed", seq, r.GetCrc32C(), got)
		}
	}
	return nil
}

// DecodeAcks reads and checks the payload of an ack topic: its size, and the
// number and the ids of the acknowledgements. Errors are [ErrMalformed].
func DecodeAcks(payload []byte) ([]*wirepb.Ack, error) {
	if len(payload) > MaxPacketBytes {
		return nil, fmt.Errorf("wire: acknowledgements of %d bytes, at most %d are allowed: %w", len(payload), MaxPacketBytes, ErrMalformed)
	}
	acks := new(wirepb.Acks)
	if err := proto.Unmarshal(payload, acks); err != nil {
		return nil, fmt.Errorf("wire: acknowledgements are not an Acks message: %w: %w", ErrMalformed, err)
	}
	if n := len(acks.GetAcks()); n > MaxAcks {
		return nil, fmt.Errorf("wire: %d acknowledgements, at most %d are allowed: %w", n, MaxAcks, ErrMalformed)
	}
	for i, a := range acks.GetAcks() {
		if n := len(a.GetStreamId()); n != IDLen {
			return nil, fmt.Errorf("wire: acknowledgement %d: stream_id has %d bytes, %d expected: %w", i, n, IDLen, ErrMalformed)
		}
		if n := len(a.GetDbIncarnation()); n != IDLen && n != 0 {
			return nil, fmt.Errorf("wire: acknowledgement %d: db_incarnation has %d bytes, %d or none expected: %w", i, n, IDLen, ErrMalformed)
		}
	}
	return acks.GetAcks(), nil
}

// DecodeCommand reads and checks the payload of a cmd topic: its size, and the
// number and the ids of what it holds. Errors are [ErrMalformed].
func DecodeCommand(payload []byte) (*wirepb.Command, error) {
	if len(payload) > MaxPacketBytes {
		return nil, fmt.Errorf("wire: command of %d bytes, at most %d are allowed: %w", len(payload), MaxPacketBytes, ErrMalformed)
	}
	c := new(wirepb.Command)
	if err := proto.Unmarshal(payload, c); err != nil {
		return nil, fmt.Errorf("wire: not a Command message: %w: %w", ErrMalformed, err)
	}
	if n := len(c.GetResumes()); n > MaxMachines {
		return nil, fmt.Errorf("wire: command with %d resumes, at most %d are allowed: %w", n, MaxMachines, ErrMalformed)
	}
	for i, r := range c.GetResumes() {
		if n := len(r.GetStreamId()); n != IDLen {
			return nil, fmt.Errorf("wire: resume %d: stream_id has %d bytes, %d expected: %w", i, n, IDLen, ErrMalformed)
		}
		for _, x := range []struct {
			name  string
			bytes []byte
		}{{"life_id", r.GetLifeId()}, {"boot_id", r.GetBootId()}, {"stop_id", r.GetStopId()}, {"db_incarnation", r.GetDbIncarnation()}} {
			if n := len(x.bytes); n != IDLen && n != 0 {
				return nil, fmt.Errorf("wire: resume %d: %s has %d bytes, %d or none expected: %w", i, x.name, n, IDLen, ErrMalformed)
			}
		}
		if r.GetVerdict() != wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE {
			continue
		}
		if len(r.GetLifeId()) == 0 || r.GetRawBits() == 0 || r.GetRawBits() > 32 || r.GetRaw()>>r.GetRawBits() != 0 || r.GetReadingNs() > r.GetSentNs() || r.GetLongerAgoNs() < 0 {
			return nil, fmt.Errorf("wire: resume %d: raw reading %d of %d bits, read %d ns before it was sent, or up to %d longer ago: a life, 1 to 32 bits and times past expected: %w",
				i, r.GetRaw(), r.GetRawBits(), r.GetSentNs()-r.GetReadingNs(), r.GetLongerAgoNs(), ErrMalformed)
		}
	}
	if n := len(c.GetAbsences()); n > MaxMachines {
		return nil, fmt.Errorf("wire: command with %d absences, at most %d are allowed: %w", n, MaxMachines, ErrMalformed)
	}
	for i, a := range c.GetAbsences() {
		if len(a.GetStreamId()) != IDLen || a.GetAgeNs() < 0 || a.GetLongerAgoNs() < 0 {
			return nil, fmt.Errorf("wire: absence %d: stream_id of %d bytes, %d ns ago or up to %d longer: %d bytes and times past expected: %w",
				i, len(a.GetStreamId()), a.GetAgeNs(), a.GetLongerAgoNs(), IDLen, ErrMalformed)
		}
	}
	return c, nil
}

// Topic is a parsed topic name.
type Topic struct {
	Site  string
	Agent string // empty for the server's state
	// Kind is one of "up", "state", "down/ack", "down/cmd", "srv/state".
	Kind    string
	Machine string // only for "up"
}

// Up is the topic of the batches of one machine.
func Up(site, agent, machine string) string { return prefix(site) + agent + "/up/" + machine }

// State is the topic of an agent's birth, will and live view.
func State(site, agent string) string { return prefix(site) + agent + "/state" }

// Ack is the topic of the acknowledgements for one agent.
func Ack(site, agent string) string { return prefix(site) + agent + "/down/ack" }

// Cmd is the topic of the server's commands to one agent.
func Cmd(site, agent string) string { return prefix(site) + agent + "/down/cmd" }

// Down is the filter with which an agent hears everything meant for it.
func Down(site, agent string) string { return prefix(site) + agent + "/down/#" }

// ServerState is the topic of the server's retained state.
func ServerState(site string) string { return prefix(site) + "srv/state" }

func prefix(site string) string { return fmt.Sprintf("kt/v%d/%s/", Major, site) }

// ParseTopic reads a topic name. A well-formed topic of another major gives
// [ErrMajor], anything else that is not a wire topic [ErrMalformed].
func ParseTopic(name string) (Topic, error) {
	p := strings.Split(name, "/")
	if len(p) < 5 || p[0] != "kt" {
		return Topic{}, fmt.Errorf("wire: topic %q: %w: expected kt/v%d/SITE/AGENT/up/MACHINE or .../state", name, ErrMalformed, Major)
	}
	if p[1] != fmt.Sprintf("v%d", Major) {
		return Topic{}, fmt.Errorf("wire: topic %q: %w: v%d expected", name, ErrMajor, Major)
	}
	t := Topic{Site: p[2], Agent: p[3], Kind: strings.Join(p[4:], "/")}
	switch {
	case p[3] == "srv" && t.Kind == "state":
		t.Agent, t.Kind = "", "srv/state"
	case p[4] == "up" && len(p) == 6:
		t.Kind, t.Machine = "up", p[5]
	case t.Kind == "state" || t.Kind == "down/ack" || t.Kind == "down/cmd":
	default:
		return Topic{}, fmt.Errorf("wire: topic %q: %w: expected kt/v%d/SITE/AGENT/up/MACHINE or .../state", name, ErrMalformed, Major)
	}
	ids := []string{t.Site, t.Agent, t.Machine}
	switch t.Kind {
	case "srv/state":
		ids = ids[:1]
	case "up":
	default:
		ids = ids[:2]
	}
	for _, id := range ids {
		if !ValidID(id) {
			return Topic{}, fmt.Errorf("wire: topic %q: %w: %q is not an id", name, ErrMalformed, id)
		}
	}
	return t, nil
}

// ValidID tells whether s can name a site, area, agent or machine: 1 to 63
// lower-case letters, digits, '-' and '_', beginning with a letter or digit.
// "srv" is taken by the server.
func ValidID(s string) bool {
	if s == "" || len(s) > MaxIDLen || s == "srv" {
		return false
	}
	for i, c := range []byte(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= '0' && c <= '9':
		case (c == '-' || c == '_') && i > 0:
		default:
			return false
		}
	}
	return true
}
