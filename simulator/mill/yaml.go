package mill

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

// bookYAML writes a book in the form that `planner book apply` reads: the
// fields of the message, one entry a line.
func bookYAML(book *pb.Book) (string, error) {
	var b strings.Builder
	m := book.ProtoReflect()
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		list := m.Get(f).List()
		if list.Len() == 0 {
			continue
		}
		fmt.Fprintf(&b, "%s:\n", f.Name())
		for n := range list.Len() {
			text, err := flow(list.Get(n), f)
			if err != nil {
				return "", err
			}
			fmt.Fprintf(&b, "  - %s\n", text)
		}
	}
	return b.String(), nil
}

// flow is one value on one line.
func flow(v protoreflect.Value, f protoreflect.FieldDescriptor) (string, error) {
	switch f.Kind() {
	case protoreflect.StringKind:
		return quote(v.String()), nil
	case protoreflect.DoubleKind:
		return strconv.FormatFloat(v.Float(), 'g', -1, 64), nil
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		return strconv.FormatInt(v.Int(), 10), nil
	case protoreflect.MessageKind:
		if t, ok := v.Message().Interface().(*timestamppb.Timestamp); ok {
			return t.AsTime().Format(time.RFC3339Nano), nil
		}
		return flowMessage(v.Message())
	}
	return "", fmt.Errorf("mill: book field %s has kind %s, which is not written", f.FullName(), f.Kind())
}

func flowMessage(m protoreflect.Message) (string, error) {
	var parts []string
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if !m.Has(f) {
			continue
		}
		if !f.IsList() {
			text, err := flow(m.Get(f), f)
			if err != nil {
				return "", err
			}
			parts = append(parts, string(f.Name())+": "+text)
			continue
		}
		var items []string
		for n := range m.Get(f).List().Len() {
			text, err := flow(m.Get(f).List().Get(n), f)
			if err != nil {
				return "", err
			}
			items = append(items, text)
		}
		parts = append(parts, fmt.Sprintf("%s: [%s]", f.Name(), strings.Join(items, ", ")))
	}
	return "{ " + strings.Join(parts, ", ") + " }", nil
}
