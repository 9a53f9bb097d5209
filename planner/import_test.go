package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	pb "turnwise/proto/turnwisepb"
)

func TestAsNumber(t *testing.T) {
	for _, tt := range []struct {
		text  string
		comma bool // the file parts cells by ;
		want  float64
		bad   string // what the fault must say
	}{
		{"6000", false, 6000, ""}, {"6000,5", false, 6000.5, ""}, {"6000.5", true, 6000.5, ""}, {"6.000,5", true, 6000.5, ""},
		{"6,000.5", false, 6000.5, ""}, {"6 000", false, 6000, ""}, {"1'234'567", false, 1234567, ""}, {"1,234,567", false, 1234567, ""},
		{"1.234.567,25", false, 1234567.25, ""}, {"0,125", true, 0.125, ""}, {"0.125", false, 0.125, ""}, {"6,25", true, 6.25, ""},
		{"6.000", true, 0, "may be 6000 or 6.000"}, {"6,000", false, 0, "may be 6000 or 6.000"},
		{"6,000", true, 6, ""}, {"6.000", false, 6, ""}, // the decimal sign of the file
		{"6k", false, 0, `"6k"`}, {"NaN", false, 0, "NaN"}, {"Inf", false, 0, "Inf"}, {"1.2.3", false, 0, "1.2.3"}, {"", false, 0, `""`}, {"0x10", false, 0, "0x10"},
	} {
		got, f := asNumber(cell{text: tt.text}, tt.comma)
		if tt.bad != "" && !strings.Contains(f.Found, tt.bad) || tt.bad == "" && (f.Found != "" || got != tt.want) {
			t.Errorf("asNumber(%q, comma %v) = %g, %+v, want %g %q", tt.text, tt.comma, got, f, tt.want, tt.bad)
		}
	}
}

func TestAsCode(t *testing.T) {
	for text, good := range map[string]bool{
		"L-417": true, "0417": true, "4417": true, "SO-1041": true, "E30": true, "5E12": true, "12-4A": true,
		"4-Dec": false, "04-Dec": false, "Dec-26": false, "4.17E+05": false, "1,2E+11": false, "2026-12-04": false, "2026-12-04 00:00:00": false, "12/4/2026": false, "4.12.2026": false,
	} {
		if got, f := asCode(cell{text: text}, true); (f.Found == "") != good || good && got != text {
			t.Errorf("asCode(%q) = %q, %+v, want good %v", text, got, f, good)
		}
	}
}

func TestAsInstant(t *testing.T) {
	zone := time.FixedZone("mill", 3*3600)
	for text, want := range map[string]string{
		"2026-12-04": "2026-12-05T00:00:00+03:00", "4.12.2026": "2026-12-05T00:00:00+03:00", "2026-12-04 14:30": "2026-12-04T14:30:00+03:00",
		"2026-12-04T14:30:00Z": "2026-12-04T14:30:00Z", "13/12/2026": "2026-12-14T00:00:00+03:00", "12/13/2026": "2026-12-14T00:00:00+03:00", "5/5/2026": "2026-05-06T00:00:00+03:00",
		"4/12/2026": "", "soon": "", "46000": "", "2026-13-01": "",
	} {
		got, f := asInstant(cell{text: text}, zone)
		if want == "" && f.Found == "" || want != "" && got.Format(time.RFC3339) != want {
			t.Errorf("asInstant(%q) = %v, %+v, want %q", text, got, f, want)
		}
	}
}

func TestDateFormats(t *testing.T) {
	for format, want := range map[string]bool{"dd/mm/yyyy": true, "[$-409]d-mmm;@": true, "0.00": false, `0.0" day"`: false, "[Red]0": false, "yyyy": true, `#,##0\ "kg"`: false, "hh:mm": true} {
		if dateFormat(format) != want {
			t.Errorf("dateFormat(%q) is not %v", format, want)
		}
	}
}

// book40 is an order book of 40 rows, 6 of them bad, each in its own way.
func book40(t *testing.T) []byte {
	f := excelize.NewFile()
	set := func(at string, v any) {
		if err := f.SetCellValue("Sheet1", at, v); err != nil {
			t.Fatal(err)
		}
	}
	head := []any{"Order", "Article", "Quantity kg", "Due date", "Yarn lot", "One lot"}
	if err := f.SetSheetRow("Sheet1", "A1", &head); err != nil {
		t.Fatal(err)
	}
	for i := range 40 {
		at := func(column string) string { return column + strings.TrimLeft(itoa(i+2), "0") }
		set(at("A"), "SO-2"+itoa(100+i))
		set(at("B"), "SJ-30x28")
		set(at("C"), 1000+float64(i)/2)
		set(at("D"), noon.AddDate(0, 0, 10+i)) // excelize gives it the format of a date
		set(at("E"), "L-417")
		set(at("F"), "yes")
	}
	set("E3", time.Date(2026, 12, 4, 0, 0, 0, 0, time.UTC)) // 4-12 typed into a cell without a format
	set("E4", 417)                                          // 00417
	set("C5", 0)
	set("C6", 5e7)
	set("D7", noon.AddDate(0, 0, -3))
	set("A8", "SO-2100")
	b, err := f.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func itoa(n int) string {
	return string(rune('0'+n/100%10)) + string(rune('0'+n/10%10)) + string(rune('0'+n%10))
}

func TestImportNamesEveryBadRow(t *testing.T) {
	name := filepath.Join(t.TempDir(), "book.xlsx")
	if err := os.WriteFile(name, book40(t), 0o600); err != nil {
		t.Fatal(err)
	}
	rejects := filepath.Join(t.TempDir(), "bad.csv")
	f := &fake{}
	out, errs, code := call(t, f, "orders", "import", name, "--rejects", rejects, "--json", "--zone", "UTC")
	if code != exitPartly {
		t.Fatalf("exit %d, want %d: %s", code, exitPartly, errs)
	}
	var got struct {
		Faults  []rowFault `json:"row_errors"`
		Bad     int        `json:"rejected"`
		Written bool       `json:"written"`
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	want := []struct{ place, found string }{
		{"row 3, lot", "the date 4 Dec 2026"}, {"row 4, lot", "the number 417"}, {"row 5, kg", "0 kg"}, {"row 6, kg", "5e+07 kg"}, {"row 7, promise", "which is past"}, {"row 8, order", "SO-2100 a second time"},
	}
	if len(got.Faults) != len(want) || got.Bad != 6 || got.Written {
		t.Fatalf("%d faults, %d rows bad, written %v, want 6, 6, false: %+v", len(got.Faults), got.Bad, got.Written, got.Faults)
	}
	for i, w := range want {
		g := got.Faults[i]
		if !strings.HasSuffix(g.Place, w.place) || !strings.Contains(g.Found, w.found) || g.Expected == "" || g.Repair == "" {
			t.Errorf("fault %d is %+v, want at %s, %s", i, g, w.place, w.found)
		}
	}
	r := f.last().(*pb.ApplyBookRequest)
	if !r.GetValidateOnly() || len(r.GetBook().GetOrders()) != 34 {
		t.Errorf("asked to write %d orders, validate only %v, want 34, true", len(r.GetBook().GetOrders()), r.GetValidateOnly())
	}
	bad, err := os.ReadFile(rejects)
	if err != nil {
		t.Fatal(err)
	}
	if rows, err := csv.NewReader(strings.NewReader(string(bad))).ReadAll(); err != nil || len(rows) != 7 || !strings.Contains(rows[1][6], "found the date") {
		t.Errorf("rejects %v, %v", rows, err)
	}
	if _, errs, code := call(t, f, "orders", "import", name, "--skip-bad", "--zone", "UTC"); code != exitPartly || f.last().(*pb.ApplyBookRequest).GetValidateOnly() {
		t.Errorf("--skip-bad wrote nothing, exit %d: %s", code, errs)
	}
}

// Columns that are not in the file stay as they are in the book, and what was
// exported changes nothing when it is imported.
func TestExportImportChangesNothing(t *testing.T) {
	f := &fake{}
	out, errs, code := call(t, f, "orders", "export")
	if code != exitOK {
		t.Fatalf("export: exit %d: %s", code, errs)
	}
	name := filepath.Join(t.TempDir(), "orders.csv")
	for what, text := range map[string]string{"the whole export": out, "its first column": firstColumn(t, out)} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, errs, code := call(t, f, "orders", "import", name); code != exitOK {
			t.Fatalf("import of %s: exit %d: %s", what, code, errs)
		}
		r := f.last().(*pb.ApplyBookRequest)
		all, err := f.ListOrders(t.Context(), &pb.ListOrdersRequest{})
		if err != nil || len(r.GetBook().GetOrders()) != len(all.GetOrders()) {
			t.Fatalf("%d orders of %d, %v", len(r.GetBook().GetOrders()), len(all.GetOrders()), err)
		}
		for i, o := range all.GetOrders() {
			was, is := bookOrder(o), r.GetBook().GetOrders()[i]
			if was.String() != is.String() {
				t.Errorf("%s: order %v became %v", what, was, is)
			}
		}
	}
}

func firstColumn(t *testing.T, text string) string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, r := range rows {
		b.WriteString(r[0] + "\n")
	}
	return b.String()
}

func TestImportRefusesFiles(t *testing.T) {
	for text, want := range map[string]string{
		"":                               "is empty",
		"kg;promise\n1;2\n":              "no column order",
		"order,colour\nA,red\n":          "colour",
		"order,kg,quantity\nA,1,2\n":     "second column for kg",
		"order\nA\xff\n":                 "UTF-8",
		"order,kg\n\"A,1\n":              "quotes",
		"\xd0\xcf\x11\xe0old":            "old or locked",
		"PK\x03\x04 this is no archive ": ".xlsx",
	} {
		name := filepath.Join(t.TempDir(), "orders.csv")
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, errs, code := call(t, &fake{}, "orders", "import", name); code != exitUsage || !strings.Contains(errs, want) {
			t.Errorf("%q: exit %d, %q, want %d and %q", text, code, errs, exitUsage, want)
		}
	}
}

// What people type: semicolons, decimal commas, a byte order mark, empty rows.
func TestImportReadsWhatPeopleWrite(t *testing.T) {
	name := filepath.Join(t.TempDir(), "orders.csv")
	text := "\ufeffOrder No;Fabric;Kilos;Delivery;Parts\r\nSO-9001;SJ-30x28;1.250,5;4.12.2026;2\r\n;;;;\r\nSO-9002;PQ-30x24;800,25;2026-12-05 14:00;\r\n"
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	f := &fake{}
	if _, errs, code := call(t, f, "orders", "import", name, "--zone", "UTC", "--dry-run"); code != exitOK {
		t.Fatalf("exit %d: %s", code, errs)
	}
	got := f.last().(*pb.ApplyBookRequest)
	o := got.GetBook().GetOrders()
	if len(o) != 2 || o[0].GetQuantityKg() != 1250.5 || o[0].GetPartCount() != 2 || o[1].GetQuantityKg() != 800.25 || !got.GetValidateOnly() ||
		!o[0].GetPromiseTime().AsTime().Equal(time.Date(2026, 12, 5, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("read %v", got)
	}
}

func FuzzReadSheet(f *testing.F) {
	f.Add([]byte("order;kg\nSO-1;6,5\n"))
	f.Add([]byte("PK\x03\x04"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		s, err := readSheet("x", raw)
		if err != nil {
			return
		}
		m := &importer{name: "x", zone: time.UTC, now: noon, known: map[string]*pb.Order{}}
		if m.heads(&s) == nil {
			if m.read(&s); len(m.orders)+len(m.bad) != len(s.rows) {
				t.Errorf("%d orders and %d bad of %d rows", len(m.orders), len(m.bad), len(s.rows))
			}
		}
	})
}

func call(t *testing.T, f *fake, args ...string) (out, errs string, code int) {
	t.Helper()
	e := f.planner(t, strings.Join(args, " "))
	return e.out, e.err, e.code
}
