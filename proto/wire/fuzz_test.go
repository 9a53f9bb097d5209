package wire

import (
	"errors"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
)

// malformed checks an error of a decoder: the sentinel is inside, and it says
// what was read.
func malformed(t *testing.T, err error, what string) {
	t.Helper()
	if !errors.Is(err, ErrMalformed) {
		t.Errorf("error without ErrMalformed: %v", err)
	}
	if !strings.HasPrefix(err.Error(), "wire: "+what) {
		t.Errorf("error does not begin with wire: %s: %v", what, err)
	}
}

// FuzzDecodeBatch: bytes give a batch within all limits that reads the same
// once written again, or an error that says which part is wrong. What a
// mutation leaves readable is sealed anew and checked again, since no mutation
// gets past the check sums by itself.
func FuzzDecodeBatch(f *testing.F) {
	f.Add(encode(f, batch(f, 1, 2)))
	f.Add(encode(f, batch(f, 1<<63, 1)))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, p []byte) {
		b, err := DecodeBatch(p)
		if err != nil {
			malformed(t, err, "batch")
		} else {
			bounded(t, b)
			again, err := DecodeBatch(encode(t, b))
			if err != nil || !proto.Equal(b, again) {
				t.Errorf("read %v, written and read again %v (%v)", b, again, err)
			}
			return
		}
		if b == nil {
			return
		}
		for i, r := range b.GetRecords() {
			r.Crc32C = RecordCRC(b.GetStreamId(), b.GetFirstSeq()+uint64(i), r.GetBody())
		}
		b.Crc32C = BatchCRC(b)
		if err := CheckBatch(b); err != nil {
			malformed(t, err, "batch")
			return
		}
		bounded(t, b)
	})
}

func bounded(t *testing.T, b *wirepb.Batch) {
	t.Helper()
	n := len(b.GetRecords())
	last := b.GetFirstSeq() + uint64(n) - 1
	if n == 0 || n > MaxRecords || b.GetFirstSeq() == 0 || last < b.GetFirstSeq() || b.GetHeadSeq() < last || len(b.GetBoots()) > MaxBoots {
		t.Errorf("accepted %d records from %d, head %d, %d boots", n, b.GetFirstSeq(), b.GetHeadSeq(), len(b.GetBoots()))
	}
	for _, r := range b.GetRecords() {
		if len(r.GetBody()) == 0 || len(r.GetBody()) > MaxRecordBytes {
			t.Errorf("accepted a record of %d bytes", len(r.GetBody()))
		}
	}
}

// FuzzDecodeAcks: bytes give acknowledgements with whole ids that read the
// same once written again, or an error that says which one is wrong.
func FuzzDecodeAcks(f *testing.F) {
	whole := &wirepb.Ack{StreamId: id('s'), AckedSeq: 7, BackupHorizon: 5, DbIncarnation: id('i'), Credit: 4,
		Verdict: wirepb.Verdict_VERDICT_OK, EchoBoottimeNs: 1, ReceivedNs: 2, SentNs: 3, Machine: "k01"}
	for _, acks := range [][]*wirepb.Ack{nil, {whole}, {whole, {StreamId: id('t'), Verdict: wirepb.Verdict_VERDICT_FROZEN, Reason: "copied"}}, {{StreamId: []byte{1}}}} {
		p, err := proto.Marshal(&wirepb.Acks{Acks: acks})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		acks, err := DecodeAcks(p)
		if err != nil {
			malformed(t, err, "acknowledgement")
			return
		}
		if len(acks) > MaxAcks {
			t.Errorf("accepted %d acknowledgements", len(acks))
		}
		for i, a := range acks {
			if len(a.GetStreamId()) != IDLen || len(a.GetDbIncarnation())%IDLen != 0 {
				t.Errorf("accepted acknowledgement %d with ids of %d and %d bytes", i, len(a.GetStreamId()), len(a.GetDbIncarnation()))
			}
		}
		p, err = proto.Marshal(&wirepb.Acks{Acks: acks})
		if err != nil {
			t.Fatal(err)
		}
		again, err := DecodeAcks(p)
		if err != nil || !proto.Equal(&wirepb.Acks{Acks: acks}, &wirepb.Acks{Acks: again}) {
			t.Errorf("read %v, written and read again %v (%v)", acks, again, err)
		}
	})
}

// FuzzDecodeCommand: bytes give resumes with whole ids, and readings that a
// counter of their width can show, that read the same once written again.
func FuzzDecodeCommand(f *testing.F) {
	whole := &wirepb.Resume{Machine: "k01", StreamId: id('s'), Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE, LifeId: id('l'), Extended: 70_000, Raw: 4464,
		RawBits: 16, CountsPerRevolution: 1, BootId: id('b'), BoottimeNs: 5, ReadingNs: 6, SentNs: 7, DbIncarnation: id('i'), StopId: id('x')}
	wide := proto.CloneOf(whole)
	wide.Raw = 1 << 16
	sooner := proto.CloneOf(whole)
	sooner.LongerAgoNs = -1
	for _, rs := range [][]*wirepb.Resume{nil, {whole}, {wide}, {sooner}, {{StreamId: id('s'), Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_NOTHING}}, {{StreamId: []byte{1}}}} {
		p, err := proto.Marshal(&wirepb.Command{Resumes: rs})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(p)
	}
	for _, a := range []*wirepb.Absence{{Machine: "k01", StreamId: id('s'), SinceNs: 5, AgeNs: 6, LongerAgoNs: 7}, {StreamId: id('s'), AgeNs: -1}, {StreamId: []byte{1}}} {
		p, err := proto.Marshal(&wirepb.Command{Absences: []*wirepb.Absence{a}})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		c, err := DecodeCommand(p)
		if err != nil {
			if !errors.Is(err, ErrMalformed) || !strings.HasPrefix(err.Error(), "wire: ") {
				t.Errorf("error without ErrMalformed: %v", err)
			}
			return
		}
		for i, r := range c.GetResumes() {
			if len(r.GetStreamId()) != IDLen || r.GetVerdict() == wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE && (len(r.GetLifeId()) != IDLen || r.GetRaw()>>r.GetRawBits() != 0 || r.GetLongerAgoNs() < 0) {
				t.Errorf("accepted resume %d: %v", i, r)
			}
		}
		for i, a := range c.GetAbsences() {
			if len(a.GetStreamId()) != IDLen || a.GetAgeNs() < 0 || a.GetLongerAgoNs() < 0 {
				t.Errorf("accepted absence %d: %v", i, a)
			}
		}
		if p, err = proto.Marshal(c); err != nil {
			t.Fatal(err)
		}
		again, err := DecodeCommand(p)
		if err != nil || !proto.Equal(c, again) {
			t.Errorf("read %v, written and read again %v (%v)", c, again, err)
		}
	})
}

// FuzzParseTopic: a topic that is read is the one that its parts make, and an
// error names it.
func FuzzParseTopic(f *testing.F) {
	for _, s := range []string{Up("demo", "u-03", "k01"), State("demo", "u-03"), Ack("demo", "u-03"), ServerState("demo"), Cmd("demo", "u-03"), "kt/v2/demo/u-03/up/k01", "$SYS/#"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParseTopic(s)
		if err != nil {
			if p != (Topic{}) && !errors.Is(err, ErrMalformed) || !errors.Is(err, ErrMalformed) && !errors.Is(err, ErrMajor) {
				t.Errorf("%q was read as %+v with %v", s, p, err)
			}
			if !strings.HasPrefix(err.Error(), "wire: topic ") {
				t.Errorf("the error does not name the topic: %v", err)
			}
			return
		}
		want := map[string]string{"up": Up(p.Site, p.Agent, p.Machine), "state": State(p.Site, p.Agent), "down/ack": Ack(p.Site, p.Agent),
			"down/cmd": Cmd(p.Site, p.Agent), "srv/state": ServerState(p.Site)}[p.Kind]
		if want != s || !ValidID(p.Site) || p.Kind != "srv/state" && !ValidID(p.Agent) || p.Kind == "up" && !ValidID(p.Machine) {
			t.Errorf("%q was read as %+v", s, p)
		}
	})
}
