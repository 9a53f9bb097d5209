package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
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
	in := s.in
	if name == "-" {
		name = "standard input"
	} else {
		f, err := os.Open(name)
		if err != nil {
			code := exitUsage
			if errors.Is(err, os.ErrNotExist) {
				code = exitNotFound
			}
			return c, nil, &exitError{code, fmt.Errorf("knit card: %w; name an existing file with -f", err)}
		}
		defer f.Close()
		in = f
	}
	raw, err := io.ReadAll(io.LimitReader(in, maxCardBytes+1))
	if err != nil {
		return c, nil, usage("knit card: read %s: %w", name, err)
	}
	if len(raw) > maxCardBytes {
		return c, nil, usage("knit card: %s is larger than %d bytes, expected one card", name, maxCardBytes)
	}
	places, err := parseCard(name, raw, &c)
	if err != nil {
		return cardFile{}, nil, &exitError{exitUsage, err}
	}
	return c, places, nil
}

func parseCard(name string, raw []byte, into *cardFile) (map[string]string, error) {
	tree, err := parser.ParseBytes(bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf")), 0)
	if err != nil {
		return nil, fmt.Errorf("knit card: %s is not YAML: %s", name, yamlSays(name, err))
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
	places := map[string]string{}
	if err := noteCard(name, "", body, places); err != nil {
		return nil, err
	}
	if err := yaml.NodeToValue(body, into, yaml.Strict()); err != nil {
		return nil, fmt.Errorf("knit card: %s", yamlSays(name, err))
	}
	const mostFeeds = 48
	if n := len(into.Feeds); n < 1 || n > mostFeeds {
		return nil, fmt.Errorf("knit card: %s has %d feed groups, expected 1 to %d under feeds; write for each id, yarn, feeder_count and course_length_m", name, n, mostFeeds)
	}
	return places, nil
}

// yamlSays puts file and line before the words of the YAML library.
func yamlSays(name string, err error) string {
	e, ok := errors.AsType[yaml.Error](err)
	if !ok {
		return name + ": " + err.Error()
	}
	words := e.GetMessage()
	if rest, ok := strings.CutPrefix(words, "unknown field "); ok {
		words = fmt.Sprintf("the key %s is not known, expected the keys of a card of the book and %s", rest, strings.Join(cardKeys, ", "))
	}
	if t := e.GetToken(); t != nil && t.Position != nil {
		return fmt.Sprintf("%s:%d: %s", name, t.Position.Line, words)
	}
	return name + ": " + words
}

// cardKeys are those that a card of the book does not have.
var cardKeys = []string{
	"structure", "repeat", "diameter_inch", "gauge_npi", "cylinder_needle_count", "dial_needle_count", "feeder_count", "feeds_in_action",
	"needles_in_work", "dial_needles_in_work", "efficiency", "roll_kg", "waste_ratio",
	"courses_per_cm", "wales_per_cm", "stitches_state", "and in feeds fibre, stitch_length_mm, cone_net_kg",
}

// noteCard remembers the line of every value and refuses what would make a value
// stand in another line than where it is used.
func noteCard(name, path string, n ast.Node, places map[string]string) error {
	switch n := n.(type) {
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		return fmt.Errorf("knit card: %s:%d: found %s, expected the value itself", name, line(n), kind(n))
	case *ast.MappingNode:
		for _, v := range n.Values {
			if err := noteCard(name, path, v, places); err != nil {
				return err
			}
		}
	case *ast.MappingValueNode:
		return noteCard(name, strings.TrimPrefix(path+"."+n.Key.String(), "."), n.Value, places)
	case *ast.SequenceNode:
		for i, v := range n.Values {
			at := fmt.Sprintf("%s[%d]", path, i)
			places[at] = fmt.Sprintf("%s:%d", name, line(v))
			if err := noteCard(name, at, v, places); err != nil {
				return err
			}
		}
	default:
		places[path] = fmt.Sprintf("%s:%d", name, line(n))
	}
	return nil
}
