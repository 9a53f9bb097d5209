package web

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// TestFollow: a stream sends the difference only, at most once a second, and
// says something every ten seconds.
func TestFollow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := mill()
		o := millOptions(f)
		begin := time.Now()
		o.Now = func() time.Time { return f.now.Add(time.Since(begin)) }
		s := newSite(t, f, o)
		page, err := s.look(t.Context(), "runs", url.Values{})
		if err != nil {
			t.Fatal(err)
		}
		w := &eventLog{begin: begin}
		ctx, cancel := context.WithTimeout(t.Context(), 40*time.Second)
		defer cancel()
		st := stream{w: w, rc: http.NewResponseController(w), rid: newToken(), sent: map[string]string{}, version: page.version}
		changed := f.Subscribe(ctx)
		var g sync.WaitGroup
		g.Go(func() {
			if err := s.follow(ctx, &st, "runs", url.Values{}, changed, nil); err != nil {
				t.Error(err)
			}
		})
		time.Sleep(3 * time.Second) // of the bubble
		for range 50 {              // a burst of changes within a second
			f.change(func() { f.shift.Threads[2].LostKg += 1; f.shift.Threads[2].Why = "much slower" })
			time.Sleep(10 * time.Millisecond)
		}
		g.Wait()

		if n := len(w.got); n < 4 || n > 8 {
			t.Errorf("%d updates in 40 s with one burst, want the first, the burst as one or two, and beats", n)
		}
		for i, u := range w.got {
			if i > 0 && w.at[i]-w.at[i-1] < updateEvery {
				t.Errorf("updates at %s and %s, want %s between", w.at[i-1], w.at[i], updateEvery)
			}
			for _, p := range u.Parts {
				if p.ID != "r-k03" && p.ID != "axis" && p.ID != "sum" && p.ID != "clock" && !strings.Contains(p.HTML, "thread") {
					t.Errorf("update %d renews %s, which did not change", i, p.ID)
				}
			}
		}
		if len(w.got[0].Parts) != 0 {
			t.Errorf("the first update renews %d parts of a page that is new", len(w.got[0].Parts))
		}
		if !strings.Contains(fmt.Sprint(w.got), "much slower") {
			t.Error("the change never came")
		}
		if w.got[0].Now != "10:40" {
			t.Errorf("the stream's clock says %q, want the mill's 10:40", w.got[0].Now)
		}
	})
}

// TestCatchUp: a reader that comes back with an old version gets every part.
func TestCatchUp(t *testing.T) {
	f := mill()
	s := newSite(t, f, millOptions(f))
	p, err := s.look(t.Context(), "creel", url.Values{})
	if err != nil {
		t.Fatal(err)
	}
	w := &eventLog{}
	st := stream{w: w, rc: http.NewResponseController(w), rid: "MINE", sent: map[string]string{}, version: "older"}
	if err := st.send(p, "10:41"); err != nil {
		t.Fatal(err)
	}
	if len(w.got[0].Parts) != len(p.parts) || len(w.got[0].Lists) != 3 {
		t.Errorf("%d parts and %d lists sent, want all %d and 3", len(w.got[0].Parts), len(w.got[0].Lists), len(p.parts))
	}
	all := fmt.Sprint(w.got)
	if strings.Contains(all, ridMark) || !strings.Contains(all, `value="MINE"`) {
		t.Error("the reader's request id is not in its forms")
	}
	if err := st.send(p, "10:42"); err != nil {
		t.Fatal(err)
	}
	if len(w.got[1].Parts) != 0 || w.got[1].Lists != nil {
		t.Error("the same picture was sent twice")
	}
}

// TestSlowParts: the table of seconds comes every ten of them, and it comes.
func TestSlowParts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &eventLog{begin: time.Now()}
		st := stream{w: w, rc: http.NewResponseController(w), sent: map[string]string{}, begun: true}
		for i := range 25 {
			p := picture{version: fmt.Sprint(min(i, 11)), parts: []drawnPart{{ID: "row", HTML: "steady"}, {ID: "twin", HTML: fmt.Sprint(min(i, 11)), slow: true}}}
			if err := st.send(p, "10:41"); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Second)
		}
		var at []time.Duration
		last := ""
		for i, u := range w.got {
			for _, p := range u.Parts {
				if p.ID == "twin" {
					at, last = append(at, w.at[i]), p.HTML
				}
			}
		}
		if len(at) != 3 || at[1] < beatEvery || at[2]-at[1] < beatEvery || last != "11" {
			t.Errorf("the table came at %v and ends as %q, want three times and 11", at, last)
		}
	})
}

// eventLog is a reader of a stream.
type eventLog struct {
	begin time.Time
	got   []update
	at    []time.Duration
}

func (l *eventLog) Header() http.Header { return http.Header{} }
func (l *eventLog) WriteHeader(int)     {}
func (l *eventLog) Flush()              {}
func (l *eventLog) Write(b []byte) (int, error) {
	var u update
	if err := json.Unmarshal([]byte(strings.TrimPrefix(string(b), "data: ")), &u); err != nil {
		return 0, err
	}
	l.got, l.at = append(l.got, u), append(l.at, time.Since(l.begin))
	return len(b), nil
}

// newSite is a site without its addresses.
func newSite(t *testing.T, f *fakeFloor, o Options) *site {
	t.Helper()
	s, err := open(f, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestEvents reads a stream over a connection, and finds its bound.
func TestEvents(t *testing.T) {
	f := mill()
	o := millOptions(f)
	o.MaxStreams = 1
	srv := serve(t, f, o)
	resp, err := http.Get(srv.URL + "/events?page=runs&v=none")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if ct := resp.Header.Get("Content-Type"); ct != "text/event-stream" {
		t.Fatalf("type %q", ct)
	}
	line, err := bufio.NewReader(resp.Body).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	var u update
	if err := json.Unmarshal([]byte(strings.TrimPrefix(line, "data: ")), &u); err != nil || len(u.Parts) < 15 {
		t.Fatalf("%d parts, err %v", len(u.Parts), err)
	}
	second, err := http.Get(srv.URL + "/events?page=runs")
	if err != nil {
		t.Fatal(err)
	}
	second.Body.Close()
	if second.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("a stream over the bound: status %d, want 503", second.StatusCode)
	}
}

// TestCache: a page is drawn once a second however many look at it, and a
// waiting reader can leave.
func TestCache(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c pictureCache
		var drawn atomic.Int32
		draw := func() (picture, error) {
			drawn.Add(1)
			time.Sleep(100 * time.Millisecond)
			return picture{version: "one"}, nil
		}
		var g sync.WaitGroup
		for range 50 {
			g.Go(func() {
				if p, err := c.get(t.Context(), "runs", draw); err != nil || p.version != "one" {
					t.Errorf("got %q, %v", p.version, err)
				}
			})
		}
		g.Wait()
		if n := drawn.Load(); n != 1 {
			t.Errorf("drawn %d times, want once", n)
		}
		time.Sleep(pictureAge)
		broken := errors.New("broken")
		if _, err := c.get(t.Context(), "runs", func() (picture, error) { return picture{}, broken }); !errors.Is(err, broken) {
			t.Errorf("error %v, want that of drawing", err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		go c.get(t.Context(), "runs", draw)
		synctest.Wait()
		cancel()
		if _, err := c.get(ctx, "runs", draw); !errors.Is(err, context.Canceled) {
			t.Errorf("error %v, want to be let go", err)
		}
		for i := range 3 * cachedPages {
			c.get(t.Context(), fmt.Sprint(i), func() (picture, error) { return picture{}, nil })
		}
		if len(c.pages) > cachedPages {
			t.Errorf("%d pages kept, want at most %d", len(c.pages), cachedPages)
		}
		time.Sleep(time.Second)
	})
}

// TestQueries: a stranger's link cannot fill the cache with names of its own.
func TestQueries(t *testing.T) {
	f := mill()
	s := newSite(t, f, millOptions(f))
	a := normal("runs", url.Values{"sort": {"stops"}, "utm": {"1"}, "at": {strings.Repeat("9", 5000)}})
	if len(a) != 1 || a.Get("sort") != "stops" {
		t.Errorf("query kept as %v", a)
	}
	if _, err := s.look(t.Context(), "nothing", nil); !errors.Is(err, errNoPage) {
		t.Errorf("error %v, want no such page", err)
	}
}
