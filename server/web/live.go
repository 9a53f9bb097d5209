package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"
)

const (
	defaultStreams = 256
	updateEvery    = time.Second      // at most one update in this time
	beatEvery      = 10 * time.Second // a word even when nothing happened: minutes pass
	writeWithin    = 10 * time.Second // a reader that takes longer is gone
)

// An update is one event of a live stream: the elements that changed, by id,
// and the order of the lists. The script decides when it may show them.
type update struct {
	Version string      `json:"v"`
	Now     string      `json:"now"` // of the mill's clock, for "not live since"
	Parts   []drawnPart `json:"parts,omitempty"`
	Lists   []list      `json:"lists,omitempty"`
}

// events is the live stream of one page: GET /events?page=NAME&…&v=VERSION.
// A reader that names the version it has gets only what came after it.
func (s *site) events(w http.ResponseWriter, r *http.Request) {
	in := r.URL.Query()
	name := in.Get("page")
	if _, ok := s.pages[name]; !ok {
		s.fail(w, r, errNoPage)
		return
	}
	q := normal(name, in)
	if id := namedBy[name]; id != "" {
		q.Set(id, in.Get(id))
	}
	if !s.openStream() {
		w.Header().Set("Retry-After", "30")
		http.Error(w, "too many live pages are open; close some or raise the bound", http.StatusServiceUnavailable)
		return
	}
	defer s.closeStream()
	rid := in.Get("rid")
	if !goodToken(rid) {
		rid = newToken()
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // a proxy in between must not hold events back
	st := stream{w: w, rc: http.NewResponseController(w), rid: rid, sent: map[string]string{}, version: in.Get("v")}
	// Subscribe before the first look, so that no change falls between them.
	changed := s.floor.Subscribe(r.Context())
	var called <-chan struct{}
	if name == "alarms" && s.o.Calls != nil {
		called = s.o.Calls.Subscribe(r.Context())
	}
	if err := s.follow(r.Context(), &st, name, q, changed, called); err != nil && r.Context().Err() == nil {
		s.log.Warn("live stream ended", "page", name, "err", err)
	}
}

// follow sends updates until the reader leaves or the floor ends. called wakes it
// besides the floor; nil = never.
func (s *site) follow(ctx context.Context, st *stream, name string, q map[string][]string, changed, called <-chan struct{}) error {
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	var woken time.Time
	for {
		p, err := s.look(ctx, name, q)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		if err := st.send(p, s.now().In(s.zone).Format("15:04")); err != nil {
			return err
		}
		pause := time.NewTimer(updateEvery)
		select {
		case <-ctx.Done():
			pause.Stop()
			return nil
		case <-pause.C:
		}
		if p.drawn.Before(woken) { // kept from before what woke us: look again
			continue
		}
		select {
		case <-ctx.Done():
			return nil
		case _, open := <-changed:
			if !open {
				return nil
			}
		case _, open := <-called:
			if !open {
				return nil
			}
		case <-beat.C:
		}
		woken = time.Now()
	}
}

// stream is one reader and what it was sent.
type stream struct {
	w       http.ResponseWriter
	rc      *http.ResponseController
	rid     string
	version string
	sent    map[string]string // html by id; empty before the first update
	begun   bool
	slowAt  time.Time // when slow parts were sent last
	owes    bool      // a slow part waits
}

// send writes the difference between p and what the reader has.
func (st *stream) send(p picture, now string) error {
	u := update{Version: p.version, Now: now}
	if p.version != st.version || !st.begun || st.owes {
		known := !st.begun && p.version == st.version // the page already shows this very picture
		slow := time.Since(st.slowAt) >= beatEvery
		st.owes = false
		for _, e := range p.parts {
			if st.sent[e.ID] == e.HTML {
				continue
			}
			if e.slow && !slow && !known {
				st.owes = true
				continue
			}
			if e.slow {
				st.slowAt = time.Now()
			}
			st.sent[e.ID] = e.HTML
			if !known {
				u.Parts = append(u.Parts, drawnPart{ID: e.ID, HTML: strings.ReplaceAll(e.HTML, ridMark, st.rid)})
			}
		}
		if !known {
			u.Lists = p.Lists
		}
		st.forget(p)
		st.version, st.begun = p.version, true
	}
	var data bytes.Buffer
	enc := json.NewEncoder(&data)
	enc.SetEscapeHTML(false) // it is not written into a page
	if err := enc.Encode(u); err != nil {
		return fmt.Errorf("web: encode update: %w", err)
	}
	// A server in front of this handler may have set a deadline for whole answers.
	if err := st.rc.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return fmt.Errorf("web: live stream: %w", err)
	}
	if _, err := fmt.Fprintf(st.w, "data: %s\n", data.Bytes()); err != nil {
		return fmt.Errorf("web: live stream: %w", err)
	}
	return st.rc.Flush()
}

// forget drops parts that are no longer on the page, so that a stream of a
// week holds no more than one of a minute.
func (st *stream) forget(p picture) {
	if len(st.sent) <= len(p.parts) {
		return
	}
	here := make(map[string]bool, len(p.parts))
	for _, e := range p.parts {
		here[e.ID] = true
	}
	for id := range st.sent {
		if !here[id] {
			delete(st.sent, id)
		}
	}
}

func (s *site) openStream() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.free == 0 {
		return false
	}
	s.free--
	return true
}

func (s *site) closeStream() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.free++
}
