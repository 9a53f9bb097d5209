// Package web serves the mill's pages: runs and stops, one machine, the creel
// round and the promises. The one rule: no figure without its origin letter,
// and nothing on a page that the reader without script, colour or mouse does
// not get too. It draws every form on the server, keeps no data of its own
// besides the taps that can still be undone, and decides nothing: figures
// come from the floor, dates from the planner behind it.
package web

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"turnwise/planner/calendar"
	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// Floor is what the pages need of the live picture.
type Floor interface {
	Machines() []floor.MachineView
	Machine(id string) (floor.MachineView, error)
	Shift(ctx context.Context, at time.Time) (floor.ShiftView, error)
	MachineThread(ctx context.Context, id string, from, to time.Time) (floor.Thread, error)
	Orders(ctx context.Context) ([]floor.OrderView, error)
	Tasks(ctx context.Context, machines []string, horizon time.Duration) ([]floor.TaskView, error)
	// Rounds is the tasks as walks; without machines each set is a tender, with
	// machines they are one tender's.
	Rounds(ctx context.Context, machines []string, horizon time.Duration) (floor.RoundsView, error)
	// RollsToWeigh is the rolls of the machines (none = all) that were doffed in the last
	// hours and not weighed, the oldest first, and whether the mill tells weights these days.
	RollsToWeigh(ctx context.Context, machines []string) (rolls []floor.RollView, tells bool, err error)
	// WhatIf tells what changes would do; errors hold outlook.ErrRequest for a
	// change that cannot be.
	WhatIf(ctx context.Context, changes ...outlook.Change) (floor.WhatIfView, error)
	// Calibration compares kept forecasts with what happened; floor.ErrNoRecord
	// where none are kept.
	Calibration(ctx context.Context, q floor.KeptQuery) (floor.CalibrationView, error)
	// LoadingNow is the jobs of every machine as they stand, Propose what moves
	// would make of them; nothing is written. Errors hold board.ErrProblem, and
	// outlook.ErrRequest for a move that cannot be.
	LoadingNow(ctx context.Context) (floor.LoadingPlan, error)
	Propose(ctx context.Context, changes ...outlook.Change) (floor.LoadingPlan, error)
	// KeptPlan is one plan that is kept, or store.ErrNotFound; KeptPlans lists
	// those older than a number, 0 = all, the newest first.
	KeptPlan(ctx context.Context, id int64) (floor.LoadingPlan, error)
	KeptPlans(ctx context.Context, before int64, limit int) ([]floor.LoadingPlan, error)
	// Subscribe returns a channel that wakes after changes, many of them as
	// one. It closes when ctx ends.
	Subscribe(ctx context.Context) <-chan struct{}
}

// Options tune the pages. The zero value works: a nameless mill in UTC that
// works around the clock, read only.
type Options struct {
	// Site is the name of the mill in the head of each page.
	Site string
	// Zone of the times shown. Nil means UTC.
	Zone *time.Location
	// Calendar tells the times without shifts. Without shifts nothing is
	// drawn as closed.
	Calendar calendar.Calendar
	// Tap records what was done about a task; the same request id again changes
	// nothing and gives the first answer. Errors that hold [floor.ErrLot],
	// [store.ErrTask], [store.ErrInvalid] or [store.ErrNotFound] are told in
	// words, others may be cured by trying again. With Tap nil the creel round
	// has no buttons.
	Tap func(ctx context.Context, t Tap) (Heard, error)
	// KeepPlan writes moves into the book and returns the plan's number, UndoPlan
	// takes a plan back. With one nil the page of loading has no buttons for it.
	KeepPlan func(ctx context.Context, changes ...outlook.Change) (int64, error)
	UndoPlan func(ctx context.Context, id int64) error
	// BeginJob says that a machine begins with a planned order now; without an order
	// it takes the latest such word back. Errors that hold [store.ErrInvalid] or
	// [store.ErrNotFound] are told in words. Nil = the page of loading has no buttons for it.
	BeginJob func(ctx context.Context, machine, order string) error
	// Calls keeps the alarms. Nil = there are none.
	Calls Calls
	// Upkeep tells how the records are kept. Nil = nobody knows.
	Upkeep func(context.Context) (store.Upkeep, error)
	// ApplyPlan writes a kept plan into the book, and Searches look for better
	// ones. With one nil the page offers no search.
	ApplyPlan func(ctx context.Context, id int64) error
	Searches  Searches
	// Now is the clock. Nil means time.Now.
	Now func() time.Time
	// Log takes what went wrong behind a page. Nil means slog.Default.
	Log *slog.Logger
	// MaxStreams bounds the live streams held open. Zero means 256: more
	// screens than a mill has, fewer than a server has file descriptors.
	MaxStreams int
}

// New returns the handler of all pages. It reads its templates once and fails
// only when they do not parse.
//
// A live stream lasts as long as its request: whoever shuts the HTTP server
// down ends the base context of the requests first.
func New(f Floor, o Options) (http.Handler, error) {
	s, err := open(f, o)
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		w.Header().Set("Cache-Control", "no-store")
		fmt.Fprintln(w, "ok")
	})
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, "/runs", http.StatusSeeOther)
	})
	for _, n := range navigation {
		mux.HandleFunc("GET "+n.Href, s.page(strings.TrimPrefix(n.Href, "/")))
	}
	mux.HandleFunc("GET /m/{machine}", s.page("machine"))
	mux.HandleFunc("GET /o/{order}", s.page("order"))
	mux.HandleFunc("GET /whatif", s.page("whatif"))
	mux.HandleFunc("GET /kept", s.page("kept"))
	mux.HandleFunc("GET /records", s.page("records"))
	mux.HandleFunc("GET /orders.ics", s.calendarFeed)
	mux.HandleFunc("GET /events", s.events)
	mux.HandleFunc("GET /static/{file}", s.files.serve)
	mux.HandleFunc("GET /worker.js", s.worker)
	if o.Tap != nil {
		mux.HandleFunc("POST /creel/tap", s.tap)
	}
	if o.KeepPlan != nil && o.UndoPlan != nil {
		mux.HandleFunc("POST /loading/keep", s.keepPlan)
		mux.HandleFunc("POST /loading/undo", s.undoPlan)
	}
	if o.BeginJob != nil {
		mux.HandleFunc("POST /loading/begin", s.beginJob)
		mux.HandleFunc("POST /loading/wait", s.waitJob)
	}
	if o.Calls != nil {
		mux.HandleFunc("POST /alarms", s.answerAlarm)
	}
	if s.searchable() {
		mux.HandleFunc("POST /loading/search", s.startSearch)
		mux.HandleFunc("POST /loading/stop", s.stopSearch)
		mux.HandleFunc("GET /loading/search/{search}", s.searchPage)
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) { s.fail(w, r, errNoPage) })
	return headers(http.NewCrossOriginProtection().Handler(mux)), nil
}

// site is what all pages share.
type site struct {
	floor Floor
	o     Options
	zone  *time.Location
	now   func() time.Time
	log   *slog.Logger
	tmpl  *template.Template
	files *statics
	pages map[string]func(context.Context, url.Values, time.Time) (view, error)
	cache pictureCache
	taps  recentTaps
	feed  feed

	mu   sync.Mutex
	free int // streams that may still be opened
}

// open fills in what the options leave open and reads templates and files.
func open(f Floor, o Options) (*site, error) {
	if f == nil {
		return nil, fmt.Errorf("web: new: floor is nil; pass the floor that the pages show")
	}
	s := &site{floor: f, o: o, zone: o.Zone, now: o.Now, log: o.Log, free: o.MaxStreams}
	if s.zone == nil {
		s.zone = time.UTC
	}
	if s.now == nil {
		s.now = time.Now
	}
	if s.log == nil {
		s.log = slog.Default()
	}
	if s.free <= 0 {
		s.free = defaultStreams
	}
	s.pages = map[string]func(context.Context, url.Values, time.Time) (view, error){
		"runs": s.runs, "machine": s.machine, "creel": s.creel, "promises": s.promises,
		"order": s.order, "whatif": s.whatif, "kept": s.kept, "loading": s.loading, "search": s.search, "alarms": s.alarms, "records": s.records,
	}
	var err error
	if s.files, err = newStatics(); err != nil {
		return nil, err
	}
	if s.tmpl, err = s.templates(); err != nil {
		return nil, err
	}
	return s, nil
}

// errNoPage: nothing is shown at this address.
var errNoPage = errors.New("no such page")

// navigation names only pages that exist.
var navigation = []choice{
	{Word: "Runs and stops", Href: "/runs"},
	{Word: "Creel round", Href: "/creel"},
	{Word: "Promises", Href: "/promises"},
	{Word: "Loading", Href: "/loading"},
	{Word: "Alarms", Href: "/alarms"},
}

// frame is what stands around the body of a page.
type frame struct {
	Title, Site, Name string
	Clock             clockText
	Nav               []choice
	Stream            string // address of the live stream, empty on a page that stands still
	Version           string
	CSS, JS, Icon     string
	Again             bool // a browser without script loads it again
	Main              template.HTML
}

// keptQuery are the parameters that pages read. All others are dropped, so
// that a stranger's link cannot fill the cache.
var keptQuery = map[string][]string{
	"runs": {"sort", "at"}, "machine": {}, "creel": {"machines", "set", "told"}, "promises": {"risk", "order"},
	"loading": {"c", "c2", "c3", "add", "order", "machine", "kg", "kept", "undone", "begun", "on", "waits", "show"}, "search": {"c", "c2", "c3"},
	"order": {}, "kept": {"article", "structure"}, "whatif": {"c", "add", "machine", "order", "rpm", "time", "from", "to"},
}

// behind are pages that one comes to from a page of the navigation.
var behind = map[string]string{"search": "/loading", "order": "/promises", "whatif": "/promises", "kept": "/promises", "records": "/alarms"}

// namedBy are the pages of one thing, with the part of the address that names it.
var namedBy = map[string]string{"search": "search", "machine": "machine", "order": "order"}

const longestParameter = 1000 // bytes; a list of all machines of a big mill fits

// normal reads the query of a page and leaves out what it does not know. Boxes
// ticked in a form come one by one; they are one list.
func normal(name string, in url.Values) url.Values {
	q := url.Values{}
	for _, k := range keptQuery[name] {
		v := in.Get(k)
		if name == "creel" {
			v = strings.Join(in[k], ",")
		}
		if v != "" && len(v) <= longestParameter {
			q.Set(k, v)
		}
	}
	return q
}

func (s *site) page(name string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		q := normal(name, r.URL.Query())
		if id := namedBy[name]; id != "" {
			q.Set(id, r.PathValue(id))
		}
		p, err := s.look(r.Context(), name, q)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		rid := newToken()
		f := s.frame(p.Title, cmp.Or(behind[name], "/"+name), p.at)
		f.Name, f.Version, f.Again = name, p.version, p.Again
		f.Main = template.HTML(strings.ReplaceAll(string(p.main), ridMark, rid))
		if !p.Still {
			q.Set("page", name)
			q.Set("rid", rid)
			f.Stream = "/events?" + q.Encode()
		}
		s.write(w, r, http.StatusOK, f)
	}
}

func (s *site) frame(title, path string, at time.Time) frame {
	f := frame{Title: title, Site: s.o.Site, Clock: s.clock(at), Nav: slices.Clone(navigation),
		CSS: s.files.path("turnwise.css"), JS: s.files.path("live.js"), Icon: s.files.path("icon.svg")}
	for i := range f.Nav {
		f.Nav[i].Current = f.Nav[i].Href == path
	}
	return f
}

// write sends a page. It is drawn whole before the first byte leaves, so that
// a fault in a template is an error page and not half a page.
func (s *site) write(w http.ResponseWriter, r *http.Request, status int, f frame) {
	var b bytes.Buffer
	if err := s.tmpl.ExecuteTemplate(&b, "frame", f); err != nil {
		s.log.Error("page not drawn", "path", r.URL.Path, "err", err)
		http.Error(w, "internal error", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(b.Bytes()) // a reader that went away needs no answer
}

// problem is the body of an error page.
type problem struct{ Head, Text, Back string }

// fail maps an error to a page. Strangers see what to do and an id; the log has the rest.
func (s *site) fail(w http.ResponseWriter, r *http.Request, err error) {
	status, p := http.StatusInternalServerError, problem{Head: "This page cannot be drawn now", Back: "/runs"}
	switch {
	case errors.Is(err, errNoPage):
		status, p = http.StatusNotFound, problem{"There is no such page", "Check the address, or begin at runs and stops.", "/runs"}
	case errors.Is(err, context.Canceled):
		return // the reader went away
	default:
		id := newToken()[:8]
		s.log.Error("page failed", "id", id, "path", r.URL.Path, "err", err)
		p.Text = "The server has noted why under " + id + ". Load the page again in a minute."
	}
	s.sayProblem(w, r, status, p)
}

func (s *site) sayProblem(w http.ResponseWriter, r *http.Request, status int, p problem) {
	var b bytes.Buffer
	if err := s.tmpl.ExecuteTemplate(&b, "problem", p); err != nil {
		s.log.Error("error page not drawn", "err", err)
		http.Error(w, "internal error", http.StatusInternalServerError)
		return
	}
	f := s.frame(p.Head, "", s.now())
	f.Main = template.HTML(b.String())
	s.write(w, r, status, f)
}

// newToken is 128 random bits for an address or a form.
func newToken() string { return rand.Text() }

// headers sets what every answer carries. Nothing of ours is inline, so the
// policy can forbid it.
func headers(next http.Handler) http.Handler {
	const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; " +
		"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}
