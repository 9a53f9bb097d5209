package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"turnwise/proto/conf"
)

// cardFile is a knit card with all that its arithmetic needs. Where the mill's
// book has a field, the key is the book's.
type cardFile struct {
	ID            string  `yaml:"id"`
	Article       string  `yaml:"article"`
	Machine       string  `yaml:"machine"`
	Structure     string  `yaml:"structure"`
	Repeat        string  `yaml:"repeat"` // in knit, tuck, miss notation; goes before the structure's own
	DiameterInch  float64 `yaml:"diameter_inch"`
	GaugeNPI      float64 `yaml:"gauge_npi"`
	Cylinder      int     `yaml:"cylinder_needle_count"`
	Dial          int     `yaml:"dial_needle_count"`
	Feeders       int     `yaml:"feeder_count"`
	InAction      int     `yaml:"feeds_in_action"` // 0 = all
	InWork        int     `yaml:"needles_in_work"` // 0 = all
	DialInWork    int     `yaml:"dial_needles_in_work"`
	SpeedRPM      float64 `yaml:"speed_rpm"`
	Efficiency    float64 `yaml:"efficiency"`
	RollKg        float64 `yaml:"roll_kg"`
	WasteRatio    float64 `yaml:"waste_ratio"`
	CoursesPerCm  float64 `yaml:"courses_per_cm"`
	WalesPerCm    float64 `yaml:"wales_per_cm"`
	StitchesState string  `yaml:"stitches_state"` // in which courses and wales were counted

	Feeds []cardFeed `yaml:"feeds"`
}

// cardFeed is a feed group.
type cardFeed struct {
	ID           string  `yaml:"id"`
	Yarn         string  `yaml:"yarn"` // count as ordered
	Lot          string  `yaml:"lot"`
	Fibre        string  `yaml:"fibre"`
	Feeders      int     `yaml:"feeder_count"`
	CourseLength float64 `yaml:"course_length_m"`
	StitchLength float64 `yaml:"stitch_length_mm"` // where no course length was measured
	Draft        float64 `yaml:"draft"`
	Ends         int     `yaml:"ends"`
	ConeNetKg    float64 `yaml:"cone_net_kg"`
}

// maxCardBytes bounds a card file.
const maxCardBytes = 1 << 20

// readCard reads a card file; "-" is standard input. The map tells where each
// value stands: "feeds[0].draft" -> "card.yaml:12".
func readCard(s *session, name string) (cardFile, map[string]string, error) {
	var c cardFile
	name, raw, err := s.readInput(name, maxCardBytes, "expected one card")
	if err != nil {
		return c, nil, fmt.Errorf("knit card (-f): %w", err)
	}
	places, err := parseCard(name, raw, &c)
	if err != nil {
		return cardFile{}, nil, &exitError{exitUsage, err}
	}
	return c, places, nil
}

func parseCard(name string, raw []byte, into *cardFile) (map[string]string, error) {
	if err := conf.CheckText(name, raw); err != nil {
		return nil, fmt.Errorf("knit card: %w", err)
	}
	tree, err := parser.ParseBytes(bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf")), 0)
	if err != nil {
		return nil, fmt.Errorf("knit card: %s is not YAML: %s", name, conf.Located(name, err))
	}
	var body ast.Node
	for _, d := range tree.Docs {
		if d.Body != nil && body != nil {
			return nil, fmt.Errorf("knit card: %s holds more than one document, expected one card; remove the lines that begin with ---", name)
		}
		if d.Body != nil {
			body = d.Body
		}
	}
	if body == nil {
		return nil, fmt.Errorf("knit card: %s is empty, expected feeder_count, speed_rpm and feeds", name)
	}
	r := cardReader{file: name, places: map[string]string{}}
	r.mapping("", body, reflect.ValueOf(into).Elem())
	const mostFeeds = 48
	if n := len(into.Feeds); len(r.faults) == 0 && (n < 1 || n > mostFeeds) {
		return nil, fmt.Errorf("knit card: %s has %d feed groups, expected 1 to %d under feeds; write for each id, yarn, feeder_count and course_length_m", name, n, mostFeeds)
	}
	if n := len(r.faults); n > maxFaults {
		r.faults = append(r.faults[:maxFaults], fmt.Errorf("and %d more", n-maxFaults))
	}
	return r.places, errors.Join(r.faults...)
}

// cardReader fills a struct of words, numbers and lists from YAML. It takes no
// word for a number and no part for a whole, and keeps where everything stands.
type cardReader struct {
	file   string
	places map[string]string
	faults []error
}

func (r *cardReader) fail(n ast.Node, path, format string, args ...any) {
	r.faults = append(r.faults, fmt.Errorf("%s:%d: %s: %s", r.file, line(n), path, fmt.Sprintf(format, args...)))
}

func (r *cardReader) mapping(path string, n ast.Node, into reflect.Value) {
	var entries []*ast.MappingValueNode
	switch n := n.(type) {
	case *ast.MappingNode:
		entries = n.Values
	case *ast.MappingValueNode:
		entries = []*ast.MappingValueNode{n}
	default:
		r.fail(n, cmp.Or(path, "card"), "found %s, expected keys with values: %s", kind(n), cardKeys(into.Type()))
		return
	}
	for _, e := range entries {
		key := e.Key.String()
		at := strings.TrimPrefix(path+"."+key, ".")
		field := into.FieldByNameFunc(func(name string) bool {
			f, _ := into.Type().FieldByName(name)
			return f.Tag.Get("yaml") == key
		})
		if !field.IsValid() {
			r.fail(e.Key, at, "unknown key, expected one of %s", cardKeys(into.Type()))
			continue
		}
		r.places[at] = fmt.Sprintf("%s:%d", r.file, line(e.Key))
		if _, ok := e.Value.(*ast.NullNode); ok {
			continue // "lot:" with nothing behind it says nothing
		}
		r.value(at, e.Value, field)
	}
}

func (r *cardReader) value(at string, n ast.Node, into reflect.Value) {
	if into.Kind() == reflect.Slice {
		list, ok := n.(*ast.SequenceNode)
		if !ok {
			r.fail(n, at, "found %s, expected a list, each entry behind a dash", kind(n))
			return
		}
		for i, item := range list.Values {
			path := fmt.Sprintf("%s[%d]", at, i)
			r.places[path] = fmt.Sprintf("%s:%d", r.file, line(item))
			into.Set(reflect.Append(into, reflect.Zero(into.Type().Elem())))
			r.mapping(path, item, into.Index(i))
		}
		return
	}
	text, ok := scalar(n)
	switch into.Kind() {
	case reflect.String:
		if ok {
			into.SetString(text)
			return
		}
		r.fail(n, at, "found %s, expected words", kind(n))
	case reflect.Float64:
		if v, err := strconv.ParseFloat(text, 64); err == nil && isNumber(n) {
			into.SetFloat(v)
			return
		}
		r.fail(n, at, "found %s, expected a number with a decimal point, for example 7.26", kind(n))
	case reflect.Int:
		if v, err := strconv.Atoi(text); err == nil && isNumber(n) {
			into.SetInt(int64(v))
			return
		}
		r.fail(n, at, "found %s, expected a whole number", kind(n))
	}
}

// cardKeys lists the keys of a card or of a feed group.
func cardKeys(t reflect.Type) string {
	keys := make([]string, t.NumField())
	for i := range keys {
		keys[i] = t.Field(i).Tag.Get("yaml")
	}
	return strings.Join(keys, ", ")
}
