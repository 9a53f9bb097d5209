package web

import (
	"encoding/json"
	"net/http"
	"strings"
)

// worker serves the service worker of the creel round. It stands at the root,
// since a worker controls only what lies below its own address, and holds the
// names of the files of this version: another version is another worker.
func (s *site) worker(w http.ResponseWriter, _ *http.Request) {
	shell, err := json.Marshal([]string{s.files.path("turnwise.css"), s.files.path("live.js"), s.files.path("taps.js"), s.files.path("creel.js"), s.files.path("icon.svg")})
	if err != nil {
		s.log.Error("service worker not written", "err", err)
		http.Error(w, "internal error", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/javascript; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	if _, err := strings.NewReplacer(`"SHELL"`, string(shell), "TAPS", s.files.path("taps.js")).WriteString(w, string(s.files.plain("worker.js"))); err != nil {
		s.log.Debug("service worker not sent", "err", err) // the browser asks again
	}
}
