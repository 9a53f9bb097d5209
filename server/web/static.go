package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"path"
	"strings"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static
var staticFiles embed.FS

// templates parses all pages. Their functions write what has an origin or an id.
func (s *site) templates() (*template.Template, error) {
	t, err := template.New("pages").Funcs(template.FuncMap{
		"origin":  origin,
		"nb":      func(s string) string { return map[bool]string{true: "nb"}[len(s) <= 16] }, // a short code is not broken
		"rid":     func() string { return ridMark },
		"machine": func(id string) string { return "/m/" + url.PathEscape(id) },
		"order":   func(id string) string { return "/o/" + url.PathEscape(id) },
	}).ParseFS(templateFiles, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("web: templates: %w", err)
	}
	return t, nil
}

// statics are the files that pages fetch, under names that hold a digest of
// what is in them: a browser may keep them for ever and never shows an old one.
type statics struct {
	names map[string]string // plain name -> name with digest
	files map[string]staticFile
}

type staticFile struct {
	kind string
	data []byte
}

func newStatics() (*statics, error) {
	kinds := map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}
	s := &statics{names: map[string]string{}, files: map[string]staticFile{}}
	entries, err := fs.ReadDir(staticFiles, "static")
	if err != nil {
		return nil, fmt.Errorf("web: static files: %w", err)
	}
	for _, e := range entries {
		data, err := staticFiles.ReadFile("static/" + e.Name())
		if err != nil {
			return nil, fmt.Errorf("web: static file %s: %w", e.Name(), err)
		}
		ext := path.Ext(e.Name())
		sum := sha256.Sum256(data)
		name := strings.TrimSuffix(e.Name(), ext) + "." + hex.EncodeToString(sum[:6]) + ext
		s.names[e.Name()] = name
		s.files[name] = staticFile{kinds[ext], data}
	}
	return s, nil
}

func (s *statics) path(name string) string { return "/static/" + s.names[name] }

func (s *statics) serve(w http.ResponseWriter, r *http.Request) {
	f, ok := s.files[r.PathValue("file")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", f.kind)
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Write(f.data)
}

// plain is a file by its own name.
func (s *statics) plain(name string) []byte { return s.files[s.names[name]].data }
