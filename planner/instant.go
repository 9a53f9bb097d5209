package main

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// instantForms are what people write for an instant without a zone.
var instantForms = []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04", "2006-01-02 15:04:05", "2.1.2006 15:04"}

// readInstant reads an instant in a zone, unless it names its own.
func readInstant(text string, zone *time.Location) (t time.Time, ok bool) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, true
	}
	for _, form := range instantForms {
		if t, err := time.ParseInLocation(form, text, zone); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

// instant reads --at, in the zone of the session.
func (s *session) instant(text string) (time.Time, error) {
	if t, ok := readInstant(text, s.zone); ok {
		return t, nil
	}
	return time.Time{}, usage("--at %q: expected an instant such as 2026-11-28T06:00, or with its zone 2026-11-28T06:00:00+03:00", text)
}

// instantTold reads --at for the server; nil means that none was given, which is now.
func (s *session) instantTold(text string) (*timestamppb.Timestamp, error) {
	if text == "" { // a flag that is there and empty never comes this far
		return nil, nil
	}
	t, err := s.instant(text)
	if err != nil {
		return nil, err
	}
	return timestamppb.New(t), nil
}
