package wire

import (
	"bytes"
	"encoding/hex"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

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
