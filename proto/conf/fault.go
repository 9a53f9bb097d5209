package conf

import (
	"encoding"
	"errors"
	"fmt"
	"reflect"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
)

// faultIn looks for the first place of a tree that does not fit a type and
// says what is there and what is expected. The YAML library knows the line of
// some faults only, and what is expected of none. "" when all fits.
func faultIn(file string, t reflect.Type, path string, n ast.Node) string {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	say := func(n ast.Node, format string, args ...any) string {
		at := file
		if tok := n.GetToken(); tok != nil && tok.Position != nil {
			at = fmt.Sprintf("%s:%d:%d", file, tok.Position.Line, tok.Position.Column)
		}
		if path != "" {
			at += ": " + path
		}
		return at + ": " + fmt.Sprintf(format, args...)
	}
	switch n := n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		if t.Kind() != reflect.Struct || readsText(t) {
			return say(n, "found a mapping, %s is expected", expected(t))
		}
		for _, e := range entries(n) {
			key := e.Key.String()
			ft, ok := fieldType(t, key)
			if !ok {
				return say(e.Key, "found the key %q, which is not known here; expected is one of %s; check the spelling and the indentation, or remove it", key, keys(t))
			}
			if f := faultIn(file, ft, join(path, key), e.Value); f != "" {
				return f
			}
		}
	case *ast.SequenceNode:
		if t.Kind() != reflect.Slice || readsText(t) {
			return say(n, "found a list, %s is expected", expected(t))
		}
		for i, v := range n.Values {
			if f := faultIn(file, t.Elem(), fmt.Sprintf("%s[%d]", path, i), v); f != "" {
				return f
			}
		}
	case nil, *ast.NullNode:
	default:
		err := yaml.NodeToValue(n, reflect.New(t).Interface(), yaml.Strict())
		if err == nil {
			break
		}
		if _, ok := errors.AsType[yaml.Error](err); !ok && readsText(t) {
			return say(n, "%s", err) // in our own words
		}
		return say(n, "found %q, %s is expected", strings.TrimSpace(n.String()), expected(t))
	}
	return ""
}

func entries(n ast.Node) []*ast.MappingValueNode {
	if m, ok := n.(*ast.MappingNode); ok {
		return m.Values
	}
	return []*ast.MappingValueNode{n.(*ast.MappingValueNode)}
}

// readsText tells that a type reads itself from one scalar.
func readsText(t reflect.Type) bool {
	return reflect.PointerTo(t).Implements(reflect.TypeFor[encoding.TextUnmarshaler]())
}

func expected(t reflect.Type) string {
	switch k := t.Kind(); {
	case readsText(t):
		return "one value"
	case k == reflect.Bool:
		return "true or false"
	case k >= reflect.Int && k <= reflect.Uint64:
		return "a whole number"
	case k == reflect.Float32, k == reflect.Float64:
		return "a number"
	case k == reflect.Slice:
		return "a list"
	case k == reflect.Struct:
		return "a mapping with " + keys(t)
	}
	return "a text"
}

func fieldType(t reflect.Type, key string) (reflect.Type, bool) {
	for f := range fields(t) {
		if name, _ := tagName(f); name == key {
			return f.Type, true
		}
	}
	return nil, false
}

func keys(t reflect.Type) string {
	var names []string
	for f := range fields(t) {
		if name, _ := tagName(f); name != "" {
			names = append(names, name)
		}
	}
	return strings.Join(names, ", ")
}

// fields gives the fields of a struct, those of inlined structs among them.
func fields(t reflect.Type) func(yield func(reflect.StructField) bool) {
	return func(yield func(reflect.StructField) bool) {
		for i := range t.NumField() {
			f := t.Field(i)
			if _, inline := tagName(f); inline {
				for g := range fields(f.Type) {
					if !yield(g) {
						return
					}
				}
				continue
			}
			if !yield(f) {
				return
			}
		}
	}
}
