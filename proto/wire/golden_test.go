package wire

import (
	"bytes"
	"encoding/hex"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"turnwise/proto/turnwisepb/wirepb"
)

var writeGolden = flag.Bool("golden", false, "write the messages of testdata/wire that are missing: acknowledgements, states, commands")

// TestGoldenDown: acknowledgements, states and commands that were ever sent are
// read as they were meant, and written byte for byte again. The .hex is the
// message, the .txt what it says, field by field.
func TestGoldenDown(t *testing.T) {
	const dir = "../../testdata/wire"
	clock := &wirepb.AgentClock{Boot: 1, BoottimeNs: 40, WallNs: 50, Quality: wirepb.ClockQuality_CLOCK_QUALITY_FREE,
		Server: &wirepb.ServerClock{Measured: true, OffsetNs: 7, ErrorNs: 8}}
	for name, m := range map[string]proto.Message{
		"acks-1.1": &wirepb.Acks{Acks: []*wirepb.Ack{
			{StreamId: id('s'), AckedSeq: 7, BackupHorizon: 5, DbIncarnation: id('i'), Credit: 4, Verdict: wirepb.Verdict_VERDICT_OK,
				EchoBoottimeNs: 1, ReceivedNs: 2, SentNs: 3, Machine: "k01"},
			{StreamId: id('t'), Verdict: wirepb.Verdict_VERDICT_FROZEN, Reason: "journal was copied", Machine: "k02"},
			{StreamId: id('u'), Verdict: wirepb.Verdict_VERDICT_UNREGISTERED, Reason: "not registered"}}},
		"agent-state-1.1": &wirepb.AgentState{SessionNo: 3, Online: true, RunId: id('r'), Version: "1.1", BootId: id('b'), Clock: clock, JournalBytes: 4096,
			Machines: []*wirepb.MachineLive{{Machine: "k01", StreamId: id('s'), HeadSeq: 9, AckedSeq: 7, Problem: "not registered"}},
			Resumes:  []*wirepb.ResumeRequest{{Machine: "k02", StreamId: id('t'), HeadSeq: 2}}},
		"server-state-1.1": &wirepb.ServerState{Online: true, AcceptedMajors: []uint32{1}, DbIncarnation: id('i'), StartedNs: 6, Version: "1.1"},
		"command-1.1-resume": &wirepb.Command{Resumes: []*wirepb.Resume{
			{Machine: "k01", StreamId: id('s'), Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE, LifeId: id('l'), Extended: 70_000, Raw: 4464, RawBits: 16,
				CountsPerRevolution: 1, BootId: id('b'), BoottimeNs: 5, ReadingNs: 6, SentNs: 7, DbIncarnation: id('i'), StopId: id('x')},
			{Machine: "k02", StreamId: id('t'), Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_NOTHING}}},
		"acks-1.2": &wirepb.Acks{Acks: []*wirepb.Ack{
			{StreamId: id('s'), AckedSeq: 7, Verdict: wirepb.Verdict_VERDICT_NEED_FROM, Machine: "k01"},
			{StreamId: id('t'), AckedSeq: 8, Verdict: wirepb.Verdict_VERDICT_QUARANTINED, Reason: "not a batch", Machine: "k02"}}},
		"agent-state-1.2": &wirepb.AgentState{SessionNo: 4, Online: true, Machines: []*wirepb.MachineLive{
			{Machine: "k01", StreamId: id('s'), LifeId: id('l'), Extended: 70_000, Raw: 4464, RawBits: 16, CountsPerRevolution: 2, BoottimeNs: 5, Turning: true, SpeedRpm: 27.5,
				Readable: true, HeadSeq: 9, AckedSeq: 7, Untold: 3},
			{Machine: "k02", StreamId: id('t'), StopId: id('x'), Cause: "yarn"}}},
		"command-1.2-refused": &wirepb.Command{Resumes: []*wirepb.Resume{
			{Machine: "k03", StreamId: id('u'), Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_REFUSED, Reason: "not registered"}}},
		"command-1.3-clock-set-back": &wirepb.Command{Resumes: []*wirepb.Resume{
			{Machine: "k01", StreamId: id('s'), Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE, LifeId: id('l'), Extended: 70_000, Raw: 4464, RawBits: 16,
				CountsPerRevolution: 1, BootId: id('b'), BoottimeNs: 5, ReadingNs: 7, SentNs: 7, LongerAgoNs: 3_600_000_000_000, DbIncarnation: id('i')}}},
		"command-1.3-stop-of-an-input": &wirepb.Command{Resumes: []*wirepb.Resume{
			{Machine: "k01", StreamId: id('s'), Verdict: wirepb.ResumeVerdict_RESUME_VERDICT_CONTINUE, LifeId: id('l'), Extended: 7, Raw: 7, RawBits: 16,
				CountsPerRevolution: 1, ReadingNs: 7, SentNs: 7, StopId: id('x'), StopCause: "yarn", StopSide: "top"}}},
		"agent-state-1.3-absence": &wirepb.AgentState{SessionNo: 5, Online: true,
			Absences: []*wirepb.AbsenceRequest{{Machine: "k01", StreamId: id('s'), SinceNs: 1_800_000_000_000_000_000}}},
		"command-1.3-absence": &wirepb.Command{Absences: []*wirepb.Absence{
			{Machine: "k01", StreamId: id('s'), SinceNs: 1_800_000_000_000_000_000, AgeNs: 90_000_000_000, LongerAgoNs: 3_600_000_000_000}}},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(dir, name)
			if _, err := os.Stat(file + ".hex"); *writeGolden && os.IsNotExist(err) {
				payload, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
				if err != nil {
					t.Fatal(err)
				}
				text, err := prototext.MarshalOptions{Multiline: true}.Marshal(m)
				if err != nil {
					t.Fatal(err)
				}
				for ext, b := range map[string][]byte{".hex": []byte(hex.EncodeToString(payload) + "\n"), ".txt": text} {
					if err := os.WriteFile(file+ext, b, 0o644); err != nil {
						t.Fatal(err)
					}
				}
			}
			dump, err := os.ReadFile(file + ".hex")
			if err != nil {
				t.Fatal(err)
			}
			payload, err := hex.DecodeString(string(bytes.TrimSpace(dump)))
			if err != nil {
				t.Fatal(err)
			}
			text, err := os.ReadFile(file + ".txt")
			if err != nil {
				t.Fatal(err)
			}
			told := m.ProtoReflect().New().Interface() // what the text says, by its names
			if err := prototext.Unmarshal(text, told); err != nil {
				t.Fatal(err)
			}
			var got proto.Message
			switch m.(type) {
			case *wirepb.Acks:
				var acks []*wirepb.Ack
				acks, err = DecodeAcks(payload)
				got = &wirepb.Acks{Acks: acks}
			case *wirepb.Command:
				got, err = DecodeCommand(payload)
			default:
				got = m.ProtoReflect().New().Interface()
				err = proto.Unmarshal(payload, got)
			}
			if err != nil || !proto.Equal(got, told) {
				t.Errorf("read as %v, %v; want %v", got, err, told)
			}
			if again, err := (proto.MarshalOptions{Deterministic: true}).Marshal(told); err != nil || !bytes.Equal(again, payload) {
				t.Errorf("written as %x, %v; want %x", again, err, payload)
			}
		})
	}
}

// TestGoldenIsWhole: some message of the corpus bears every field of the wire,
// and every value of every enumeration. Who adds one adds a message that has it.
func TestGoldenIsWhole(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	var note func(m protoreflect.Message)
	note = func(m protoreflect.Message) {
		m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
			seen[f.FullName()] = true
			one := func(v protoreflect.Value) {
				switch {
				case f.Message() != nil:
					note(v.Message())
				case f.Enum() != nil:
					if d := f.Enum().Values().ByNumber(v.Enum()); d != nil {
						seen[d.FullName()] = true
					}
				}
			}
			if f.IsList() {
				for i := range v.List().Len() {
					one(v.List().Get(i))
				}
			} else {
				one(v)
			}
			return true
		})
	}
	files, err := filepath.Glob("../../testdata/wire/*.hex")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		kind, _, _ := strings.Cut(filepath.Base(file), "-")
		m := map[string]proto.Message{"batch": &wirepb.Batch{}, "acks": &wirepb.Acks{}, "agent": &wirepb.AgentState{}, "server": &wirepb.ServerState{}, "command": &wirepb.Command{}}[kind]
		if m == nil {
			t.Fatalf("%s: no message is known by this name", file)
		}
		if err := proto.Unmarshal(dumped(t, text), m); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		note(m.ProtoReflect())
		if b, ok := m.(*wirepb.Batch); ok {
			for _, s := range b.GetRecords() {
				r := new(wirepb.Record)
				if err := proto.Unmarshal(s.GetBody(), r); err != nil {
					t.Fatalf("%s: %v", file, err)
				}
				note(r.ProtoReflect())
			}
		}
	}
	f := wirepb.File_turnwise_wire_v1_wire_proto
	for i := range f.Messages().Len() {
		fields := f.Messages().Get(i).Fields()
		for k := range fields.Len() {
			if name := fields.Get(k).FullName(); !seen[name] {
				t.Errorf("no message of the corpus has the field %s", name)
			}
		}
	}
	for i := range f.Enums().Len() {
		values := f.Enums().Get(i).Values()
		for k := range values.Len() {
			if d := values.Get(k); d.Number() != 0 && !seen[d.FullName()] {
				t.Errorf("no message of the corpus has the value %s", d.FullName())
			}
		}
	}
}

// dumped reads hexadecimal digits, or what hex.Dump wrote.
func dumped(t *testing.T, text []byte) (b []byte) {
	t.Helper()
	if b, err := hex.DecodeString(string(bytes.TrimSpace(text))); err == nil {
		return b
	}
	for line := range strings.Lines(string(text)) {
		if len(line) < 59 {
			continue // the length at the end
		}
		part, err := hex.DecodeString(strings.ReplaceAll(line[10:58], " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		b = append(b, part...)
	}
	return b
}
