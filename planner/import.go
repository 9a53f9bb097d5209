package main

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

type ordersImportCmd struct {
	File    string `arg:"" help:"CSV or XLSX file with one order a row; - = standard input."`
	DryRun  bool   `name:"dry-run" help:"Tell what would change and write nothing."`
	SkipBad bool   `name:"skip-bad" help:"Write the good rows though others are bad; else nothing is written then."`
	Rejects string `help:"Write the bad rows with their faults to this CSV file." placeholder:"FILE"`
}

// Help has the columns and an example.
func (*ordersImportCmd) Help() string {
	return `The first row names the columns, in any order:
  order, article, kg, promise           needed for a new order
  done_before_kg, weight, yarn_from, parts, one_lot, lot, pin_machine, pin_after
Cells are parted by comma, semicolon or tab. Kilos may have a decimal comma. A date alone means the end of that day.
A column that is not there changes nothing, so the same file twice changes nothing.
Codes that a spreadsheet turned into dates or numbers are refused.

Example:
  planner orders import book.xlsx --dry-run`
}

// columns of an order file with the other words that they are known by.
var columns = []struct {
	name  string
	words []string
}{
	{"order", []string{"order_id", "order_no", "id"}},
	{"article", []string{"fabric"}},
	{"kg", []string{"quantity_kg", "quantity", "kilos"}},
	{"promise", []string{"promise_time", "due", "due_date", "due_time", "delivery", "date"}},
	{"done_before_kg", nil},
	{"weight", []string{"priority_weight"}},
	{"yarn_from", []string{"yarn_from_time", "yarn_arrival"}},
	{"parts", []string{"part_count"}},
	{"one_lot", []string{"dye_lot"}},
	{"lot", []string{"yarn_lot"}},
	{"pin_machine", nil},
	{"pin_after", nil},
}

// computed are columns of an export that nobody enters.
var computed = []string{"machines", "counted_kg", "weighed_kg", "remaining_kg", "p50", "p80", "p90", "p95", "p10", "miss_chance", "expected_lateness_min"}

// Bounds of what an order file may say. They catch slips of the pen.
const (
	mostOrderKg = 1e6
	mostWeight  = 1000
	mostParts   = 100
	farthest    = 10 * 366 * 24 * time.Hour
)

// importer turns rows into orders of the book.
type importer struct {
	name   string
	zone   *time.Location
	now    time.Time
	known  map[string]*pb.Order // of the book, by id
	at     map[string]int       // column of a name
	comma  bool
	strict bool // of a spreadsheet
	faults []rowFault
	bad    []int // rows with faults
	orders []*pb.BookOrder
	rowOf  map[string]int // line that named an order first
}

func (m *importer) heads(s *sheet) error {
	m.at = map[string]int{}
	for i, head := range s.head {
		word := strings.ToLower(strings.Join(strings.FieldsFunc(head, func(r rune) bool { return r == ' ' || r == '-' || r == '_' }), "_"))
		if word == "" || slices.Contains(computed, word) {
			continue
		}
		k := slices.IndexFunc(columns, func(c struct {
			name  string
			words []string
		}) bool {
			return c.name == word || slices.Contains(c.words, word)
		})
		place := fmt.Sprintf("%s, column %d", m.name, i+1)
		if k < 0 {
			m.faults = append(m.faults, rowFault{place, strconv.Quote(head), "one of " + columnNames(), "rename the column, or take it out"})
			continue
		}
		if _, twice := m.at[columns[k].name]; twice {
			m.faults = append(m.faults, rowFault{place, "a second column for " + columns[k].name, "one", "take one out"})
		}
		m.at[columns[k].name] = i
	}
	if _, ok := m.at["order"]; !ok {
		m.faults = append(m.faults, rowFault{m.name, "no column order", "a first row that names the columns: " + columnNames(), "put the names in the first row"})
	}
	if len(m.faults) == 0 {
		return nil
	}
	var lines []string
	for _, f := range m.faults {
		lines = append(lines, f.String())
	}
	return &exitError{exitUsage, errors.New(strings.Join(lines, "\n  "))}
}

func columnNames() string {
	names := make([]string, len(columns))
	for i, c := range columns {
		names[i] = c.name
	}
	return strings.Join(names, ", ")
}

// orderRow is one row while it is read.
type orderRow struct {
	m    *importer
	row  []cell
	no   int
	bad  bool
	full bool // the order is new: some cells may not be empty
}

// cell of a column; false when the file does not have it or it is empty.
func (l *orderRow) cell(column string) (cell, bool) {
	i, ok := l.m.at[column]
	if !ok || i >= len(l.row) {
		return cell{}, false
	}
	return l.row[i], l.row[i].text != ""
}

func (l *orderRow) fault(column string, f rowFault) {
	if f.Found == "" {
		return
	}
	f.Place = fmt.Sprintf("%s, row %d, %s", l.m.name, l.no, column)
	l.m.faults = append(l.m.faults, f)
	l.bad = true
}

// number reads a number of a column into x, which stays when the cell is empty.
func (l *orderRow) number(column string, x *float64, least, most float64, unit string) {
	c, ok := l.cell(column)
	if !ok {
		return
	}
	v, f := asNumber(c, l.m.comma)
	if f.Found == "" && !(v >= least && v <= most) {
		f = rowFault{Found: fmt.Sprintf("%g%s", v, unit), Expected: fmt.Sprintf("%g to %g%s", least, most, unit), Repair: "correct the number"}
	}
	l.fault(column, f)
	if f.Found == "" {
		*x = v
	}
}

func (l *orderRow) code(column string, s *string, strict bool) {
	c, ok := l.cell(column)
	if !ok {
		return
	}
	v, f := asCode(c, strict)
	l.fault(column, f)
	if f.Found == "" {
		*s = v
	}
}

func (l *orderRow) instant(column string, ts **timestamppb.Timestamp, after time.Time) {
	c, ok := l.cell(column)
	if !ok {
		return
	}
	t, f := asInstant(c, l.m.zone)
	switch {
	case f.Found != "":
	case *ts != nil && (*ts).AsTime().Equal(t): // it stands so in the book already
		return
	case t.After(l.m.now.Add(farthest)):
		f = rowFault{Found: t.Format("2006-01-02"), Expected: "a date within ten years", Repair: "correct the year"}
	case t.Before(after):
		f = rowFault{Found: t.Format("2006-01-02 15:04") + ", which is past", Expected: "a date to come", Repair: "correct it, or take the order out if it is done"}
	}
	l.fault(column, f)
	if f.Found == "" {
		*ts = timestamppb.New(t)
	}
}

// missing says that a new order needs a column.
func (l *orderRow) missing(column, expected string) {
	if _, ok := l.cell(column); !ok && l.full {
		l.fault(column, rowFault{Found: "nothing", Expected: expected, Repair: "fill the cell"})
	}
}

// read turns all rows into orders or faults.
func (m *importer) read(s *sheet) {
	m.rowOf = map[string]int{}
	for i, row := range s.rows {
		l := &orderRow{m: m, row: row, no: s.lines[i]}
		if o := m.order(l); !l.bad {
			m.orders = append(m.orders, o)
		} else {
			m.bad = append(m.bad, i)
		}
	}
}

func (m *importer) order(l *orderRow) *pb.BookOrder {
	var id string
	if _, ok := l.cell("order"); !ok {
		l.fault("order", rowFault{Found: "nothing", Expected: "the id of the order", Repair: "fill the cell, or empty the row"})
		return nil
	}
	l.code("order", &id, false)
	if l.bad {
		return nil
	}
	if first, twice := m.rowOf[id]; twice {
		l.fault("order", rowFault{Found: id + " a second time", Expected: fmt.Sprintf("it once, as in row %d", first), Repair: "take one row out, or give it an id of its own"})
		return nil
	}
	m.rowOf[id] = l.no
	old := m.known[id]
	l.full = old == nil
	o := &pb.BookOrder{Id: id}
	if old != nil {
		o = bookOrder(old)
	}
	l.missing("article", "an article of the book")
	l.missing("kg", "kilos of greige fabric")
	l.missing("promise", "the date that was promised")
	l.code("article", &o.Article, false)
	l.number("kg", &o.QuantityKg, 0.1, mostOrderKg, " kg")
	l.instant("promise", &o.PromiseTime, m.now)
	l.number("done_before_kg", &o.DoneBeforeKg, 0, mostOrderKg, " kg")
	l.number("weight", &o.Weight, 0, mostWeight, "")
	l.instant("yarn_from", &o.YarnFromTime, time.Time{})
	parts := float64(o.PartCount)
	l.number("parts", &parts, 0, mostParts, "")
	if parts != float64(int32(parts)) {
		l.fault("parts", rowFault{Found: fmt.Sprintf("%g", parts), Expected: "a whole number", Repair: "write how many machines may share it"})
	}
	o.PartCount = int32(parts)
	if c, ok := l.cell("one_lot"); ok {
		yes, f := asYesNo(c)
		l.fault("one_lot", f)
		o.OneLot = yes
	}
	l.code("lot", &o.Lot, m.strict)
	l.code("pin_machine", &o.PinMachine, false)
	l.code("pin_after", &o.PinAfter, false)
	o.PinMachine = strings.ToLower(o.PinMachine)
	return o
}

// bookOrder is an order as it stands in the book.
func bookOrder(o *pb.Order) *pb.BookOrder {
	return &pb.BookOrder{
		Id: strings.TrimPrefix(o.GetName(), "orders/"), Article: o.GetArticle(), QuantityKg: o.GetQuantityKg().GetValue(), PromiseTime: o.GetPromiseTime(),
		DoneBeforeKg: o.GetDoneBeforeKg(), Weight: o.GetWeight(), YarnFromTime: o.GetYarnFromTime(), PartCount: o.GetPartCount(), OneLot: o.GetOneLot(),
		Lot: o.GetLot(), PinMachine: o.GetPinMachine(), PinAfter: o.GetPinAfter(),
	}
}

func (c *ordersImportCmd) Run(ctx context.Context, s *session) error {
	name, raw, err := c.read(s)
	if err != nil {
		return err
	}
	table, err := readSheet(name, raw)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	m := &importer{name: name, zone: s.zone, now: s.now(), comma: table.comma, strict: strings.HasPrefix(string(raw), "PK"), known: map[string]*pb.Order{}}
	if err := m.heads(&table); err != nil {
		return err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	book, err := s.allOrders(ctx)
	if err != nil {
		return s.explain(err)
	}
	for _, o := range book {
		m.known[strings.TrimPrefix(o.GetName(), "orders/")] = o
	}
	m.read(&table)
	result, err := c.write(ctx, s, m)
	if err != nil {
		return err
	}
	if c.Rejects != "" && len(m.bad) > 0 {
		if err := writeRejects(c.Rejects, &table, m); err != nil {
			return err
		}
	}
	return c.tell(s, m, result)
}

// write applies the good rows, or asks what they would change.
func (c *ordersImportCmd) write(ctx context.Context, s *session, m *importer) (*pb.ApplyBookResponse, error) {
	if len(m.orders) == 0 {
		return &pb.ApplyBookResponse{}, nil
	}
	dry := c.DryRun || len(m.bad) > 0 && !c.SkipBad
	r, err := s.books().ApplyBook(ctx, &pb.ApplyBookRequest{Book: &pb.Book{Orders: m.orders}, ValidateOnly: dry, RequestId: newRequestID()})
	if err != nil {
		return nil, s.explain(err)
	}
	return r, nil
}

func (c *ordersImportCmd) tell(s *session, m *importer, r *pb.ApplyBookResponse) error {
	written := !c.DryRun && (len(m.bad) == 0 || c.SkipBad)
	l := listing{head: []string{"change"}, empty: "nothing to change"}
	for _, line := range r.GetChanges() {
		l.add(line)
	}
	l.data = struct {
		Faults  []rowFault `json:"row_errors"` // first, so that CSV lists them
		Created int64      `json:"created"`
		Updated int64      `json:"updated"`
		Same    int64      `json:"same"`
		Bad     int64      `json:"rejected"`
		Changes []string   `json:"changes"`
		DryRun  bool       `json:"dry_run"`
		Written bool       `json:"written"`
	}{some(m.faults), int64(r.GetCreatedCount()), int64(r.GetUpdatedCount()), int64(r.GetSameCount()), int64(len(m.bad)), some(r.GetChanges()), c.DryRun, written}
	if err := s.print(&l); err != nil {
		return err
	}
	verb := map[bool]string{true: "written", false: "nothing was written"}[written]
	if c.DryRun {
		verb = "not written (dry run)"
	}
	fmt.Fprintf(s.err, "%d new, %d changed, %d the same, %d rows bad; %s\n", r.GetCreatedCount(), r.GetUpdatedCount(), r.GetSameCount(), len(m.bad), verb)
	if len(m.bad) == 0 {
		return nil
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d of %d rows are bad", len(m.bad), len(m.bad)+len(m.orders))
	for _, f := range m.faults {
		b.WriteString("\n  " + f.String())
	}
	return &exitError{exitPartly, errors.New(b.String())}
}

// allOrders reads every page of the orders.
func (s *session) allOrders(ctx context.Context) ([]*pb.Order, error) {
	var all []*pb.Order
	q := &pb.ListOrdersRequest{PageSize: 1000}
	for {
		r, err := s.orders().ListOrders(ctx, proto.CloneOf(q))
		if err != nil {
			return nil, err
		}
		all = append(all, r.GetOrders()...)
		if q.PageToken = r.GetNextPageToken(); q.PageToken == "" {
			return all, nil
		}
	}
}

func (c *ordersImportCmd) read(s *session) (name string, raw []byte, err error) {
	name, raw, err = s.readInput(c.File, maxOrderFile, "import it in parts")
	if err == nil && len(raw) == 0 {
		err = usage("%s is empty, expected a row of column names and an order a row", name)
	}
	return name, raw, err
}

// writeRejects keeps the bad rows with what is wrong, ready to be corrected.
func writeRejects(name string, s *sheet, m *importer) error {
	f, err := os.Create(name)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	w := csv.NewWriter(f)
	err = w.Write(append(slices.Clone(s.head), ""))
	for _, i := range m.bad {
		row := make([]string, len(s.head), len(s.head)+1)
		for j := range min(len(row), len(s.rows[i])) {
			row[j] = s.rows[i][j].text
		}
		var why []string
		for _, f := range m.faults {
			if at, ok := strings.CutPrefix(f.Place, fmt.Sprintf("%s, row %d, ", m.name, s.lines[i])); ok {
				why = append(why, at+": found "+f.Found+", expected "+f.Expected+"; "+f.Repair)
			}
		}
		err = errors.Join(err, w.Write(append(row, strings.Join(why, " | "))))
	}
	w.Flush()
	return errors.Join(err, w.Error(), f.Close())
}
