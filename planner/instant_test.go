package main

import (
	"io"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

// atCommands are all that take --at, with how the server hears it.
var atCommands = map[string]func(proto.Message) *timestamppb.Timestamp{
	"care done oil-k05": func(m proto.Message) *timestamppb.Timestamp {
		return m.(*pb.ApplyBookRequest).GetBook().GetCare()[0].GetDoneTime()
	},
	"plan start K03 SO-2":     func(m proto.Message) *timestamppb.Timestamp { return m.(*pb.BeginJobRequest).GetBeginTime() },
	"creel load k05":          func(m proto.Message) *timestamppb.Timestamp { return m.(*pb.LoadCreelRequest).GetLoadTime() },
	"creel done t":            func(m proto.Message) *timestamppb.Timestamp { return m.(*pb.ReportTaskRequest).GetActTime() },
	"rolls weigh k03 --kg 24": func(m proto.Message) *timestamppb.Timestamp { return m.(*pb.RecordReadingRequest).GetReadingTime() },
}

// Every --at is read in the same way: in the zone that was named, unless it names its own.
func TestAt(t *testing.T) {
	for command, heard := range atCommands {
		f := new(fake)
		addr := f.serve(t)
		tell := func(text string) int {
			args := append(strings.Fields(command), "--server", addr, "--zone", "Europe/Istanbul", "--at", text)
			return run(t.Context(), args, world{in: strings.NewReader(""), out: io.Discard, err: io.Discard, now: func() time.Time { return noon }})
		}
		for text, want := range map[string]time.Time{
			"2026-11-25T06:50:00+01:00": time.Date(2026, 11, 25, 5, 50, 0, 0, time.UTC),
			"2026-11-25T03:50:00Z":      time.Date(2026, 11, 25, 3, 50, 0, 0, time.UTC),
			"2026-11-25T06:50":          time.Date(2026, 11, 25, 3, 50, 0, 0, time.UTC),
			"2026-11-25 06:50:30":       time.Date(2026, 11, 25, 3, 50, 30, 0, time.UTC),
			"0001-01-01T00:00:00Z":      {}, // the first instant that a computer knows is not now
		} {
			if code := tell(text); code != exitOK || heard(f.last()) == nil || !heard(f.last()).AsTime().Equal(want) {
				t.Errorf("%s --at %s: exit %d, the server heard %v, want %v", command, text, code, f.last(), want)
			}
		}
	}
}

// A flag for a time that is there and empty, as of a script whose variable is not set,
// is refused before the server is asked.
func TestTimesThatAreEmpty(t *testing.T) {
	lines := [][]string{}
	for command := range atCommands {
		words := strings.Fields(command)
		lines = append(lines, append(words[:len(words):len(words)], "--at="), append(words[:len(words):len(words)], "--at", ""), append(words[:len(words):len(words)], "--at= "))
		for _, text := range []string{"--at=tuesday", "--at=2026-11-25", "--at=06:50", "--at=1e9", "--at=2026-11-31T06:50"} {
			lines = append(lines, append(words[:len(words):len(words)], text))
		}
	}
	for _, command := range []string{"stops k07", "asked", "kept"} {
		words := strings.Fields(command)
		for _, text := range []string{"--since=", "--since=yesterday", "--since=-8h", "--since=0h", "--since=NaNd", "--since=2099-01-01T00:00:00Z"} {
			lines = append(lines, append(words[:len(words):len(words)], text))
		}
	}
	lines = append(lines, []string{"yarn", "requisition", "--for="}, []string{"yarn", "requisition", "--for", ""}, []string{"yarn", "requisition", "--hours="},
		[]string{"alarms", "shelve", "silent-k13", "--reason", "part", "--for="}, []string{"alarms", "shelve", "silent-k13", "--reason", "part", "--for", ""},
		[]string{"plan", "start", "K03", ""}, []string{"plan", "apply", ""}, []string{"plan", "undo", ""}, []string{"machines", "--server="}, []string{"stops", ""})
	for _, args := range lines {
		f := new(fake)
		addr := f.serve(t)
		var out, errs strings.Builder
		code := run(t.Context(), append([]string{"--server", addr}, args...), world{in: strings.NewReader(""), out: &out, err: &errs, now: func() time.Time { return noon }})
		f.mu.Lock()
		asked := len(f.asked)
		f.mu.Unlock()
		if code != exitUsage || asked != 0 || out.Len() != 0 || !strings.Contains(errs.String(), "expected") && !strings.Contains(errs.String(), "not in the past") {
			t.Errorf("planner %q: exit %d after %d questions, %q %q; want %d, none, and what is expected", args, code, asked, out.String(), errs.String(), exitUsage)
		}
	}
}
