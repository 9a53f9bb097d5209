package regain

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"turnwise/planner/unit"
)

// ErrFibre is inside every error about a fibre or a table that is not known.
var ErrFibre = errors.New("no agreed regain")

// Value is one regain with where it is from.
type Value struct {
	Fibre  string
	Regain unit.Share // of the dry mass
	Table  string     // ID of the table; "contract" where the parties agreed it
	Source string
	// Read tells that the number was read in the source named. A number from memory
	// serves to calculate, not to invoice: look it up first.
	Read bool
	Note string // what a reader should know, such as a dispute inside the table
}

func (v Value) origin() string {
	from := v.Table
	if v.Fibre != "" {
		from += ", " + v.Fibre
	}
	if from == "" {
		return "given"
	}
	if !v.Read {
		from += " (from memory)"
	}
	return from
}

// Given is a regain that a person stated, outside of all tables.
func Given(r unit.Share) Value {
	return Value{Regain: r, Read: true, Source: "stated by the person who asks"}
}

// Table is a list of agreed regains.
type Table struct {
	ID     string
	Title  string
	Source string
	rows   []row
}

type row struct {
	fibre   string
	percent float64
	memory  bool
	note    string
}

// The tables.
const (
	EU    = "eu"
	ASTM  = "astm"
	BISFA = "bisfa"
)

const (
	carded   = "carded; the combing loss decides which one holds"
	disputed = "from memory 7.0 for natural cotton yarn; a paper that quotes the 2013 edition gives 8.5: settle it in the contract"
	booklet  = "not seen; the list stands in section 1.5 of the 2017 booklet, of which only the contents page was read"
)

var tables = []Table{
	{
		ID: EU, Title: "Regulation (EU) No 1007/2011, Annex IX, agreed allowances",
		Source: "German text of Annex IX at textilkennzeichnungsverordnung.de, read",
		rows: []row{
			{"combed wool", 18.25, false, ""}, {"carded wool", 17, false, carded}, {"combed animal hair", 18.25, false, ""}, {"carded animal hair", 17, false, carded},
			{"combed horsehair", 16, false, ""}, {"carded horsehair", 15, false, ""}, {"silk", 11, false, ""}, {"cotton", 8.5, false, ""}, {"mercerised cotton", 10.5, false, ""},
			{"kapok", 10.9, false, ""}, {"flax", 12, false, ""}, {"hemp", 12, false, ""}, {"jute", 17, false, ""}, {"abaca", 14, false, ""}, {"alfa", 14, false, ""}, {"coir", 13, false, ""},
			{"broom", 14, false, ""}, {"ramie", 8.5, false, "bleached"}, {"sisal", 14, false, ""}, {"sunn", 12, false, ""}, {"henequen", 14, false, ""}, {"maguey", 14, false, ""},
			{"acetate", 9, false, ""}, {"alginate", 20, false, ""}, {"cupro", 13, false, ""}, {"modal", 13, false, ""}, {"protein", 17, false, ""}, {"triacetate", 7, false, ""}, {"viscose", 13, false, ""},
			{"acrylic", 2, false, ""}, {"chlorofibre", 2, false, ""}, {"fluorofibre", 0, false, ""}, {"modacrylic", 2, false, ""}, {"polyamide staple", 6.25, false, ""}, {"polyamide filament", 5.75, false, ""},
			{"aramid", 8, false, ""}, {"polyimide", 3.5, false, ""}, {"lyocell", 13, false, ""}, {"polylactide", 1.5, false, ""}, {"polyester", 1.5, false, "staple and filament"}, {"polyethylene", 1.5, false, ""},
			{"polypropylene", 2, false, ""}, {"polycarbamide", 2, false, ""}, {"polyurethane staple", 3.5, false, ""}, {"polyurethane filament", 3, false, ""}, {"vinylal", 5, false, ""}, {"trivinyl", 3, false, ""},
			{"elastodiene", 1, false, ""}, {"elastane", 1.5, false, ""}, {"elastomultiester", 1.5, false, ""}, {"elastolefin", 1.5, false, ""}, {"melamine", 7, false, ""}, {"metal", 2, false, ""},
		},
	},
	{
		ID: ASTM, Title: "ASTM D1909, commercial moisture regains",
		Source: "quoted from the 2013 edition in table 10 of 'Fibre attributes and mapping the cultivar influence of different industrial cellulosic crops', Bioresources and Bioprocessing, 2020, read; the standard itself was not seen",
		rows: []row{
			{"cotton", 8.5, false, disputed}, {"flax", 12, false, ""}, {"hemp", 12, false, ""}, {"jute", 13.75, false, ""}, {"silk", 11, false, ""}, {"combed wool", 13.6, false, "one value for all wool"}, {"carded wool", 13.6, false, "one value for all wool"},
			{"viscose", 11, true, "named rayon there"}, {"polyamide staple", 4.5, true, ""}, {"polyamide filament", 4.5, true, ""}, {"polyester", 0.4, true, ""}, {"elastane", 1.3, true, "named spandex there"},
			{"acrylic", 1.5, true, ""}, {"acetate", 6.5, true, ""}, {"triacetate", 3.5, true, ""}, {"polypropylene", 0, true, "named olefin there"},
		},
	},
	{
		ID: BISFA, Title: "BISFA, commercial allowances of man-made fibres",
		Source: "BISFA, Terminology of man-made fibres, 2017: only the contents page was seen",
		rows: []row{
			{"viscose", 13, true, booklet}, {"modal", 13, true, booklet}, {"lyocell", 13, true, booklet}, {"cupro", 13, true, booklet}, {"acetate", 9, true, booklet}, {"triacetate", 7, true, booklet},
			{"polyamide staple", 6.25, true, booklet}, {"polyamide filament", 5.75, true, booklet}, {"polyester", 1.5, true, booklet}, {"acrylic", 2, true, booklet}, {"elastane", 1.5, true, booklet}, {"polypropylene", 2, true, booklet},
		},
	},
}

// alias brings other words of the trade to the fibre's word here.
var alias = map[string]string{
	"worsted": "combed wool", "linen": "flax", "rayon": "viscose", "spandex": "elastane", "olefin": "polypropylene", "pla": "polylactide",
	"nylon filament": "polyamide filament", "nylon staple": "polyamide staple", "polyester filament": "polyester", "polyester staple": "polyester", "pes": "polyester", "co": "cotton", "cv": "viscose", "el": "elastane",
}

var unclear = map[string]string{
	"wool": "combed wool or carded wool", "hair": "combed animal hair or carded animal hair", "polyamide": "polyamide filament or polyamide staple",
	"nylon": "polyamide filament or polyamide staple", "polyurethane": "polyurethane filament or polyurethane staple",
}

// Tables lists all tables.
func Tables() []Table { return slices.Clone(tables) }

// TableByID finds a table: "eu", "astm", "bisfa".
func TableByID(id string) (Table, error) {
	for _, t := range tables {
		if t.ID == strings.ToLower(strings.TrimSpace(id)) {
			return t, nil
		}
	}
	return Table{}, fmt.Errorf("table of regains: %w: found %q, expected eu, astm or bisfa; name the table of the contract", ErrFibre, short(id))
}

// Fibres lists the fibres of the table.
func (t Table) Fibres() []string {
	out := make([]string, len(t.rows))
	for i, r := range t.rows {
		out[i] = r.fibre
	}
	return out
}

// ParseFibre reads a fibre's name. A word with two regains, such as wool, is
// refused with the choices.
func ParseFibre(text string) (string, error) {
	word := strings.ToLower(strings.Join(strings.Fields(text), " "))
	if choice, ok := unclear[word]; ok {
		return "", fmt.Errorf("fibre: %w: found %q, expected one with a regain of its own; write %s", ErrFibre, word, choice)
	}
	if name, ok := alias[word]; ok {
		return name, nil
	}
	if slices.Contains(tables[0].Fibres(), word) {
		return word, nil
	}
	return "", fmt.Errorf("fibre: %w: found %q, expected one of %s", ErrFibre, short(text), strings.Join(tables[0].Fibres(), ", "))
}

func short(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40])
	}
	return s
}

// Regain looks a fibre up.
func (t Table) Regain(fibre string) (Value, error) {
	name, err := ParseFibre(fibre)
	if err != nil {
		return Value{}, err
	}
	for _, r := range t.rows {
		if r.fibre == name {
			return Value{Fibre: name, Regain: unit.Share(r.percent / 100), Table: t.ID, Source: t.source(r), Read: !r.memory, Note: r.note}, nil
		}
	}
	return Value{}, fmt.Errorf("regain of %s in table %s: %w: the table has no such row; choose another table or agree a value in the contract", name, t.ID, ErrFibre)
}

func (t Table) source(r row) string {
	if r.memory {
		return t.Title + ", from memory"
	}
	return t.Title + ": " + t.Source
}

// Compare gives the fibre's value in every table that has it, and whether they
// differ.
func Compare(fibre string) (values []Value, conflict bool, err error) {
	for _, t := range tables {
		v, err := t.Regain(fibre)
		if err != nil {
			if _, unknown := ParseFibre(fibre); unknown != nil {
				return nil, false, unknown
			}
			continue
		}
		values = append(values, v)
	}
	for _, v := range values {
		conflict = conflict || v.Regain != values[0].Regain
	}
	return values, conflict, nil
}

// Contract says which table holds between two parties. The zero value is the table
// of the EU, whose every row was read.
type Contract struct {
	Table string
	// Agreed regains go before the table's, by fibre.
	Agreed map[string]unit.Share
}

// Regain is the fibre's regain under the contract.
func (c Contract) Regain(fibre string) (Value, error) {
	name, err := ParseFibre(fibre)
	if err != nil {
		return Value{}, err
	}
	if r, ok := c.Agreed[name]; ok {
		return Value{Fibre: name, Regain: r, Table: "contract", Source: "agreed in the contract", Read: true}, checkRegain("agreed regain of "+name, r)
	}
	t, err := c.table()
	if err != nil {
		return Value{}, err
	}
	return t.Regain(name)
}

func (c Contract) table() (Table, error) {
	if c.Table == "" {
		return tables[0], nil
	}
	return TableByID(c.Table)
}

// Validate checks the table and every agreed value.
func (c Contract) Validate() error {
	_, err := c.table()
	errs := []error{err}
	for fibre, r := range c.Agreed {
		name, err := ParseFibre(fibre)
		if err == nil && name != fibre {
			err = fmt.Errorf("fibre: %w: found %q, expected %q; write it so", ErrFibre, short(fibre), name)
		}
		errs = append(errs, err, checkRegain("agreed regain of "+short(fibre), r))
	}
	return errors.Join(errs...)
}
