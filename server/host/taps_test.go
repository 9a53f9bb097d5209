package host

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/proto/wire"
)

type tapped struct {
	Request, State string
	Refused        *struct{ Head, Text, Have, Want string }
}

// Taps of a page on the real store: a replay of what was kept on a phone counts
// each of them once and in their order, with the instants at which they were made.
func TestTapsFromThePage(t *testing.T) {
	h, _ := serve(t, config(t), Options{})
	cc, now := call(t, h), time.Now()
	_, err := pb.NewBookServiceClient(cc).ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: &pb.Book{
		Machines: []*pb.BookMachine{{Id: "k01", DisplayName: "K01", FeederCount: 100, Set: "A"}},
		Agents:   []*pb.BookAgent{{Id: "u-01", Machines: []string{"k01"}}},
		Yarns:    []*pb.BookYarn{{Id: "y", Count: "20 tex", ConeNetKg: 2}},
		Lots:     []*pb.BookLot{{Id: "L-1", Yarn: "y", Tip: "green", StoreKg: 9000}, {Id: "L-2", Yarn: "y", StoreKg: 50}},
		Articles: []*pb.BookArticle{{Id: "SJ", RollKg: 25}},
		Cards: []*pb.BookCard{{Id: "sj", Article: "SJ", Machine: "k01", SpeedRpm: 28, Feeds: []*pb.BookFeedGroup{
			{Id: "ground", Yarn: "y", Lot: "L-1", FeederCount: 100, CourseLengthM: 5}}}},
		Orders:      []*pb.BookOrder{{Id: "SO-1", Article: "SJ", QuantityKg: 3000, PromiseTime: timestamppb.New(now.Add(240 * time.Hour))}},
		Assignments: []*pb.BookAssignment{{Machine: "k01", FromTime: timestamppb.New(now.Add(-24 * time.Hour)), Order: "SO-1", Card: "sj"}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	a := join(t, h, "u-01")
	a.wait(a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, batch(t, 28, now)))
	if ack := a.ack(); ack.GetAckedSeq() != 2 {
		t.Fatalf("the turns were not taken: %v", ack)
	}
	if _, err := pb.NewCreelServiceClient(cc).LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "k01", Lot: "L-1", ConeNetKg: 0.2, LoadTime: timestamppb.New(now.Add(-30 * time.Minute))}); err != nil {
		t.Fatal(err)
	}
	page := "http://" + h.Addrs().HTTP + "/creel"
	_, body := get(t, page, "")
	found := regexp.MustCompile(`data-task="(k01-creel-[^"]+)"`).FindStringSubmatch(body)
	if found == nil {
		t.Fatalf("the page has no row for the creel of k01:\n%s", body)
	}
	press := func(n int, act string, at time.Time, lot string) tapped {
		t.Helper()
		form := url.Values{"task": {found[1]}, "act": {act}, "lot": {lot}, "at": {fmt.Sprint(at.UnixMilli())}, "request": {fmt.Sprintf("0f0e4c3b-0000-4000-8000-%012d", n)}}
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, page+"/tap", strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Accept", "application/json")
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		var got tapped
		if err := json.NewDecoder(answer.Body).Decode(&got); err != nil || got.Request != form.Get("request") {
			t.Fatalf("%s: status %d, answer %+v, %v", act, answer.StatusCode, got, err)
		}
		return got
	}
	if got := press(12, "done", now, "L-2"); got.Refused == nil || got.Refused.Have != "L-2" || got.Refused.Want != "L-1" {
		t.Errorf("cones of another lot: %+v", got)
	}
	early := now.Add(-10 * time.Minute)
	for range 2 { // the first answers were lost: all is sent again
		for i, step := range []struct {
			act, want string
			after     time.Duration
		}{{"take", "taken", 0}, {"half", "half done", time.Minute}, {"undo", "taken", time.Minute + 9*time.Second}, {"done", "done", 2 * time.Minute}} {
			if got := press(i, step.act, early.Add(step.after), ""); got.State != step.want || got.Refused != nil {
				t.Errorf("%s: %+v, want %s", step.act, got, step.want)
			}
		}
	}
	loads, err := h.st.Loads(t.Context())
	if err != nil || len(loads) != 1 || loads[0].Cones != 100 || loads[0].Lot != "L-1" || loads[0].At.UnixMilli() != early.Add(2*time.Minute).UnixMilli() {
		t.Errorf("loads %+v, %v; want one of 100 cones at the instant of the tap", loads, err)
	}
	if got := press(10, "done", now, ""); got.Refused == nil || !strings.Contains(got.Refused.Text, "counts once") {
		t.Errorf("done by another phone: %+v", got)
	}
	if got := press(11, "undo", now.Add(-30*time.Hour), ""); got.Refused == nil || !strings.Contains(got.Refused.Text, "24 hours") {
		t.Errorf("a tap of the day before: %+v", got)
	}
}
