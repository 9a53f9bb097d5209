package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/url"
	"strings"
	"time"
)

// A view is one page with one query: the whole of it, and the parts of it that
// a live stream may renew one by one.
type view struct {
	Name  string // of the page, and of its template
	Title string
	Key   string // normal form of the query, without "?"
	Data  any
	Parts []part
	Lists []list
	Still bool // a page of the past: it never changes
	Again bool // without script it is loaded again every two seconds
}

// A part is one element with an id that is rendered by its own template.
type part struct {
	ID, Template string
	Data         any
	Slow         bool // a table of seconds: renewed every ten of them
}

// A list is an element whose children come, go and change places.
type list struct {
	ID  string   `json:"id"`
	IDs []string `json:"ids"`
}

// A picture is a view as rendered at one instant.
type picture struct {
	view
	main    template.HTML
	parts   []drawnPart
	version string
	at      time.Time // of the mill
	drawn   time.Time // of this computer, when drawing began
}

type drawnPart struct {
	ID   string `json:"id"`
	HTML string `json:"html"`
	slow bool
}

// render draws a view: every part once for the stream, and the page as a whole.
func (s *site) render(v view, now time.Time) (picture, error) {
	p := picture{view: v, at: now}
	sum := sha256.New()
	var b bytes.Buffer
	for _, e := range v.Parts {
		b.Reset()
		if err := s.tmpl.ExecuteTemplate(&b, e.Template, e.Data); err != nil {
			return picture{}, fmt.Errorf("web: draw part %s of page %s: %w", e.ID, v.Name, err)
		}
		html := strings.TrimSpace(b.String())
		fmt.Fprintf(sum, "%s\n%s\n", e.ID, html)
		p.parts = append(p.parts, drawnPart{e.ID, html, e.Slow})
	}
	for _, l := range v.Lists {
		fmt.Fprintf(sum, "%s %q\n", l.ID, l.IDs)
	}
	b.Reset()
	if err := s.tmpl.ExecuteTemplate(&b, v.Name, v.Data); err != nil {
		return picture{}, fmt.Errorf("web: draw page %s: %w", v.Name, err)
	}
	p.main = template.HTML(b.String())
	p.version = hex.EncodeToString(sum.Sum(nil)[:8])
	return p, nil
}

// look returns the picture of a page with a query, not older than a second:
// many screens that show the same page are drawn once.
func (s *site) look(ctx context.Context, name string, q url.Values) (picture, error) {
	build, ok := s.pages[name]
	if !ok {
		return picture{}, errNoPage
	}
	key := name + "?" + q.Encode()
	return s.cache.get(ctx, key, func() (picture, error) {
		now := s.now()
		v, err := build(ctx, q, now)
		if err != nil {
			return picture{}, err
		}
		v.Name, v.Key = name, q.Encode()
		clockPart := s.clock(now)
		v.Parts = append(v.Parts, part{ID: "clock", Template: "clock", Data: clockPart})
		return s.render(v, now)
	})
}

// clockText is the instant that a page was read.
type clockText struct{ Machine, Text string }

func (s *site) clock(now time.Time) clockText {
	t := now.In(s.zone)
	return clockText{t.Format("2006-01-02T15:04Z07:00"), t.Format("Mon 2 Jan 2006, 15:04")}
}

// domID makes an element id of any text: letters and digits stay, all other
// bytes are written in hex, so that two texts never share an id.
func domID(prefix, s string) string {
	var b strings.Builder
	b.WriteString(prefix)
	b.WriteByte('-')
	for i := 0; i < len(s); i++ {
		c := s[i]
		if c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '-' {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "_%02x", c)
		}
	}
	return b.String()
}
