package main

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"turnwise/proto/conf"
)

// yamlReader fills a message from YAML and remembers the line of every field.
type yamlReader struct {
	file   string
	places map[string]int // path of a field -> line
	faults []error
}

// maxFaults is how many faults are told at a time.
const maxFaults = 20

// readYAML reads YAML into a message whose fields it names as the message
// does. Unknown fields, wrong kinds and anchors are errors with their line,
// all told at once. The map tells the line of each field by its path, for
// example "cards[0].feeds[1].lot".
func readYAML(file string, raw []byte, into proto.Message) (map[string]int, error) {
	if err := conf.CheckText(file, raw); err != nil {
		return nil, err
	}
	parsed, err := parser.ParseBytes(raw, 0)
	if err != nil {
		return nil, fmt.Errorf("%s is not YAML: %s", file, conf.Located(file, err))
	}
	r := &yamlReader{file: file, places: make(map[string]int)}
	var body ast.Node
	for _, d := range parsed.Docs {
		switch {
		case d.Body == nil:
		case body != nil:
			r.fail(d.Body, "", "a second document, expected one; put all entries under one head")
		default:
			body = d.Body
		}
	}
	if body == nil {
		return nil, fmt.Errorf("%s is empty, expected at least one of %s", file, fieldNames(into.ProtoReflect().Descriptor()))
	}
	r.message("", body, into.ProtoReflect())
	if n := len(r.faults); n > maxFaults {
		r.faults = append(r.faults[:maxFaults], fmt.Errorf("and %d more", n-maxFaults))
	}
	return r.places, errors.Join(r.faults...)
}

func (r *yamlReader) fail(n ast.Node, path, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if path != "" {
		text = path + ": " + text
	}
	r.faults = append(r.faults, fmt.Errorf("%s:%d: %s", r.file, line(n), text))
}

func line(n ast.Node) int {
	if t := n.GetToken(); t != nil && t.Position != nil {
		return t.Position.Line
	}
	return 1
}

// message reads a mapping.
func (r *yamlReader) message(path string, n ast.Node, m protoreflect.Message) {
	var entries []*ast.MappingValueNode
	switch n := n.(type) {
	case *ast.MappingNode:
		entries = n.Values
	case *ast.MappingValueNode:
		entries = []*ast.MappingValueNode{n}
	default:
		r.fail(n, path, "found %s, expected a mapping with %s", kind(n), fieldNames(m.Descriptor()))
		return
	}
	for _, e := range entries {
		key := e.Key.String()
		at := strings.TrimPrefix(path+"."+key, ".")
		fd := m.Descriptor().Fields().ByName(protoreflect.Name(key))
		if fd == nil {
			r.fail(e.Key, at, "unknown field, expected one of %s", fieldNames(m.Descriptor()))
			continue
		}
		r.places[at] = line(e.Key)
		if _, ok := e.Value.(*ast.NullNode); ok {
			continue // "lot:" with nothing behind it says nothing
		}
		r.field(at, e.Value, m, fd)
	}
}

func (r *yamlReader) field(path string, n ast.Node, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	if !fd.IsList() {
		if v, ok := r.value(path, n, m.NewField, fd); ok {
			m.Set(fd, v)
		}
		return
	}
	seq, ok := n.(*ast.SequenceNode)
	if !ok {
		r.fail(n, path, "found %s, expected a list", kind(n))
		return
	}
	list := m.Mutable(fd).List()
	for i, item := range seq.Values {
		at := fmt.Sprintf("%s[%d]", path, i)
		r.places[at] = line(item)
		if v, ok := r.value(at, item, func(protoreflect.FieldDescriptor) protoreflect.Value { return list.NewElement() }, fd); ok {
			list.Append(v)
		}
	}
}

// value reads one scalar, time or message.
func (r *yamlReader) value(path string, n ast.Node, fresh func(protoreflect.FieldDescriptor) protoreflect.Value, fd protoreflect.FieldDescriptor) (protoreflect.Value, bool) {
	if fd.Kind() == protoreflect.MessageKind {
		v := fresh(fd)
		if ts, ok := v.Message().Interface().(*timestamppb.Timestamp); ok {
			return v, r.instant(path, n, ts)
		}
		r.message(path, n, v.Message())
		return v, true
	}
	text, ok := scalar(n)
	if !ok {
		r.fail(n, path, "found %s, expected %s", kind(n), fd.Kind())
		return protoreflect.Value{}, false
	}
	switch fd.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(text), true
	case protoreflect.DoubleKind:
		if x, err := strconv.ParseFloat(text, 64); err == nil && isNumber(n) {
			return protoreflect.ValueOfFloat64(x), true
		}
		r.fail(n, path, "found %q, expected a number with a point, for example 7.26", text)
	case protoreflect.BoolKind:
		if x, err := strconv.ParseBool(text); err == nil && (text == "true" || text == "false") {
			return protoreflect.ValueOfBool(x), true
		}
		r.fail(n, path, "found %q, expected true or false", text)
	case protoreflect.Int32Kind:
		if x, err := strconv.ParseInt(text, 10, 32); err == nil && isNumber(n) {
			return protoreflect.ValueOfInt32(int32(x)), true
		}
		r.fail(n, path, "found %q, expected a whole number", text)
	default:
		r.fail(n, path, "a field of kind %s cannot be written in YAML", fd.Kind())
	}
	return protoreflect.Value{}, false
}

func (r *yamlReader) instant(path string, n ast.Node, into *timestamppb.Timestamp) bool {
	text, _ := scalar(n)
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		r.fail(n, path, "found %q, expected a time with its zone, for example 2026-11-30T08:00:00+03:00", text)
		return false
	}
	proto.Merge(into, timestamppb.New(t))
	return true
}

// scalar is the text of a scalar as it was written: a lot 0417 keeps its zero.
func scalar(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		return n.Value.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		return n.GetToken().Value, true
	}
	return "", false
}

func isNumber(n ast.Node) bool {
	switch n.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		return true
	}
	return false
}

// kind names what was found in words of YAML.
func kind(n ast.Node) string {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a mapping"
	case *ast.SequenceNode:
		return "a list"
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		return "an anchor or alias, which is not read here"
	case *ast.NullNode:
		return "nothing"
	}
	if text, ok := scalar(n); ok {
		return strconv.Quote(text)
	}
	return "a " + strings.ToLower(n.Type().String())
}

func fieldNames(d protoreflect.MessageDescriptor) string {
	names := make([]string, d.Fields().Len())
	for i := range names {
		names[i] = string(d.Fields().Get(i).Name())
	}
	return strings.Join(names, ", ")
}
