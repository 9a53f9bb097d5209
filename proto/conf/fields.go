package conf

import (
	"encoding"
	"fmt"
	"reflect"
	"strconv"
	"strings"
)

// tagName is the YAML key of a struct field; "" for a field that has none.
func tagName(f reflect.StructField) (name string, inline bool) {
	tag, rest, _ := strings.Cut(f.Tag.Get("yaml"), ",")
	if tag == "-" || !f.IsExported() {
		return "", false
	}
	if strings.Contains(rest, "inline") {
		return "", true
	}
	if tag == "" {
		tag = strings.ToLower(f.Name)
	}
	return tag, false
}

// find follows a path of lower-case keys and list indices.
func find(v reflect.Value, path []string) (key string, field reflect.Value, ok bool) {
	for _, p := range path {
		for v.Kind() == reflect.Pointer {
			if v.IsNil() {
				v.Set(reflect.New(v.Type().Elem()))
			}
			v = v.Elem()
		}
		switch v.Kind() {
		case reflect.Struct:
			f, found := fieldByKey(v, p)
			if !found {
				return "", reflect.Value{}, false
			}
			v, key = f, join(key, p)
		case reflect.Slice:
			i, err := strconv.Atoi(p)
			if err != nil || i < 0 || i >= v.Len() {
				return "", reflect.Value{}, false
			}
			v, key = v.Index(i), fmt.Sprintf("%s[%d]", key, i)
		default:
			return "", reflect.Value{}, false
		}
	}
	return key, v, true
}

func fieldByKey(v reflect.Value, key string) (reflect.Value, bool) {
	for i := range v.NumField() {
		name, inline := tagName(v.Type().Field(i))
		if inline {
			if f, ok := fieldByKey(v.Field(i), key); ok {
				return f, true
			}
		}
		if name != "" && strings.ToLower(name) == key {
			return v.Field(i), true
		}
	}
	return reflect.Value{}, false
}

// walk calls f for every scalar below v.
func walk(v reflect.Value, path string, f func(key string, v reflect.Value)) {
	if v.CanInterface() {
		switch v.Interface().(type) {
		case fmt.Stringer, encoding.TextMarshaler:
			f(path, v)
			return
		}
	}
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			walk(v.Elem(), path, f)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			name, inline := tagName(v.Type().Field(i))
			switch {
			case inline:
				walk(v.Field(i), path, f)
			case name != "":
				walk(v.Field(i), join(path, name), f)
			}
		}
	case reflect.Slice:
		if v.Len() == 0 {
			f(path, v)
		}
		for i := range v.Len() {
			walk(v.Index(i), fmt.Sprintf("%s[%d]", path, i), f)
		}
	default:
		f(path, v)
	}
}

func render(v reflect.Value) string {
	if v.Kind() == reflect.Slice && v.Len() == 0 {
		return "[]"
	}
	return printable(fmt.Sprint(v.Interface()))
}
