package host

import (
	"net/url"
	"strings"

	"turnwise/proto/conf"
)

// Shown is one value of a configuration for people.
type Shown struct {
	Key    string `json:"key"`
	Value  string `json:"value"`
	Origin string `json:"origin"`
	// Note is "not used yet" for a key that is read and checked, and that
	// nothing in this version acts upon.
	Note string `json:"note,omitempty"`
}

// mask stands for a secret.
const mask = "***"

// Show lists the values of a configuration with secrets masked.
func Show(origins conf.Origins) []Shown {
	rows := make([]Shown, 0, len(origins))
	for _, o := range origins {
		s := Shown{Key: o.Key, Value: o.Value, Origin: o.From}
		if secret(o.Key) && o.Value != "" {
			s.Value = mask
		} else if u, err := url.Parse(o.Value); err == nil && u.User != nil {
			s.Value = u.Redacted()
		}
		if idle(o.Key) {
			s.Note = "not used yet"
		}
		rows = append(rows, s)
	}
	return rows
}

// secret goes by the name of a key; files are named, not shown.
func secret(key string) bool {
	last := key[strings.LastIndexByte(key, '.')+1:]
	for _, word := range []string{"password", "secret", "token"} {
		if strings.Contains(last, word) && !strings.HasSuffix(last, "_file") {
			return true
		}
	}
	return false
}

func idle(key string) bool {
	if strings.HasPrefix(key, "causes[") && strings.HasSuffix(key, ".ask") {
		return true
	}
	for _, k := range notUsedYet {
		if key == k || strings.HasSuffix(k, ".") && strings.HasPrefix(key, k) {
			return true
		}
	}
	return false
}
