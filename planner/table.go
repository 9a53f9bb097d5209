package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// listing is a result in all its forms. Cells are for people; data is what
// JSON says, and its field names are part of the interface.
type listing struct {
	head  []string // a column that begins with ">" is aligned right
	rows  [][]string
	data  any
	empty string // said on standard error when a table has no rows
}

func (l *listing) add(cells ...string) { l.rows = append(l.rows, cells) }

// print writes a listing in the form that was asked for.
func (s *session) print(l *listing) error {
	switch s.common.Output {
	case "json":
		return writeJSON(s.out, l.data)
	case "csv":
		return writeCSV(s.out, l.data)
	}
	if len(l.rows) == 0 {
		if l.empty != "" {
			fmt.Fprintln(s.err, l.empty)
		}
		return nil
	}
	return l.table(s.out)
}

// table aligns columns by their widest cell, two spaces apart.
func (l *listing) table(w io.Writer) error {
	width := make([]int, len(l.head))
	head := make([]string, len(l.head))
	right := make([]bool, len(l.head))
	for i, h := range l.head {
		head[i], right[i] = strings.CutPrefix(h, ">")
		width[i] = utf8.RuneCountInString(head[i])
	}
	for _, r := range l.rows {
		for i, c := range r {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	var b strings.Builder
	for _, r := range append([][]string{head}, l.rows...) {
		var line strings.Builder
		for i, c := range r {
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if right[i] {
				line.WriteString(pad + c)
			} else {
				line.WriteString(c + pad)
			}
			line.WriteString("  ")
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func writeJSON(w io.Writer, data any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return e.Encode(data)
}

// kg writes kilos with the letter of their origin.
func kg(value float64, letter string) string {
	if value >= 1000 || value <= -1000 {
		return thousands(value) + letter
	}
	return fmt.Sprintf("%.1f%s", value, letter)
}

// thousands groups digits with commas, without a fraction.
func thousands(v float64) string {
	digits := fmt.Sprintf("%.0f", v)
	sign := ""
	if strings.HasPrefix(digits, "-") {
		sign, digits = "-", digits[1:]
	}
	for i := len(digits) - 3; i > 0; i -= 3 {
		digits = digits[:i] + "," + digits[i:]
	}
	return sign + digits
}

// writeCSV writes the list inside data, one row an entry, with the names and
// values of the JSON. Nested parts have no place in a table and are left out.
func writeCSV(w io.Writer, data any) error {
	list := reflect.ValueOf(data)
	if list.Kind() == reflect.Struct {
		for i := range list.NumField() {
			if f := list.Field(i); f.Kind() == reflect.Slice && f.Type().Elem().Kind() == reflect.Struct {
				list = f
				break
			}
		}
	}
	if list.Kind() != reflect.Slice { // one entry alone
		one := reflect.MakeSlice(reflect.SliceOf(list.Type()), 0, 1)
		list = reflect.Append(one, list)
	}
	entry := list.Type().Elem()
	var columns []int
	var head []string
	for i := range entry.NumField() {
		f := entry.Field(i)
		if _, ok := plain(reflect.Zero(f.Type)); ok {
			columns = append(columns, i)
			head = append(head, strings.Split(f.Tag.Get("json"), ",")[0])
		}
	}
	out := csv.NewWriter(w)
	if err := out.Write(head); err != nil {
		return err
	}
	for i := range list.Len() {
		row := make([]string, len(columns))
		for j, c := range columns {
			row[j], _ = plain(list.Index(i).Field(c))
		}
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// plain writes a value that fits a cell.
func plain(v reflect.Value) (string, bool) {
	switch x := v.Interface().(type) {
	case string:
		return x, true
	case bool:
		return strconv.FormatBool(x), true
	case int64:
		return strconv.FormatInt(x, 10), true
	case float64:
		return strconv.FormatFloat(x, 'f', -1, 64), true
	case []string:
		return strings.Join(x, " "), true
	case *time.Time:
		if x == nil {
			return "", true
		}
		return x.Format(time.RFC3339Nano), true
	}
	return "", false
}

// when is a time for JSON, nil when it is not known.
func when(ts *timestamppb.Timestamp) *time.Time {
	if ts == nil {
		return nil
	}
	t := ts.AsTime().UTC().Truncate(time.Millisecond)
	return &t
}

// some makes an absent list an empty one: scripts find the field always.
func some[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
