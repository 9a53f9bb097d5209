package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "turnwise/proto/turnwisepb"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with a file in testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs (run with -update if that is meant)\ngot:\n%s\nwant:\n%s", name, got, want)
	}
}

// Scripts rest on these shapes; tables may change, JSON and CSV may only grow.
func TestGolden(t *testing.T) {
	for name, line := range map[string]string{
		"machines.json": "machines --json", "machines.txt": "machines", "machines.csv": "machines list -o csv",
		"machine.json": "machines show K01 -o json", "machine.txt": "machines show k01",
		"totals.json": "totals --json", "totals.txt": "totals", "totals.csv": "totals -o csv",
		"stops.json": "stops k07 --json", "stops.txt": "stops K07 --since 8h",
		"orders.json": "orders --json", "orders.txt": "orders list", "orders.csv": "orders -o csv",
		"order.json": "orders show SO-1041 --json", "order.txt": "orders show SO-1041",
		"promise.json": "promise --article PQ --kg 6000 --json", "promise.txt": "promise --article PQ --kg 6000 --risk 0.1",
		"forecast.json": "forecast SO-1041 --json", "forecast.txt": "forecast SO-1041 --explain",
		"whatif.json": "whatif slow K03 27, down K04 6h --json", "whatif.txt": "whatif add K03 SO-1041",
		"kept.json": "kept --json", "kept.txt": "kept --since 30d", "kept.csv": "kept -o csv",
		"tasks.json": "creel next --json", "tasks.txt": "creel next --set A --tasks", "tasks.csv": "creel -o csv", "walks.txt": "creel next --set A",
		"creel.json": "creel show k05 --json", "creel.txt": "creel show K05", "creel.csv": "creel show k05 -o csv",
		"read.json": "creel read k05 --turns 100 --metres 812.4 --json", "read.txt": "creel read k05 --turns 19440 --kg 252.6 --dry-run",
		"done.json": "creel done k05-creel-ground-54210 --half --json", "done.txt": "creel done k09-stop-0b --cones 2 --group ground", "take.txt": "creel take k05-creel-ground-54210 --dry-run",
		"fixer.txt": "creel fixer k09-stop-0b", "undo_task.txt": "creel undo k05-creel-ground-54210",
		"lots.json": "yarn lots --json", "lots.txt": "yarn", "lots.csv": "yarn lots -o csv", "requisition.txt": "yarn requisition L-430 k05 181.4 --dry-run",
		"requisition.json": "yarn requisition L-430 k05 181.4 --json", "return.txt": "yarn return L-430 K05 12.6",
		"release.json": "yarn release L-431 k05 --role supervisor --reason same --json", "release.txt": "yarn release L-431 k05 --role supervisor --reason same",
		"load.json": "creel load k05 --group ground --lot L-430 --cones 96 --json", "load.txt": "creel load k05",
		"undo.json": "creel undo k05 12 --json", "undo.txt": "creel undo k05 12",
		"alarms.json": "alarms --json", "alarms.txt": "alarms list", "alarms.csv": "alarms -o csv",
		"ack.json": "alarms ack not-attended-k03 --role supervisor --json", "shelve.txt": "alarms shelve silent-k13 --for 2h --reason part --dry-run",
		"asked.json": "asked --json", "asked.txt": "asked --since 8h", "asked.csv": "asked -o csv",
		"units.json": "units --json", "units.txt": "units list", "units.csv": "units -o csv",
		"register.json": "units register u-03 --machines k01,k02 --dry-run --json", "register.txt": "units register u-03 --machines k01,K02",
		"apply.json": "book apply testdata/book.yaml --json", "apply.txt": "book apply testdata/book.yaml --dry-run",
	} {
		t.Run(name, func(t *testing.T) {
			got := new(fake).planner(t, line)
			if got.code != exitOK {
				t.Fatalf("%s ends with %d: %s", line, got.code, got.err)
			}
			golden(t, name, got.out)
			if strings.HasSuffix(name, ".json") && !json.Valid([]byte(got.out)) {
				t.Errorf("%s is not JSON", name)
			}
		})
	}
}

// The books' JSON is read by machines that know exactly these names.
func TestTotalsShape(t *testing.T) {
	got := new(fake).planner(t, "totals --json")
	d := json.NewDecoder(strings.NewReader(got.out))
	d.DisallowUnknownFields()
	var shape struct {
		Machines []struct {
			Machine      string           `json:"machine"`
			Revolutions  *int64           `json:"revolutions"`
			Stops        *int64           `json:"stops"`
			StopsByCause map[string]int64 `json:"stops_by_cause"`
			OpenStop     *bool            `json:"open_stop"`
			LostMin      *int64           `json:"lost_min"`
			LostMax      *int64           `json:"lost_max"`
			KilosCounted *float64         `json:"kilos_counted"`
			RunMS        *int64           `json:"run_ms"`
			StopMS       *int64           `json:"stop_ms"`
			UnknownMS    *int64           `json:"unknown_ms"`
		} `json:"machines"`
		Drained *bool `json:"drained"`
	}
	if err := d.Decode(&shape); err != nil {
		t.Fatal(err)
	}
	m := shape.Machines[1]
	if shape.Drained == nil || m.StopsByCause == nil || m.Revolutions == nil || m.OpenStop == nil || m.KilosCounted == nil || m.UnknownMS == nil || m.RunMS == nil {
		t.Errorf("an idle machine lacks fields: %s", got.out)
	}
}

func TestWaitDrained(t *testing.T) {
	f := &fake{drained: 2}
	addr := f.serve(t)
	if got := plannerAt(t, addr, "totals --json --wait-drained 1h", ""); got.code != exitOK || !strings.Contains(got.out, `"drained":true`) || len(f.asked) != 3 {
		t.Errorf("waiting ended with %d after %d questions: %s", got.code, len(f.asked), got.err)
	}
	f = &fake{drained: 1000}
	got := f.planner(t, "totals --json --wait-drained 1ms")
	if got.code != exitPartly || !strings.Contains(got.out, `"drained":false`) || !strings.Contains(got.err, "will grow") {
		t.Errorf("agents that hold back: exit %d, %q, %q", got.code, got.out, got.err)
	}
	f.drained = 1000
	if got := f.planner(t, "totals"); got.code != exitOK || !strings.Contains(got.err, "will grow") {
		t.Errorf("without waiting: exit %d: %s", got.code, got.err)
	}
}

func TestExitCodes(t *testing.T) {
	unreachable := "127.0.0.1:1"
	for _, tt := range []struct {
		line string
		fail error
		code int
		says string
	}{
		{"machines show k99", nil, exitNotFound, "not found: machine"},
		{"machines shwo", nil, exitUsage, "usage: "},
		{"machines -o xml", nil, exitUsage, "table"},
		{"stops k07 --since yesterday", nil, exitUsage, "expected for example 8h"},
		{"stops k07 --limit 0", nil, exitUsage, "--limit 0"},
		{"promise --article PQ --kg=-5", nil, exitUsage, "--kg -5"},
		{"promise --article PQ --kg 5 --risk 0.9", nil, exitUsage, "0.01 to 0.5"},
		{"promise --kg 5", nil, exitUsage, "--article"},
		{"creel next --set Z", nil, exitNotFound, `no machine is in set "Z"`},
		{"creel next --set A --machines k01", nil, exitUsage, "can't be used together"},
		{"creel read k05 --turns 100", nil, exitUsage, "--metres of a yarn meter or --kg of rolls"},
		{"creel read k05 --turns 100 --kg 3 --metres 5", nil, exitUsage, "can't be used together"},
		{"creel read k05 --metres 812.4", nil, exitUsage, "over how many turns"},
		{"yarn requisition", nil, exitUsage, "--for tomorrow"},
		{"yarn requisition --for someday", nil, exitUsage, "expected today, tomorrow or a date"},
		{"yarn requisition --hours 9999", nil, exitUsage, "at most 336"},
		{"yarn requisition L-430 k05 9 --for tomorrow", nil, exitUsage, "either list"},
		{"yarn requisition L-430", nil, exitUsage, "LOT MACHINE KG"},
		{"rolls weigh k03", nil, exitUsage, "--kg"},
		{"rolls weigh k03 --kg 31", status.Error(codes.InvalidArgument, "take tube, wrapping and trolley off"), exitRefused, "take tube"},
		{"rolls undo k03 last", nil, exitUsage, `reading "last"`},
		{"rolls --limit 0", nil, exitUsage, "--limit 0"},
		{"creel load k05 --work juggle", nil, exitUsage, "must be one of"},
		{"creel load k05 --positions one", nil, exitUsage, "expected"},
		{"creel show k05", status.Error(codes.NotFound, "machine \"k05\": not found"), exitNotFound, "k05"},
		{"creel done k05-creel-x-1", status.Error(codes.FailedPrecondition, "it was told before and counts once"), exitRefused, "counts once"},
		{"yarn requisition L-430 k05 9000", status.Error(codes.InvalidArgument, "20.0 kg are in the store"), exitRefused, "20.0 kg"},
		{"creel undo k05 yesterday", nil, exitUsage, `load "yesterday"`},
		{"book apply nowhere.yaml", nil, exitNotFound, "nowhere.yaml"},
		{"machines --cert only.pem", nil, exitUsage, "belong together"},
		{"machines --ca nowhere.pem", nil, exitUsage, "--ca"},
		{"creel load k05", status.Error(codes.FailedPrecondition, "lot is held"), exitRefused, "refused: lot is held"},
		{"creel load k05", status.Error(codes.InvalidArgument, "lot unknown: invalid"), exitRefused, "refused: lot unknown"},
		{"machines", status.Error(codes.Internal, "internal error, see the server's log under id X"), exitFailed, "id X"},
		{"machines", status.Error(codes.Unimplemented, "unknown service"), exitFailed, "older than this planner"},
		{"machines", status.Error(codes.DeadlineExceeded, "late"), exitUnreachable, "--timeout"},
	} {
		f := &fake{fail: tt.fail}
		got := f.planner(t, tt.line)
		if got.code != tt.code || !strings.Contains(got.err, tt.says) || got.out != "" {
			t.Errorf("planner %s: exit %d, %q on stderr, %q on stdout; want exit %d, %q, nothing", tt.line, got.code, got.err, got.out, tt.code, tt.says)
		}
	}
	if got := plannerAt(t, unreachable, "machines", ""); got.code != exitUnreachable || !strings.Contains(got.err, "server run") {
		t.Errorf("no server: exit %d, %q", got.code, got.err)
	}
	refused := &fake{quote: &pb.QuotePromiseResponse{Finish: &pb.FinishForecast{Refused: "no machine has a card"}}}
	if got := refused.planner(t, "promise --article PQ --kg 5 --json"); got.code != exitRefused || !strings.Contains(got.out, "no machine has a card") {
		t.Errorf("a refused promise: exit %d, %q", got.code, got.out)
	}
}

// What was weighed, and how it compares, is said in a line a machine with its reason; nothing at all is said too.
func TestWeighedRolls(t *testing.T) {
	f := new(fake)
	for line, want := range map[string][]string{
		"rolls weigh k03 --kg 24.2": {"24.20w kg", "25.00c kg", "0.968", "1.034 (1.031 to 1.037) over 150 rolls", "planner rolls undo k03 12"},
		"rolls k03":                 {"24.20w kg", "113", "812.4e m", "802.4k m", "1.012"},
		"proof":                     {"3902.7c", "3774.4w", "1.031 to 1.037", "..+-", "course length", "Judged from 5 rolls on. Not running now."},
		"proof --json":              {`"ratio":1.034`, `"limit_high":1.02`, `"used_rolls":150`, `"machine":"k05"`},
		"rolls --json --limit 1":    {`"net_kg":24.2`, `"roll":113`},
	} {
		got := f.planner(t, line)
		for _, w := range want {
			if got.code != exitOK || !strings.Contains(got.out+got.err, w) {
				t.Errorf("planner %s: exit %d, want %q in\n%s%s", line, got.code, w, got.out, got.err)
			}
		}
	}
	if got := f.planner(t, "rolls --json --limit 1"); strings.Contains(got.out, "812.4") {
		t.Errorf("more than asked for: %s", got.out)
	}
	f.quiet = true
	for line, want := range map[string]string{"rolls": "no roll was weighed", "proof": "no roll was weighed in four weeks", "proof --json": `"ratios":[]`} {
		if got := f.planner(t, line); got.code != exitOK || !strings.Contains(got.out+got.err, want) {
			t.Errorf("planner %s with nothing weighed: exit %d, %q", line, got.code, got.out+got.err)
		}
	}
}

// What to fetch for tomorrow is a list by lot, which moves nothing; an empty one is said, and what could not be foreseen.
func TestRequisitionList(t *testing.T) {
	f := new(fake)
	addr := f.serve(t)
	got := plannerAt(t, addr, "yarn requisition --for tomorrow", "")
	for _, want := range []string{"L-430", "192f", "362.9f", "181.4e", "181.5f", "161.5k", "K05 192 from", "any", "warning: K03"} {
		if got.code != exitOK || !strings.Contains(got.out+got.err, want) {
			t.Errorf("exit %d, want %q in\n%s%s", got.code, want, got.out, got.err)
		}
	}
	r := f.last().(*pb.DraftRequisitionRequest)
	y, m, d := noon.In(time.Local).Date()
	if want := time.Date(y, m, d+2, 0, 0, 0, 0, time.Local); !r.GetUntilTime().AsTime().Equal(want) || len(r.GetMachines()) != 0 {
		t.Errorf("asked %v, want until %s", r, want)
	}
	if got := plannerAt(t, addr, "yarn requisition --hours 8 --machines K05 --json", ""); !strings.Contains(got.out, `"fetch_kg":181.5`) || !strings.Contains(got.out, `"warnings":["K03`) || strings.Contains(got.err, "K03") {
		t.Errorf("%s%s", got.out, got.err)
	}
	if r := f.last().(*pb.DraftRequisitionRequest); !r.GetUntilTime().AsTime().Equal(noon.Add(8*time.Hour)) || !slices.Equal(r.GetMachines(), []string{"machines/k05"}) {
		t.Errorf("asked %v", r)
	}
	plannerAt(t, addr, "yarn requisition --for 2026-12-01", "")
	if r := f.last().(*pb.DraftRequisitionRequest); !r.GetUntilTime().AsTime().Equal(time.Date(2026, 12, 2, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("asked %v, want until the end of that day", r)
	}
	f.quiet = true
	if got := plannerAt(t, addr, "yarn requisition --hours 1", ""); got.code != exitOK || !strings.Contains(got.err, "need nothing until") {
		t.Errorf("nothing needed: exit %d, %s%s", got.code, got.out, got.err)
	}
}

func TestHelp(t *testing.T) {
	for _, line := range []string{"", "--help", "creel load --help", "creel next --help", "creel show --help", "creel read --help", "creel done --help", "rolls weigh --help", "yarn requisition --help", "yarn release --help", "book apply --help"} {
		var out, errs bytes.Buffer
		code := run(t.Context(), strings.Fields(line), world{out: &out, err: &errs})
		if code != exitOK || !strings.Contains(out.String(), "Example") || errs.Len() > 0 {
			t.Errorf("planner %s: exit %d, stderr %q, %d bytes of help", line, code, errs.String(), out.Len())
		}
	}
}

func TestChangesAreAsked(t *testing.T) {
	f := new(fake)
	addr := f.serve(t)
	plannerAt(t, addr, "creel load K05 --group ground --lot L-430 --cones 96 --at 2026-11-25T09:50:00+03:00 --revolutions 54210 --dry-run", "")
	r := f.last().(*pb.LoadCreelRequest)
	if r.GetMachine() != "machines/k05" || r.GetFeedGroup() != "ground" || r.GetLot() != "L-430" || r.GetConeCount() != 96 || r.GetRevolutionCount() != 54210 ||
		!r.GetValidateOnly() || !r.GetLoadTime().AsTime().Equal(noon.Add(-5*time.Hour-10*time.Minute)) || len(r.GetRequestId()) != 36 {
		t.Errorf("asked %v", r)
	}
	plannerAt(t, addr, "creel load k05 --request-id tap-1", "")
	if r := f.last().(*pb.LoadCreelRequest); r.RevolutionCount != nil || r.GetLoadTime() != nil || r.GetRequestId() != "tap-1" || r.GetValidateOnly() {
		t.Errorf("asked %v; want what was not said to be absent", r)
	}
	plannerAt(t, addr, "creel undo K05 machines/k05/loads/12", "")
	if r := f.last().(*pb.UndoLoadRequest); r.GetMachine() != "machines/k05" || r.GetLoad() != "machines/k05/loads/12" {
		t.Errorf("asked %v", r)
	}
	plannerAt(t, addr, "creel load k05 --work tie --positions 3,4,7 --cone-cv 0.03", "")
	if r := f.last().(*pb.LoadCreelRequest); r.GetWork() != pb.LoadWork_LOAD_WORK_TIE || !slices.Equal(r.GetPositions(), []int32{3, 4, 7}) || r.GetConeMassCv() != 0.03 {
		t.Errorf("asked %v", r)
	}
	plannerAt(t, addr, "creel done k09-stop-0b --cones 2 --group ground --lot L-430", "")
	if r := f.last().(*pb.ReportTaskRequest); r.GetTask() != "tasks/k09-stop-0b" || r.GetConeCount() != 2 || r.GetFeedGroup() != "ground" || r.GetLot() != "L-430" || r.GetAct() != pb.TaskAct_TASK_ACT_DONE {
		t.Errorf("asked %v", r)
	}
	plannerAt(t, addr, "creel read K05 --turns 19440 --kg 252.6 --sd 0.02", "")
	if r := f.last().(*pb.RecordReadingRequest); r.GetKind() != pb.ReadingKind_READING_KIND_ROLLS || r.GetNetKg() != 252.6 || r.GetRevolutionCount() != 19440 || r.GetReadingSd() != 0.02 || len(r.GetRequestId()) != 36 {
		t.Errorf("asked %v", r)
	}
	plannerAt(t, addr, "rolls weigh K03 --kg 48.4 --count 2 --roll 113 --dry-run", "")
	if r := f.last().(*pb.RecordReadingRequest); r.GetMachine() != "machines/k03" || r.GetKind() != pb.ReadingKind_READING_KIND_ROLLS || r.GetNetKg() != 48.4 || r.GetRollCount() != 2 || r.GetRollNumber() != 113 ||
		r.GetRevolutionCount() != 0 || !r.GetValidateOnly() || len(r.GetRequestId()) != 36 {
		t.Errorf("asked %v", r)
	}
	plannerAt(t, addr, "rolls undo K03 12", "")
	if r := f.last().(*pb.UndoReadingRequest); r.GetName() != "machines/k03/readings/12" {
		t.Errorf("asked %v", r)
	}
	plannerAt(t, addr, "yarn return L-430 k05 12.6 --dry-run", "")
	if r := f.last().(*pb.MoveLotRequest); r.GetMove() != pb.LotMove_LOT_MOVE_RETURN || r.GetNetKg() != 12.6 || !r.GetValidateOnly() || r.GetLot() != "lots/L-430" {
		t.Errorf("asked %v", r)
	}
	plannerAt(t, addr, "creel next --set a --minutes 60", "")
	if r := f.last().(*pb.ListWalksRequest); len(r.GetMachines()) != 1 || r.GetHorizonMinutes() != 60 {
		t.Errorf("asked %v; want the walks of k01", r)
	}
	f.quiet = true
	if got := plannerAt(t, addr, "creel next", ""); got.out != "" || got.code != exitOK || !strings.Contains(got.err, "nothing to do") {
		t.Errorf("nothing is due, and %q, %q is said", got.out, got.err)
	}
	f.quiet = false
	plannerAt(t, addr, "creel next --set a --minutes 60 --tasks", "")
	if r := f.last().(*pb.ListTasksRequest); len(r.GetMachines()) != 1 || r.GetMachines()[0] != "machines/k01" || r.GetHorizonMinutes() != 60 {
		t.Errorf("asked %v; want k01, the only one of set A", r)
	}
	plannerAt(t, addr, "stops k07 --since today", "")
	if r := f.last().(*pb.ListStopsRequest); !r.GetStartTime().AsTime().Equal(noon.Add(-12*time.Hour)) || r.GetMachine() != "machines/k07" {
		t.Errorf("asked %v; want from midnight", r)
	}
}

// watched collects lines and ends the command after enough of them.
type watched struct {
	bytes.Buffer
	left int
	done context.CancelFunc
}

func (w *watched) Write(p []byte) (int, error) {
	if w.left -= bytes.Count(p, []byte("\n")); w.left <= 0 {
		w.done()
	}
	return w.Buffer.Write(p)
}

// full takes nothing, as a disk without room.
type full struct{}

func (full) Write([]byte) (int, error) { return 0, syscall.ENOSPC }

// What cannot be written is no lost connection: it ends the command.
func TestWatchThatCannotWrite(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for _, what := range []string{"machines", "promises"} {
		var errs bytes.Buffer
		code := run(ctx, []string{"watch", what, "--json", "--server", (&fake{}).serve(t)}, world{out: full{}, err: &errs})
		if code == exitOK || !strings.Contains(errs.String(), syscall.ENOSPC.Error()) || strings.Contains(errs.String(), "connection lost") {
			t.Errorf("watch %s: exit %d, %q", what, code, errs.String())
		}
	}
}

// A cut stream is taken up again with its token.
func TestWatchReconnects(t *testing.T) {
	f := &fake{cut: 1}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	out := &watched{left: 2, done: cancel}
	var errs bytes.Buffer
	code := run(ctx, []string{"watch", "machines", "--json", "--server", f.serve(t)}, world{out: out, err: &errs})
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if code != exitOK || len(lines) != 2 || !strings.Contains(errs.String(), "connection lost") {
		t.Fatalf("exit %d with %d lines, %q", code, len(lines), errs.String())
	}
	if r := f.last().(*pb.WatchMachinesRequest); r.GetResumeToken() != "t" {
		t.Errorf("taken up with token %q, want that of the first change", r.GetResumeToken())
	}
	if !strings.HasPrefix(lines[0], `{"full":true,"machines":[{"machine":"k01"`) || !strings.HasPrefix(lines[1], `{"full":false,`) {
		t.Errorf("lines %q", lines)
	}
	if got := plannerAt(t, "127.0.0.1:1", "watch machines", ""); got.code != exitUnreachable {
		t.Errorf("watching nobody ends with %d", got.code)
	}
}
