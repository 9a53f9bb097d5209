package regain

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// ErrBlend is inside every error about the parts of a blend.
var ErrBlend = errors.New("blend is not usable")

// Part is a fibre with its share of the blend.
type Part struct {
	Fibre string
	Share unit.Share
}

// Basis says of which mass the shares are.
type Basis uint8

// The two bases. A label and a laboratory state shares of dry mass (plus allowance);
// a mixing hall weighs moist bales.
const (
	DryMass   Basis = iota
	MoistMass       // each fibre weighed at its own regain
)

const (
	maxParts     = 12
	maxBlendText = 300
	sumSlack     = 0.001 // shares are written to whole percents or tenths
)

// ParseBlend reads "60 % cotton, 40 % viscose", "cotton 60 % viscose 40 %" or one
// fibre alone. The shares must come to 100 %.
func ParseBlend(text string) ([]Part, error) {
	if len(text) > maxBlendText {
		return nil, badBlend(text, "at most 300 characters", "keep only shares and fibres")
	}
	fields := strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' || r == '/' || r == '+' })
	if n := strings.Count(text, "%"); n != len(fields) && n > 1 { // no marks between the parts
		fields = splitAtPercent(text)
	}
	var parts []Part
	for _, field := range fields {
		p, err := parsePart(field, len(fields) == 1)
		if err != nil {
			return nil, err
		}
		parts = append(parts, p)
	}
	if err := checkParts(parts); err != nil {
		return nil, err
	}
	return parts, nil
}

// splitAtPercent parts "60 % cotton 40 % viscose" before, and "cotton 60 % viscose
// 40 %" behind every percentage.
func splitAtPercent(text string) []string {
	words := strings.Fields(strings.NewReplacer("%", " % ", ",", " ", ";", " ", "/", " ", "+", " ").Replace(text))
	var out []string
	var part []string
	numberFirst := len(words) > 0 && strings.Trim(words[0], "0123456789.") == ""
	for i, w := range words {
		number := i+1 < len(words) && words[i+1] == "%"
		if numberFirst && number && len(part) > 0 {
			out, part = append(out, strings.Join(part, " ")), nil
		}
		part = append(part, w)
		if !numberFirst && w == "%" {
			out, part = append(out, strings.Join(part, " ")), nil
		}
	}
	if len(part) > 0 {
		out = append(out, strings.Join(part, " "))
	}
	return out
}

func parsePart(field string, alone bool) (Part, error) {
	words := strings.Fields(strings.ReplaceAll(field, "%", " % "))
	var number string
	var name []string
	for _, w := range words {
		switch {
		case w == "%":
		case strings.Trim(w, "0123456789.") == "" && number == "":
			number = w
		default:
			name = append(name, w)
		}
	}
	if len(name) == 0 {
		return Part{}, badBlend(field, "a share and a fibre", `write for example "60 % cotton, 40 % viscose"`)
	}
	fibre, err := ParseFibre(strings.Join(name, " "))
	if err != nil {
		return Part{}, err
	}
	if number == "" {
		if alone {
			return Part{fibre, 1}, nil
		}
		return Part{}, badBlend(field, "a share and a fibre", `write for example "60 % cotton, 40 % viscose"`)
	}
	share, err := unit.ParseShare(number + " %")
	if err != nil {
		return Part{}, fmt.Errorf("share of %s: %w: %w", fibre, ErrBlend, err)
	}
	return Part{fibre, share}, nil
}

func badBlend(found, expected, repair string) error {
	return fmt.Errorf("blend: %w: found %q, expected %s; %s", ErrBlend, short(found), expected, repair)
}

func checkParts(parts []Part) error {
	if len(parts) < 1 || len(parts) > maxParts {
		return fmt.Errorf("blend: %w: %d parts, expected 1 to %d; name every fibre once", ErrBlend, len(parts), maxParts)
	}
	sum := 0.0
	for i, p := range parts {
		if !(p.Share > 0 && p.Share <= 1) {
			return fmt.Errorf("blend: %w: share of %s is %g, expected above 0 and up to 1; leave out what is not in it", ErrBlend, short(p.Fibre), float64(p.Share))
		}
		for _, q := range parts[:i] {
			if q.Fibre == p.Fibre {
				return fmt.Errorf("blend: %w: %s stands there twice, expected once; add its shares", ErrBlend, short(p.Fibre))
			}
		}
		sum += float64(p.Share)
	}
	if math.Abs(sum-1) > sumSlack {
		return fmt.Errorf("blend: %w: the shares come to %.4g %%, expected 100 %%; correct the shares", ErrBlend, sum*100)
	}
	return nil
}

// Blend is the regain of a blend: the regains of its fibres in the proportion of
// their dry mass. Shares of moist mass are first brought to dry mass.
func (c Contract) Blend(parts []Part, basis Basis) (Value, derive.Derivation, error) {
	if err := checkParts(parts); err != nil {
		return Value{}, nil, err
	}
	values := make([]Value, len(parts))
	for i, p := range parts {
		var err error
		if values[i], err = c.Regain(p.Fibre); err != nil {
			return Value{}, nil, err
		}
	}
	dry, d := dryShares(parts, values, basis)
	out := Value{Table: values[0].Table, Source: values[0].Source, Read: true}
	step := derive.Step{Result: "regain of the blend"}
	var terms, names []string
	for i, v := range values {
		share, regain := "dry share of "+v.Fibre, "regain of "+v.Fibre
		out.Regain += unit.Share(dry[i]) * v.Regain
		out.Read = out.Read && v.Read
		if v.Table != out.Table {
			out.Table, out.Source = "contract", "the contract and its table, by fibre"
		}
		names = append(names, v.Fibre)
		from := derive.Given
		if basis == MoistMass {
			from = derive.FromAbove
		}
		step.Inputs = append(step.Inputs, derive.Input{Name: share, Value: dry[i], From: from}, derive.Input{Name: regain, Value: float64(v.Regain), From: v.origin()})
		terms = append(terms, share+" × "+regain)
	}
	out.Fibre = strings.Join(names, " and ")
	step.Formula, step.Value = strings.Join(terms, " + "), float64(out.Regain)
	d.Add(step)
	return out, d, nil
}

// dryShares makes the shares sum to one exactly, and brings moist shares to dry
// ones: each fibre's dry mass is its moist mass over one plus its regain.
func dryShares(parts []Part, values []Value, basis Basis) ([]float64, derive.Derivation) {
	var d derive.Derivation
	out, sum := make([]float64, len(parts)), 0.0
	for i, p := range parts {
		out[i] = float64(p.Share)
		if basis == MoistMass {
			out[i] /= 1 + float64(values[i].Regain)
		}
		sum += out[i]
	}
	for i, p := range parts {
		dry := out[i]
		out[i] /= sum
		if basis == MoistMass {
			d.Add(derive.Step{
				Result: "dry share of " + p.Fibre, Formula: "moist share / (1 + regain) / dry mass of all", Value: out[i],
				Inputs: []derive.Input{
					{Name: "moist share", Value: float64(p.Share), From: derive.Given},
					{Name: "regain", Value: float64(values[i].Regain), From: values[i].origin()},
					{Name: "dry mass of all", Value: dry / out[i], From: "sum over the fibres"},
				},
			})
		}
	}
	return out, d
}
