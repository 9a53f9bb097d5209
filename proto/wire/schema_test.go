package wire

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "turnwise/proto/turnwisepb"
	_ "turnwise/proto/turnwisepb/wirepb"
)

var update = flag.Bool("schema", false, "append what is new to testdata/wire/schema.txt")

// schema is every field, enum value and method of our messages, a line each.
func schema() (lines []string) {
	var message func(m protoreflect.MessageDescriptor)
	enum := func(e protoreflect.EnumDescriptor) {
		for i := range e.Values().Len() {
			v := e.Values().Get(i)
			lines = append(lines, fmt.Sprintf("enum %s %d %s", e.FullName(), v.Number(), v.Name()))
		}
	}
	message = func(m protoreflect.MessageDescriptor) {
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			of := f.Kind().String()
			switch {
			case f.IsMap():
				of = fmt.Sprintf("map<%s,%s>", f.MapKey().Kind(), f.MapValue().Kind())
			case f.Message() != nil:
				of = string(f.Message().FullName())
			case f.Enum() != nil:
				of = string(f.Enum().FullName())
			}
			if o := f.ContainingOneof(); o != nil {
				of += " oneof " + string(o.Name())
			}
			lines = append(lines, fmt.Sprintf("field %s %d %s %s %s", m.FullName(), f.Number(), f.Name(), f.Cardinality(), of))
		}
		for i := range m.Messages().Len() {
			message(m.Messages().Get(i))
		}
		for i := range m.Enums().Len() {
			enum(m.Enums().Get(i))
		}
	}
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(f.Package()), "turnwise.") {
			return true
		}
		for i := range f.Messages().Len() {
			message(f.Messages().Get(i))
		}
		for i := range f.Enums().Len() {
			enum(f.Enums().Get(i))
		}
		for i := range f.Services().Len() {
			for s, j := f.Services().Get(i), 0; j < s.Methods().Len(); j++ {
				m := s.Methods().Get(j)
				lines = append(lines, fmt.Sprintf("method %s %s -> %s", m.FullName(), m.Input().FullName(), m.Output().FullName()))
			}
		}
		return true
	})
	slices.Sort(lines)
	return lines
}

// What was once told stays: no number, name or type of a field, an enum value
// or a method changes or goes. See proto/EVOLUTION.md.
func TestSchemaStays(t *testing.T) {
	const file = "../../testdata/wire/schema.txt"
	b, err := os.ReadFile(file)
	if err != nil && !*update {
		t.Fatal(err)
	}
	was := slices.DeleteFunc(strings.Split(string(b), "\n"), func(l string) bool { return l == "" })
	now := schema()
	known := map[string]bool{}
	for _, l := range was {
		known[l] = true
		if !slices.Contains(now, l) {
			t.Errorf("changed or gone: %s; give the new thing a new number and keep the old one", l)
		}
	}
	var fresh []string
	for _, l := range now {
		if !known[l] {
			fresh = append(fresh, l)
		}
	}
	if len(fresh) == 0 || t.Failed() {
		return
	}
	if *update {
		all := append(was, fresh...)
		slices.Sort(all)
		if err := os.WriteFile(file, []byte(strings.Join(all, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	for _, l := range fresh {
		t.Logf("new: %s", l)
	}
	t.Errorf("%d lines are new; once they are meant to stay: go test ./proto/wire -run SchemaStays -schema", len(fresh))
}
