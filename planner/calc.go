package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"turnwise/planner/knit/derive"
)

// calcCmd are the calculations of a technologist. They ask no server.
type calcCmd struct {
	Kilos   calcKilosCmd   `cmd:"" help:"Kilos per turn and per hour of a machine or a knit card."`
	Convert calcConvertCmd `cmd:"" help:"A yarn count, length, width or mass per area in every other unit."`
	Fabric  calcFabricCmd  `cmd:"" help:"Mass per area, width, length and tightness of the cloth, by state."`
	Cone    calcConeCmd    `cmd:"" help:"How long a cone lasts, and cone changes per hour."`
	Roll    calcRollCmd    `cmd:"" help:"Turns, minutes and metres of a roll."`
	Needles calcNeedlesCmd `cmd:"" help:"Needles of a cylinder from diameter and gauge, and whether a plate is to be doubted."`
	Regain  calcRegainCmd  `cmd:"" help:"Commercial mass from net mass and moisture; the regain tables beside each other."`
	Card    calcCardCmd    `cmd:"" help:"Everything of a knit card: shares, stitches, warnings, and its repeat as a picture."`
}

// offline is a session that has no server to ask.
func offline(c *common, w world) *session {
	if c.JSON {
		c.Output = "json"
	}
	return &session{world: w, common: c}
}

// numeral is one number of a result. The key carries the unit for scripts, name
// and unit are for people.
type numeral struct {
	key   string // "kilos_per_hour"
	name  string // "kilos per hour"
	value float64
	unit  string // "kg/h"
}

// reckoning is the result of a calculation in all its forms.
type reckoning struct {
	facts      []fact // words: structure, state, verdict
	figures    []numeral
	groups     []reckoning // one for every feed group, fibre or state
	groupsKey  string
	warnings   []string
	notes      []string // said below tables, for people
	derivation derive.Derivation
	whole      bool // not a group
}

type fact struct{ key, name, text string }

func (r *reckoning) fact(key, name, text string) { r.facts = append(r.facts, fact{key, name, text}) }

func (r *reckoning) figure(key, name string, value float64, unit string) {
	r.figures = append(r.figures, numeral{key, name, value, unit})
}

// reckon puts a figure into out, and how it was come by into r. The words of the
// formula are the names of the inputs.
func (r *reckoning) reckon(out *reckoning, key, name string, value float64, unit, formula string, inputs ...derive.Input) {
	out.figure(key, name, value, unit)
	r.derivation.Add(derive.Step{Result: name, Formula: formula, Value: value, Unit: unit, Inputs: inputs})
}

// above is the result of an earlier step as an input.
func above(name string, value float64, unit string) derive.Input {
	return derive.Input{Name: name, Value: value, Unit: unit, From: derive.FromAbove}
}

// value of a key; NaN when it is not there.
func (r *reckoning) value(key string) float64 {
	for _, f := range r.figures {
		if f.key == key {
			return f.value
		}
	}
	return math.NaN()
}

// check refuses a result that is no number: inputs beyond all measure.
func (r *reckoning) check() error {
	for _, f := range r.figures {
		if math.IsNaN(f.value) || math.IsInf(f.value, 0) {
			return usage("%s comes out as %v; one of the inputs is beyond all measure, check their units", f.name, f.value)
		}
	}
	for i := range r.groups {
		if err := r.groups[i].check(); err != nil {
			return err
		}
	}
	return nil
}

// explainFlag is shared by all calculations.
type explainFlag struct {
	Explain bool `help:"Tell formula, inserted numbers, units and where every input is from."`
}

// reckoned prints a result in the form that was asked for.
func (s *session) reckoned(r *reckoning, explain bool) error {
	if err := r.check(); err != nil {
		return err
	}
	r.whole = true
	switch s.common.Output {
	case "json":
		return writeJSON(s.out, r.object(explain))
	case "csv":
		return r.csv(s)
	}
	var b strings.Builder
	r.text(&b)
	for _, n := range r.notes {
		b.WriteString(n + "\n")
	}
	if explain && len(r.derivation) > 0 {
		b.WriteString("\n" + r.derivation.String())
	}
	if _, err := fmt.Fprint(s.out, b.String()); err != nil {
		return err
	}
	for _, w := range r.warnings {
		fmt.Fprintln(s.err, "warning:", w)
	}
	return nil
}

// object is a JSON object whose members keep their order.
type object []member

type member struct {
	key   string
	value any
}

// MarshalJSON writes the members in order.
func (o object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		value, err := marshal(m.value)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", m.key, err)
		}
		b.WriteString(strconv.Quote(m.key) + ":")
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// marshal leaves < and > of warnings as they are.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return bytes.TrimSpace(b.Bytes()), err
}

func (r *reckoning) object(explain bool) object {
	var o object
	for _, f := range r.facts {
		o = append(o, member{f.key, f.text})
	}
	for _, f := range r.figures {
		o = append(o, member{f.key, round(f.value)})
	}
	if len(r.groups) > 0 {
		list := make([]object, len(r.groups))
		for i := range r.groups {
			list[i] = r.groups[i].object(false)
		}
		o = append(o, member{r.groupsKey, list})
	}
	if r.whole {
		o = append(o, member{"warnings", some(r.warnings)})
	}
	if explain {
		o = append(o, member{"derivation", some(r.derivation)})
	}
	return o
}

// round cuts the noise of binary arithmetic behind ten digits.
func round(v float64) float64 {
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 10, 64), 64)
	if err != nil {
		return v
	}
	return short
}

// text aligns names, numbers and units; groups come as a table below. A number
// without a name is for scripts.
func (r *reckoning) text(b *strings.Builder) {
	name, number := 0, 0
	for _, f := range r.facts {
		name = max(name, utf8.RuneCountInString(f.name)) // one without a name takes no line
	}
	for _, f := range r.named() {
		name, number = max(name, utf8.RuneCountInString(f.name)), max(number, len(derive.Number(f.value)))
	}
	for _, f := range r.facts {
		if f.name != "" {
			fmt.Fprintf(b, "%-*s  %s\n", name, f.name, f.text)
		}
	}
	for _, f := range r.named() {
		b.WriteString(strings.TrimRight(fmt.Sprintf("%-*s  %*s %s", name, f.name, number, derive.Number(f.value), f.unit), " ") + "\n")
	}
	if len(r.groups) == 0 {
		return
	}
	if len(r.facts)+len(r.figures) > 0 {
		b.WriteString("\n")
	}
	l := r.beside()
	if len(r.groups) > maxBeside {
		l = r.below()
	}
	_ = l.table(b) // a builder takes everything
}

// maxBeside is how many groups stand beside each other, a column each.
const maxBeside = 6

func (r *reckoning) named() []numeral {
	return slices.DeleteFunc(slices.Clone(r.figures), func(f numeral) bool { return f.name == "" })
}

// beside gives every group a column.
func (r *reckoning) beside() *listing {
	l := &listing{head: []string{r.groups[0].facts[0].name}}
	rows := map[string][]string{} // by label, for a group may lack a line
	var labels []string
	put := func(column int, label, cell string) {
		if rows[label] == nil {
			rows[label] = make([]string, 1+len(r.groups))
			rows[label][0] = label
			labels = append(labels, label)
		}
		rows[label][1+column] = cell
	}
	for i, g := range r.groups {
		l.head = append(l.head, ">"+g.facts[0].text)
		for _, f := range g.facts[1:] {
			if f.name != "" {
				put(i, f.name, f.text)
			}
		}
		for _, f := range g.named() {
			put(i, strings.TrimSpace(f.name+"  "+f.unit), derive.Number(f.value))
		}
	}
	for _, label := range labels {
		l.add(rows[label]...)
	}
	return l
}

// below gives every group a line, with a column for whatever one of them has.
func (r *reckoning) below() *listing {
	l := &listing{}
	column := map[string]int{}
	var rows []map[string]string
	put := func(row map[string]string, label, cell string) {
		if _, ok := column[label]; !ok {
			column[label] = len(column)
			l.head = append(l.head, label)
		}
		row[label] = cell
	}
	for _, g := range r.groups {
		row := map[string]string{}
		for _, f := range g.facts {
			if f.name != "" {
				put(row, f.name, f.text)
			}
		}
		for _, f := range g.named() {
			put(row, strings.TrimSpace(">"+f.name+" "+f.unit), derive.Number(f.value))
		}
		rows = append(rows, row)
	}
	for _, row := range rows {
		cells := make([]string, len(l.head))
		for i, label := range l.head {
			cells[i] = row[label]
		}
		l.add(cells...)
	}
	return l
}

// csv is a line of heads and one of values, or one for every group.
func (r *reckoning) csv(s *session) error {
	lines := []reckoning{*r}
	if len(r.groups) > 0 && len(r.figures) == 0 {
		lines = r.groups
	}
	var head []string
	rows := make([]map[string]string, len(lines))
	for i, line := range lines {
		rows[i] = map[string]string{}
		for _, f := range line.facts {
			rows[i][f.key] = f.text
			head = append(head, f.key)
		}
		for _, f := range line.figures {
			rows[i][f.key] = strconv.FormatFloat(round(f.value), 'f', -1, 64)
			head = append(head, f.key)
		}
	}
	seen := map[string]bool{}
	head = slices.DeleteFunc(head, func(key string) bool {
		twice := seen[key]
		seen[key] = true
		return twice
	})
	out := csv.NewWriter(s.out)
	if err := out.Write(head); err != nil {
		return err
	}
	for _, row := range rows {
		cells := make([]string, len(head))
		for i, key := range head {
			cells[i] = row[key]
		}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// follow adds steps that are not told yet.
func (r *reckoning) follow(steps derive.Derivation) {
	told := map[string]bool{}
	for _, s := range r.derivation {
		told[s.Result+s.Inserted] = true
	}
	for _, s := range steps {
		if !told[s.Result+s.Inserted] {
			r.derivation.Add(s)
		}
	}
}
