package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
)

// Limits of an order file. They stop accidents, not large mills.
const (
	maxOrderFile = 16 << 20 // bytes
	maxOrderRows = 10_000
	maxUnpacked  = 256 << 20 // bytes of a spreadsheet once unpacked
)

// rowFault is one thing wrong in a file, in four parts.
type rowFault struct {
	Place    string `json:"place"` // "row 7, promise"
	Found    string `json:"found"`
	Expected string `json:"expected"`
	Repair   string `json:"repair"`
}

func (f rowFault) String() string {
	return fmt.Sprintf("%s: found %s, expected %s; %s", f.Place, f.Found, f.Expected, f.Repair)
}

// cell is one cell of a file with what a spreadsheet knows of it.
type cell struct {
	text   string
	number bool      // kept as a number
	date   time.Time // kept as a date, as wall time in UTC; zero = not
}

// sheet is a file as a table. Row i stands in line lines[i] of the file.
type sheet struct {
	head  []string
	rows  [][]cell
	lines []int
	comma bool // the decimal sign must be a comma, since cells part by ;
}

// readSheet reads CSV, or a spreadsheet by its first bytes.
func readSheet(name string, raw []byte) (sheet, error) {
	if bytes.HasPrefix(raw, []byte("PK\x03\x04")) {
		return readSpreadsheet(name, raw)
	}
	if bytes.HasPrefix(raw, []byte{0xd0, 0xcf, 0x11, 0xe0}) {
		return sheet{}, rowFault{name, "an old or locked spreadsheet", "an .xlsx or .csv file", "open it, take off any password, and save it as .xlsx or .csv"}.err()
	}
	return readDelimited(name, raw)
}

func (f rowFault) err() error { return errors.New(f.String()) }

func readDelimited(name string, raw []byte) (sheet, error) {
	raw = bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf"))
	if !utf8.Valid(raw) {
		return sheet{}, rowFault{name, "bytes that are no UTF-8", "UTF-8 text", "save it as CSV UTF-8"}.err()
	}
	first, _, _ := strings.Cut(string(raw), "\n")
	sep := ','
	for _, c := range ";\t" {
		if strings.Count(first, string(c)) > strings.Count(first, string(sep)) {
			sep = c
		}
	}
	r := csv.NewReader(bytes.NewReader(raw))
	r.Comma, r.FieldsPerRecord, r.TrimLeadingSpace = sep, -1, true
	s := sheet{comma: sep == ';'}
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			return s, nil
		}
		if err != nil {
			return s, rowFault{name, err.Error(), "cells parted by " + strconv.QuoteRune(sep), "close the quotes, or double those inside a cell"}.err()
		}
		line, _ := r.FieldPos(0)
		row := make([]cell, len(record))
		for i, text := range record {
			row[i].text = strings.TrimSpace(text)
		}
		if err := s.add(name, line, row); err != nil {
			return s, err
		}
	}
}

// add takes the first row as the head and leaves empty rows out.
func (s *sheet) add(name string, line int, row []cell) error {
	if !slices.ContainsFunc(row, func(c cell) bool { return c.text != "" }) {
		return nil
	}
	if s.head == nil {
		for _, c := range row {
			s.head = append(s.head, c.text)
		}
		return nil
	}
	if len(s.rows) == maxOrderRows {
		return rowFault{fmt.Sprintf("%s, row %d", name, line), fmt.Sprintf("more than %d orders", maxOrderRows), "an order book of one mill", "import it in parts"}.err()
	}
	s.rows, s.lines = append(s.rows, row), append(s.lines, line)
	return nil
}

// readSpreadsheet reads the first sheet of an .xlsx file, with what it knows
// of the kind of each cell.
func readSpreadsheet(name string, raw []byte) (s sheet, err error) {
	defer func() { // a crafted file must not end the program
		if p := recover(); p != nil {
			err = rowFault{name, fmt.Sprint(p), "an .xlsx file", "save it anew, or as .csv"}.err()
		}
	}()
	f, err := excelize.OpenReader(bytes.NewReader(raw), excelize.Options{UnzipSizeLimit: maxUnpacked, UnzipXMLSizeLimit: maxUnpacked, RawCellValue: true})
	if err != nil {
		return s, rowFault{name, err.Error(), "an .xlsx file without a password", "save it anew, or as .csv"}.err()
	}
	defer f.Close() //nolint:errcheck // it was only read
	table := f.GetSheetName(0)
	rows, err := f.GetRows(table)
	if err != nil {
		return s, rowFault{name, err.Error(), "an .xlsx file with a table of orders", "save it anew, or as .csv"}.err()
	}
	wall1904 := false
	if p, err := f.GetWorkbookProps(); err == nil && p.Date1904 != nil {
		wall1904 = *p.Date1904
	}
	for i, texts := range rows {
		row := make([]cell, len(texts))
		for j, text := range texts {
			if row[j], err = readCell(f, table, j+1, i+1, text, wall1904); err != nil {
				return s, rowFault{fmt.Sprintf("%s, row %d", name, i+1), err.Error(), "an .xlsx file with a table of orders", "save it anew, or as .csv"}.err()
			}
		}
		if err := s.add(name, i+1, row); err != nil {
			return s, err
		}
	}
	return s, nil
}

func readCell(f *excelize.File, table string, column, row int, text string, wall1904 bool) (cell, error) {
	c := cell{text: strings.TrimSpace(text)}
	if c.text == "" {
		return c, nil
	}
	at, err := excelize.CoordinatesToCellName(column, row)
	if err != nil {
		return c, err
	}
	kind, err := f.GetCellType(table, at)
	if err != nil {
		return c, err
	}
	switch kind {
	case excelize.CellTypeNumber, excelize.CellTypeUnset, excelize.CellTypeDate, excelize.CellTypeFormula:
	default:
		return c, nil
	}
	serial, err := strconv.ParseFloat(c.text, 64)
	if err != nil {
		return c, nil // a formula that gives a text
	}
	c.number = true
	if dated(f, table, at) {
		if t, err := excelize.ExcelDateToTime(serial, wall1904); err == nil {
			c.date = t.Round(time.Second)
		}
	}
	return c, nil
}

// dated tells whether a spreadsheet shows a number as a date.
func dated(f *excelize.File, table, at string) bool {
	id, err := f.GetCellStyle(table, at)
	if err != nil {
		return false
	}
	style, err := f.GetStyle(id)
	if err != nil || style == nil {
		return false
	}
	if style.CustomNumFmt != nil {
		return dateFormat(*style.CustomNumFmt)
	}
	// ECMA-376 part 1, 18.8.30: formats 14 to 22 and 45 to 47 are dates and
	// times, 27 to 36 and 50 to 58 those of eastern languages.
	n := style.NumFmt
	return n >= 14 && n <= 22 || n >= 27 && n <= 36 || n >= 45 && n <= 47 || n >= 50 && n <= 58
}

// dateFormat tells whether a number format shows days or months: it has d, m
// or y outside of quotes and brackets.
func dateFormat(format string) bool {
	quoted, bracket := false, false
	for i := 0; i < len(format); i++ {
		switch c := format[i]; {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '\\' || c == '_' || c == '*':
			i++
		case c == '[':
			bracket = true
		case c == ']':
			bracket = false
		case !bracket && strings.IndexByte("dmyDMY", c) >= 0:
			return true
		}
	}
	return false
}

// asNumber reads kilos and the like: 6000, 6000.5, 6000,5, 6 000, 6.000,5 and
// 6,000.5. What could be two numbers is refused.
func asNumber(c cell, comma bool) (float64, rowFault) {
	expected := "a number, for example 6000 or 6000.5"
	if !c.date.IsZero() {
		return 0, rowFault{Found: "the date " + c.date.Format("2006-01-02"), Expected: expected, Repair: "give the cell the format of a number and type it again"}
	}
	text := strings.NewReplacer(" ", "", "\u00a0", "", "\u202f", "", "'", "").Replace(c.text)
	bad := rowFault{Found: strconv.Quote(c.text), Expected: expected, Repair: "write digits only"}
	if !c.number {
		dots, commas := strings.Count(text, "."), strings.Count(text, ",")
		switch {
		case dots > 0 && commas > 0: // the later one is the decimal sign
			thousand, decimal := ",", "."
			if strings.LastIndex(text, ",") > strings.LastIndex(text, ".") {
				thousand, decimal = ".", ","
			}
			if strings.Count(text, decimal) > 1 || !grouped(text[:strings.Index(text, decimal)], thousand) {
				return 0, bad
			}
			text = strings.Replace(strings.ReplaceAll(text, thousand, ""), decimal, ".", 1)
		case dots+commas > 1:
			sign := map[bool]string{true: ".", false: ","}[dots > 0]
			if !grouped(text, sign) {
				return 0, bad
			}
			text = strings.ReplaceAll(text, sign, "")
		case dots+commas == 1:
			sign := map[bool]string{true: ".", false: ","}[dots > 0]
			if grouped(text, sign) && !strings.HasPrefix(text, "0") && (sign == "," != comma) {
				whole := strings.ReplaceAll(text, sign, "")
				return 0, rowFault{Found: strconv.Quote(c.text) + ", which may be " + whole + " or " + strings.ReplaceAll(text, ",", "."), Expected: expected, Repair: "write " + whole + ", or the other one with two digits behind the sign"}
			}
			text = strings.ReplaceAll(text, ",", ".")
		}
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) || strings.ContainsAny(text, "xXpP_") {
		return 0, bad
	}
	return x, rowFault{}
}

// grouped tells whether all digits behind the first sign come in threes.
func grouped(text, sign string) bool {
	parts := strings.Split(strings.TrimPrefix(text, "-"), sign)
	for i, p := range parts {
		if len(p) != 3 && (i > 0 || len(p) == 0 || len(p) > 3) {
			return false
		}
	}
	return true
}

// asCode reads an id, an article or a lot: text that a spreadsheet must not
// have changed. strict also refuses a plain number from a spreadsheet, where
// zeros in front are lost unseen.
func asCode(c cell, strict bool) (string, rowFault) {
	const repair = "give the column the format of text and type it again as on the label"
	expected := "the code as it was typed"
	switch {
	case !c.date.IsZero():
		return "", rowFault{Found: "the date " + c.date.Format("2 Jan 2006") + ", which a spreadsheet made of it", Expected: expected, Repair: repair}
	case c.number && strict:
		return "", rowFault{Found: "the number " + c.text + ", whose zeros in front are lost", Expected: expected + ", kept as text", Repair: repair}
	case looksRounded(c.text):
		return "", rowFault{Found: strconv.Quote(c.text) + ", a number that a spreadsheet shortened", Expected: expected, Repair: repair}
	case looksDated(c.text):
		return "", rowFault{Found: strconv.Quote(c.text) + ", a date that a spreadsheet made of it", Expected: expected, Repair: repair}
	case c.number && strings.Contains(c.text, "."):
		return "", rowFault{Found: "the number " + c.text, Expected: expected, Repair: repair}
	case len(c.text) > 200 || strings.ContainsFunc(c.text, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return "", rowFault{Found: strconv.Quote(c.text[:min(len(c.text), 40)]), Expected: "at most 200 letters on one line", Repair: "shorten it"}
	}
	return c.text, rowFault{}
}

// looksRounded knows 4.17E+05 and 1,2E+11.
func looksRounded(text string) bool {
	mantissa, exponent, ok := strings.Cut(strings.ToUpper(text), "E+")
	_, errM := strconv.ParseFloat(strings.ReplaceAll(mantissa, ",", "."), 64)
	_, errE := strconv.ParseUint(exponent, 10, 16)
	return ok && errM == nil && errE == nil
}

// looksDated knows what spreadsheets write for the dates that they make of
// codes such as 4-12 and MAR-1. An ISO date with hours is one too; a plain
// 2026-12-04 is not a code either.
func looksDated(text string) bool {
	for _, layout := range []string{"2-Jan", "2-Jan-06", "2-Jan-2006", "Jan-06", "Jan-2006", "Jan-2", "2006-01-02", "2006-01-02 15:04:05", "2006-01-02T15:04:05", "1/2/2006", "2/1/2006", "1/2/06", "2/1/06", "2.1.2006", "2.1.06"} {
		if _, err := time.Parse(layout, text); err == nil {
			return true
		}
	}
	return false
}

// asInstant reads a date. A day alone means its end: what is due on Friday may
// come on Friday night.
func asInstant(c cell, zone *time.Location) (time.Time, rowFault) {
	day := func(t time.Time) time.Time {
		return time.Date(t.Year(), t.Month(), t.Day()+1, 0, 0, 0, 0, zone)
	}
	if !c.date.IsZero() {
		if h, m, s := c.date.Clock(); h+m+s == 0 {
			return day(c.date), rowFault{}
		}
		t := c.date
		return time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), 0, zone), rowFault{}
	}
	expected := "a date, for example 2026-12-04 or 2026-12-04T14:00"
	if c.number {
		return time.Time{}, rowFault{Found: "the number " + c.text, Expected: expected, Repair: "give the cell the format of a date"}
	}
	if t, ok := readInstant(c.text, zone); ok {
		return t, rowFault{}
	}
	for _, layout := range []string{"2006-01-02", "2.1.2006", "2 Jan 2006"} {
		if t, err := time.ParseInLocation(layout, c.text, zone); err == nil {
			return day(t), rowFault{}
		}
	}
	if a, errA := time.Parse("1/2/2006", c.text); errA == nil {
		if b, errB := time.Parse("2/1/2006", c.text); errB == nil && !a.Equal(b) {
			return time.Time{}, rowFault{Found: fmt.Sprintf("%q, which may be %s or %s", c.text, a.Format("2 Jan"), b.Format("2 Jan")), Expected: expected, Repair: "write " + a.Format("2006-01-02") + " or " + b.Format("2006-01-02")}
		}
		return day(a), rowFault{}
	}
	if b, err := time.Parse("2/1/2006", c.text); err == nil {
		return day(b), rowFault{}
	}
	return time.Time{}, rowFault{Found: strconv.Quote(c.text), Expected: expected, Repair: "write year, month and day"}
}

// asYesNo reads a mark: 1, yes, x, true against 0, no, false and nothing.
func asYesNo(c cell) (bool, rowFault) {
	switch strings.ToLower(c.text) {
	case "1", "yes", "y", "x", "true":
		return true, rowFault{}
	case "", "0", "no", "n", "false", "-":
		return false, rowFault{}
	}
	return false, rowFault{Found: strconv.Quote(c.text), Expected: "yes or no", Repair: "write yes or no"}
}
