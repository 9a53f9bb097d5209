package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"turnwise/planner/knit/derive"
	"turnwise/planner/knit/regain"
	"turnwise/planner/unit"
)

type calcConvertCmd struct {
	explainFlag
	Quantity    string `arg:"" help:"With its unit: a count, length, mass, mass per area, courses, gauge or tightness." placeholder:"'Ne 30/1'"`
	To          string `help:"Tell one system of counts alone." placeholder:"Nm"`
	Contraction string `help:"Length that twisting a folded yarn takes, as a share." placeholder:"4%"`
}

// Help has examples.
func (*calcConvertCmd) Help() string {
	return `Examples:
  planner calc convert "Ne 30/1"
  planner calc convert "2 x Ne 40 + 22 dtex" --to tex
  planner calc convert "Nm 40/2" --contraction 4%
  planner calc convert "5.3 oz/yd2" --json`
}

func (c *calcConvertCmd) Run(s *session) error {
	var r reckoning
	if err := c.convert(&r); err != nil {
		return &exitError{exitUsage, err}
	}
	return s.reckoned(&r, c.Explain)
}

// convert finds what sort of quantity the text is.
func (c *calcConvertCmd) convert(r *reckoning) error {
	ends, notCount := unit.ParseEnds(c.Quantity)
	if notCount == nil {
		return c.count(r, ends)
	}
	if c.To+c.Contraction != "" {
		return notCount
	}
	sorts := []func(*reckoning, string) error{convertArea, convertTightness, convertPerCm, convertMass, convertLength, convertGauge}
	faults := []error{notCount}
	for _, convert := range sorts {
		err := convert(r, c.Quantity)
		if err == nil {
			return nil
		}
		faults = append(faults, err)
	}
	for _, err := range faults {
		if fault, ok := errors.AsType[*unit.InputError](err); ok && !notOf(fault) {
			return err
		}
	}
	return fmt.Errorf("%w; or write a length (2.75 mm), mass (25 kg), mass per area (180 g/m2), courses or wales (18 /cm), gauge (E28) or tightness (14.5 tex^0.5/cm)", notCount)
}

// notOf tells the faults that only say: this is no quantity of my sort.
func notOf(fault *unit.InputError) bool {
	for _, words := range []string{"a unit of ", "a " + fault.Field, "a number with its unit", "a plain number", "a count with its system", "digits and the name of a system"} {
		if strings.HasPrefix(fault.Expected, words) {
			return true
		}
	}
	return false
}

// systemKeys are the systems as JSON names them.
var systemKeys = map[unit.System]string{
	unit.SystemNe: "ne", unit.SystemWorsted: "nek_worsted", unit.SystemLea: "nel_linen_lea", unit.SystemNm: "nm", unit.SystemFrench: "nf_french", unit.SystemSilk: "spun_silk",
	unit.SystemYorkshire: "yorkshire_skein", unit.SystemRun: "us_run", unit.SystemCut: "us_cut", unit.SystemGalashiels: "galashiels",
	unit.SystemTex: "tex", unit.SystemDtex: "dtex", unit.SystemDenier: "den", unit.SystemSpyndle: "lb_per_spyndle",
}

// count tells a yarn in every system.
func (c *calcConvertCmd) count(r *reckoning, ends []unit.End) error {
	systems := unit.Systems()
	if c.To != "" {
		to, err := unit.ParseSystem(c.To)
		if err != nil {
			return fmt.Errorf("--to: %w", err)
		}
		systems = []unit.System{to}
	} else { // tex first, for it adds
		slices.SortStableFunc(systems, func(a, b unit.System) int { return rank(a) - rank(b) })
	}
	r.fact("count", "count", unit.EndsText(ends))
	total := derive.Step{Result: "tex", Unit: "tex"}
	var terms []string
	for i, e := range ends {
		name := "tex"
		if len(ends) > 1 || e.Number > 1 {
			name = fmt.Sprintf("tex of yarn %d", i+1)
		}
		r.derivation.Append(texSteps(name, e.Count, "given: "+e.Count.Text))
		total.Inputs = append(total.Inputs, derive.Input{Name: name, Value: float64(e.Count.Tex), Unit: "tex", From: derive.FromAbove})
		terms = append(terms, fmt.Sprintf("%d × %s", e.Number, name))
	}
	tex := unit.Together(ends)
	if len(ends) > 1 || ends[0].Number > 1 {
		total.Formula, total.Value = strings.Join(terms, " + "), float64(tex)
		r.derivation.Add(total)
	}
	if c.Contraction != "" {
		share, err := unit.ParseShare(c.Contraction)
		if err != nil {
			return fmt.Errorf("--contraction: %w", err)
		}
		straight := tex
		if tex, err = tex.Contracted(share); err != nil {
			return fmt.Errorf("--contraction: %w", err)
		}
		r.derivation.Add(derive.Step{Result: "tex of the twisted yarn", Formula: "tex / (1 − contraction)", Value: float64(tex), Unit: "tex",
			Inputs: []derive.Input{{Name: "tex", Value: float64(straight), Unit: "tex", From: derive.FromAbove}, {Name: "contraction", Value: float64(share), From: "--contraction"}}})
	}
	for _, to := range systems {
		v := tex.In(to)
		r.figure(systemKeys[to], to.String(), v, to.Rule())
		step := derive.Step{Result: to.String(), Formula: "factor / tex", Value: v, Inputs: []derive.Input{
			{Name: "factor", Value: to.Factor(), From: to.Rule() + "; " + to.Source()}, {Name: "tex", Value: float64(tex), Unit: "tex", From: derive.FromAbove}}}
		if to.Direct() {
			step.Formula = "tex / factor"
		}
		if to != unit.SystemTex {
			r.derivation.Add(step)
		}
	}
	r.reckon(r, "metres_per_kilo", "length", 1e6/float64(tex), "m in a kilogram", "1000000 / tex", above("tex", float64(tex), "tex"))
	return nil
}

// rank of systems as they are told.
func rank(s unit.System) int {
	i := slices.Index([]unit.System{unit.SystemTex, unit.SystemDtex, unit.SystemDenier, unit.SystemNe, unit.SystemNm}, s)
	if i < 0 {
		return 100
	}
	return i
}

// scaled tells a value in another unit.
func (r *reckoning) scaled(key, name, in string, v, size float64, from string) {
	r.figure(key, name, v, in)
	if size != 1 {
		r.derivation.Add(derive.Step{Result: name, Formula: from + " / size", Value: v, Unit: in,
			Inputs: []derive.Input{{Name: from, Value: v * size, From: derive.Given}, {Name: "size", Value: size, Unit: from + " in one " + in, From: derive.Exact}}})
	}
}

func convertArea(r *reckoning, text string) error {
	g, err := unit.ParseGSM(text)
	if err != nil {
		return err
	}
	one, err := unit.ParseGSM("1 oz/yd2")
	if err != nil {
		return err
	}
	r.scaled("grams_per_square_metre", "mass per area", "g/m2", float64(g), 1, "g/m2")
	r.scaled("ounces_per_square_yard", "mass per area", "oz/yd2", g.OuncesPerSquareYard(), float64(one), "g/m2")
	return nil
}

func convertTightness(r *reckoning, text string) error {
	k, err := unit.ParseTightness(text)
	if err != nil {
		return err
	}
	r.scaled("tightness_root_tex_per_cm", "tightness", "tex^0.5/cm", float64(k), 1, "tex^0.5/cm")
	r.scaled("tightness_root_tex_per_mm", "tightness", "tex^0.5/mm", k.PerMillimetre(), 10, "tex^0.5/cm")
	return nil
}

func convertPerCm(r *reckoning, text string) error {
	p, err := unit.ParsePerCm(text)
	if err != nil {
		return err
	}
	r.scaled("per_cm", "courses or wales", "/cm", float64(p), 1, "/cm")
	r.scaled("per_inch", "courses or wales", "/in", p.PerInch(), 1/2.54, "/cm")
	return nil
}

func convertMass(r *reckoning, text string) error {
	g, err := unit.ParseMass(text)
	if err != nil {
		return err
	}
	pound, err := unit.ParseMass("1 lb")
	if err != nil {
		return err
	}
	r.scaled("grams", "mass", "g", float64(g), 1, "g")
	r.scaled("kilograms", "mass", "kg", float64(g.Kilograms()), 1000, "g")
	r.scaled("pounds", "mass", "lb", float64(g/pound), float64(pound), "g")
	r.scaled("ounces", "mass", "oz", float64(16*g/pound), float64(pound)/16, "g")
	return nil
}

func convertLength(r *reckoning, text string) error {
	m, err := unit.ParseCourseLength(text) // "6.9 m/rev" too
	if err != nil {
		if m, err = unit.ParseLength(text); err != nil {
			if d, other := unit.ParseDiameter(text); other == nil { // "3 3/4 in"
				m, err = d.Metres(), nil
			}
		}
	}
	if err != nil {
		return err
	}
	inch, yard := float64(unit.Inches(1).Metres()), 36*float64(unit.Inches(1).Metres())
	r.scaled("metres", "length", "m", float64(m), 1, "m")
	r.scaled("millimetres", "length", "mm", float64(m.Millimetres()), 0.001, "m")
	r.scaled("inches", "length", "in", float64(m)/inch, inch, "m")
	r.scaled("yards", "length", "yd", float64(m)/yard, yard, "m")
	return nil
}

func convertGauge(r *reckoning, text string) error {
	g, err := unit.ParseGauge(text)
	if err != nil {
		return err
	}
	r.figure("needles_per_inch", "gauge", float64(g), "needles/in")
	r.scaled("needle_pitch_mm", "needle pitch", "mm", 25.4/float64(g), 1, "mm")
	r.derivation.Add(derive.Step{Result: "needle pitch", Formula: "25.4 / gauge", Value: 25.4 / float64(g), Unit: "mm", Inputs: []derive.Input{{Name: "gauge", Value: float64(g), Unit: "needles/in", From: derive.Given}}})
	return nil
}

type calcRegainCmd struct {
	explainFlag
	Blend    string            `help:"Fibre, or fibres with their shares." placeholder:"'60% cotton, 40% viscose'"`
	Basis    string            `enum:"dry,moist" default:"dry" help:"Mass that the shares are of: dry or moist."`
	Table    string            `default:"eu" help:"Table of the contract: eu, astm or bisfa."`
	Agreed   map[string]string `help:"Regain that the contract states itself; goes before the table." placeholder:"cotton=8.5%"`
	Net      string            `help:"Net mass on the scale." placeholder:"1000kg"`
	Moisture string            `help:"Water found, as a share of the moist mass." placeholder:"7.2%"`
	Regain   string            `help:"Water found, as a share of the dry mass." placeholder:"7.8%"`
}

// Help has examples.
func (*calcRegainCmd) Help() string {
	return `Without a blend all tables are told beside each other, with the fibres on which they disagree.

Examples:
  planner calc regain
  planner calc regain --blend cotton --net 1000kg --moisture 7.2%
  planner calc regain --blend "60% cotton, 40% viscose" --table astm --agreed cotton=8.5% --json`
}

func (c *calcRegainCmd) Run(s *session) error {
	var r reckoning
	run := c.mass
	if c.Blend == "" {
		run = c.tables
	}
	if err := run(&r); err != nil {
		return &exitError{exitUsage, err}
	}
	return s.reckoned(&r, c.Explain)
}

// tables lists every fibre in every table.
func (c *calcRegainCmd) tables(r *reckoning) error {
	if c.Net+c.Moisture+c.Regain != "" || len(c.Agreed) > 0 {
		return errors.New("--net, --moisture, --regain and --agreed: the blend is missing, expected the fibre; give --blend cotton")
	}
	r.groupsKey = "regains"
	var fibres []string
	for _, t := range regain.Tables() {
		for _, f := range t.Fibres() {
			if !slices.Contains(fibres, f) {
				fibres = append(fibres, f)
			}
		}
	}
	for _, f := range fibres {
		if _, err := r.regains(f); err != nil {
			return err
		}
	}
	r.sources()
	return nil
}

// regains adds a fibre with its value in every table, and tells them.
func (r *reckoning) regains(fibre string) (says string, err error) {
	values, conflict, err := regain.Compare(fibre)
	if err != nil {
		return "", err
	}
	var g reckoning
	word := "agree"
	if conflict {
		word = "differ"
	}
	if len(values) == 1 {
		word = "one only"
	}
	g.fact("fibre", "fibre", fibre)
	g.fact("tables", "tables", word)
	var each, memory, notes []string
	for _, v := range values {
		g.figure("regain_"+v.Table+"_percent", v.Table, v.Regain.Percent(), "%")
		each = append(each, fmt.Sprintf("%s %.4g %%", v.Table, v.Regain.Percent()))
		if !v.Read {
			memory = append(memory, v.Table)
		}
		if v.Note != "" {
			notes = append(notes, v.Table+": "+v.Note)
		}
	}
	g.fact("from_memory", "from memory", strings.Join(memory, ", "))
	g.fact("note", "", strings.Join(notes, "; "))
	r.groups = append(r.groups, g)
	if conflict {
		says = strings.Join(each, ", ")
	}
	return says, nil
}

// sources tells below the tables what they are.
func (r *reckoning) sources() {
	for _, t := range regain.Tables() {
		r.notes = append(r.notes, fmt.Sprintf("%s: %s (%s)", t.ID, t.Title, t.Source))
	}
}

// mass calculates regain and commercial mass of a blend.
func (c *calcRegainCmd) mass(r *reckoning) error {
	contract := regain.Contract{Table: strings.ToLower(c.Table), Agreed: map[string]unit.Share{}}
	for fibre, text := range c.Agreed {
		name, err := regain.ParseFibre(fibre)
		if err != nil {
			return fmt.Errorf("--agreed: %w", err)
		}
		if contract.Agreed[name], err = unit.ParseShare(text); err != nil {
			return fmt.Errorf("--agreed %s: %w", fibre, err)
		}
	}
	if err := contract.Validate(); err != nil {
		return err
	}
	parts, err := regain.ParseBlend(c.Blend)
	if err != nil {
		return fmt.Errorf("--blend: %w", err)
	}
	basis := regain.DryMass
	if c.Basis == "moist" {
		basis = regain.MoistMass
	}
	agreed, steps, err := contract.Blend(parts, basis)
	if err != nil {
		return fmt.Errorf("--blend: %w", err)
	}
	r.fact("table", "table", contract.Table)
	r.figure("agreed_regain_percent", "agreed regain", agreed.Regain.Percent(), "% of dry mass")
	r.derivation = steps
	if err := c.invoice(r, agreed); err != nil {
		return err
	}
	r.groupsKey = "regains"
	for _, p := range parts {
		says, err := r.regains(p.Fibre)
		if err != nil {
			return err
		}
		if says != "" {
			r.warnings = append(r.warnings, fmt.Sprintf("the tables differ on %s: %s; settle it in the contract", p.Fibre, says))
		}
		if v, err := contract.Regain(p.Fibre); err == nil && !v.Read {
			r.warnings = append(r.warnings, fmt.Sprintf("%s in the table %s is from memory, not looked up; look it up before invoicing", p.Fibre, v.Table))
		}
	}
	r.sources()
	return nil
}

// invoice adds the commercial mass of a net mass.
func (c *calcRegainCmd) invoice(r *reckoning, agreed regain.Value) error {
	if c.Net == "" && c.Moisture+c.Regain == "" {
		return nil
	}
	if c.Net == "" || (c.Moisture == "") == (c.Regain == "") {
		return errors.New("--net, --moisture, --regain: expected the net mass and its water, told in one way; give --net 1000kg --moisture 7.2%")
	}
	net, err := unit.ParseMass(c.Net)
	if err != nil {
		return fmt.Errorf("--net: %w", err)
	}
	var content unit.Share
	if c.Moisture != "" {
		if content, err = unit.ParseShare(c.Moisture); err != nil {
			return fmt.Errorf("--moisture: %w", err)
		}
	} else {
		found, err := unit.ParseShare(c.Regain)
		if err != nil {
			return fmt.Errorf("--regain: %w", err)
		}
		if content, err = regain.Content(found); err != nil {
			return fmt.Errorf("--regain: %w", err)
		}
		r.derivation.Add(derive.Step{Result: "moisture content", Formula: "regain found / (1 + regain found)", Value: float64(content),
			Inputs: []derive.Input{{Name: "regain found", Value: float64(found), From: "--regain"}}})
	}
	mass, steps, err := regain.CommercialMass(net.Kilograms(), content, agreed)
	if err != nil {
		return err
	}
	dry, err := regain.Dry(net, content)
	if err != nil {
		return err
	}
	r.figure("net_kilos", "net mass", float64(net.Kilograms()), "kg")
	r.figure("moisture_content_percent", "moisture content", content.Percent(), "% of moist mass")
	r.figure("dry_kilos", "dry mass", float64(dry.Kilograms()), "kg")
	r.figure("commercial_kilos", "commercial mass", float64(mass), "kg")
	r.derivation.Append(steps)
	return nil
}
