package unit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Count is a yarn count: the resultant linear density, the text as ordered, and
// what the text said.
type Count struct {
	Tex  Tex
	Text string

	System    System
	Number    float64 // in System, of one single; of the whole where Resultant
	Folds     int     // singles twisted together, 1 for a single
	Filaments int     // in each single; 0 where not told
	Resultant bool    // Number is of the folded yarn: "R40 tex/2", spun silk
}

// Limits of what is believed: finer is below any filament yarn, coarser above any
// yarn that a needle takes. Between two readings of one number a yarn above
// doubtTex is not meant.
const (
	minTex, maxTex = 0.1, 20000
	doubtTex       = 2000
	maxCountText   = 40
	maxFolds       = 24
	clearFolds     = 4
	maxFilaments   = 10000
)

const countExample = `write for example "Ne 30/1" or "84 dtex"`

// ParseCount reads a count as people write it: "Ne 30", "30s", "Ne 30/2" and
// "Ne 2/30" (two singles of 30, resultant 15), "Nm 40/2", "spun silk 40/2"
// (resultant 40), "20 tex", "20 tex x 2", "R40 tex/2" (already the resultant),
// "84 dtex f36", "75D/72f", "150/48 den", "150D/48f/2" (two folds), "8 lb/spyndle",
// "12 Yorkshire skein". A decimal comma is understood where nothing else can be
// meant. Every error is an [*InputError].
func ParseCount(s string) (Count, error) {
	text := strings.Join(strings.Fields(s), " ")
	if len(text) > maxCountText {
		return Count{}, badCount(s, "at most 40 characters", "keep only the count")
	}
	p := countParser{found: s}
	if err := p.scan(strings.NewReplacer(" / ", "/", " /", "/", "/ ", "/").Replace(strings.ToLower(text))); err != nil {
		return Count{}, err
	}
	var err error
	if p.out.System.Direct() {
		err = p.direct()
	} else {
		err = p.indirect()
	}
	if err != nil {
		return Count{}, err
	}
	c := p.out
	c.Text = text
	if c.Tex = c.tex(); !(c.Tex >= minTex && c.Tex <= maxTex) {
		return Count{}, badCount(s, fmt.Sprintf("a yarn between %g and %d tex", minTex, maxTex), fmt.Sprintf("this is %.4g tex; check the number and the system", float64(c.Tex)))
	}
	return c, nil
}

func (c Count) tex() Tex {
	t := c.System.Tex(c.Number)
	if c.Resultant {
		return t
	}
	return t * Tex(c.Folds)
}

// String prints the count in one way for all spellings; [ParseCount] reads it back
// to the same yarn.
func (c Count) String() string {
	n := plain(c.Number)
	switch {
	case c.System == 0:
		return ""
	case !c.System.Direct():
		if c.Folds > 1 {
			n += "/" + strconv.Itoa(c.Folds)
		}
		return c.System.String() + " " + n
	}
	out := n + " " + c.System.String()
	if c.Filaments > 0 {
		out += " f" + strconv.Itoa(c.Filaments)
	}
	switch {
	case c.Resultant:
		out = "R" + out
		if c.Folds > 1 {
			out += "/" + strconv.Itoa(c.Folds)
		}
	case c.Folds > 1:
		out += " x " + strconv.Itoa(c.Folds)
	}
	return out
}

// CountOf states a linear density in a system, as a single.
func CountOf(t Tex, s System) Count {
	c := Count{Tex: t, System: s, Number: t.In(s), Folds: 1}
	c.Text = c.String()
	return c
}

// short prints four significant digits.
func short(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) }

func badCount(found, expected, repair string) error {
	return badInput(ErrCount, "yarn count", found, expected, repair)
}

// countParser reads what is left of a count when the system's word is taken out:
// numbers and the marks between them.
type countParser struct {
	found  string
	tokens []string
	out    Count
}

// words are all that may stand in a count, longest first so that "dtex" is not
// read as "d".
var words = func() []string {
	var all []string
	for _, r := range systems {
		all = append(all, r.words...)
	}
	for w := range unclear {
		all = append(all, w)
	}
	all = append(all, "filaments", "fil", "f", "r", "x", "×", "/")
	for i := range all { // insertion sort keeps the table's order among equals
		for j := i; j > 0 && len(all[j]) > len(all[j-1]); j-- {
			all[j], all[j-1] = all[j-1], all[j]
		}
	}
	return all
}()

func (p *countParser) scan(s string) error {
	bare := true // no "s" behind a number: "30s" is a cotton count without Ne
	for s = strings.TrimSpace(s); s != ""; s = strings.TrimSpace(s) {
		if n := len(s) - len(strings.TrimLeft(s, "0123456789.,")); n > 0 {
			p.tokens, s = append(p.tokens, s[:n]), s[n:]
			if rest, ok := strings.CutPrefix(s, "s"); ok && !strings.HasPrefix(rest, "k") && !strings.HasPrefix(rest, "p") {
				s, bare = rest, false
			}
			continue
		}
		word := firstWord(s)
		if word == "" {
			return badCount(p.found, "digits and the name of a system", countExample)
		}
		s = s[len(word):]
		if why, ok := unclear[word]; ok {
			return badCount(p.found, why.expected, why.repair)
		}
		system, err := ParseSystem(word)
		switch {
		case err != nil:
			p.tokens = append(p.tokens, word)
		case p.out.System != 0:
			return badCount(p.found, "one system", fmt.Sprintf("keep %s or %s", p.out.System, system))
		default:
			p.out.System = system
		}
	}
	switch {
	case p.out.System == 0 && bare:
		return badCount(p.found, "a count with its system (Ne, Nm, tex, dtex, den)", countExample)
	case p.out.System == 0:
		p.out.System = SystemNe
	case !bare && p.out.System.Direct():
		return badCount(p.found, "no s in a direct system", countExample)
	}
	return nil
}

func firstWord(s string) string {
	for _, w := range words {
		if strings.HasPrefix(s, w) {
			return w
		}
	}
	return ""
}

// accept takes the next token if it is one of these.
func (p *countParser) accept(tokens ...string) bool {
	for _, t := range tokens {
		if len(p.tokens) > 0 && p.tokens[0] == t {
			p.tokens = p.tokens[1:]
			return true
		}
	}
	return false
}

// value takes a number in the system.
func (p *countParser) value() (float64, error) {
	if len(p.tokens) == 0 {
		return 0, badCount(p.found, "a number above zero", countExample)
	}
	token := p.tokens[0]
	p.tokens = p.tokens[1:]
	all, err := readings(token)
	if err != nil {
		return 0, badCount(p.found, "digits", countExample)
	}
	system := p.out.System
	v, ambiguous := pick(all, func(v float64) bool {
		t := system.Tex(v)
		return t >= minTex && t <= doubtTex
	})
	switch {
	case ambiguous:
		return 0, badCount(p.found, "a number that can be read in one way", fmt.Sprintf(`with a decimal mark it is %g, with a thousands mark %.0f: write "%s" or "%.0f" without thousands mark`, all[0], all[1], plain(all[0]), all[1]))
	case !(v > 0):
		return 0, badCount(p.found, "a number above zero", countExample)
	}
	return v, nil
}

// whole takes a whole number up to most.
func (p *countParser) whole(what string, most int) (int, error) {
	if len(p.tokens) == 0 {
		return 0, badCount(p.found, "a number of "+what+" above zero", countExample)
	}
	token := p.tokens[0]
	p.tokens = p.tokens[1:]
	n, err := strconv.Atoi(token)
	if err != nil || n < 1 || n > most || strings.Trim(token, "0123456789") != "" {
		return 0, badCount(p.found, fmt.Sprintf("a whole number of %s up to %d", what, most), `write the single and the folds, "30/2" or "20 tex x 2"`)
	}
	return n, nil
}

func (p *countParser) end() error {
	if len(p.tokens) > 0 {
		return badCount(p.found, "digits and one mark between them", countExample)
	}
	return nil
}

// indirect reads "30", "30/2" or "2/30". Both orders are in use; the fold is the
// smaller number, and it is whole.
func (p *countParser) indirect() error {
	single, err := p.value()
	if err != nil {
		return err
	}
	p.out.Number, p.out.Folds = single, 1
	if p.accept("/") {
		if len(p.tokens) == 0 {
			return badCount(p.found, "a number above zero behind the /", countExample)
		}
		folds, err := p.value()
		if err != nil {
			return err
		}
		if folds > single {
			folds, single = single, folds
		}
		if folds != math.Trunc(folds) || folds > maxFolds {
			return badCount(p.found, "a whole number of folds up to 24", `write the single and the folds, "30/2"`)
		}
		// Knitting yarns have two to four folds, so that "Ne 4/12" is clear; "Ne 10/12" is not.
		if folds > clearFolds && folds < single && single == math.Trunc(single) && single <= maxFolds {
			return badCount(p.found, "a single and folds that cannot be exchanged", fmt.Sprintf(`this is %g folds of %g or %g folds of %g: write the resultant, "%s %s" or "%s %s"`,
				folds, single, single, folds, p.out.System, short(single/folds), p.out.System, short(folds/single)))
		}
		p.out.Number, p.out.Folds = single, int(folds)
	}
	p.out.Resultant = p.out.System == SystemSilk
	return p.end()
}

// direct reads "20", "20 x 2", "r40 /2", "84 f36", "75/72f", "150/48", "150/48f/2".
func (p *countParser) direct() error {
	p.out.Resultant, p.out.Folds = p.accept("r"), 1
	number, err := p.value()
	if err != nil {
		return err
	}
	p.out.Number = number
	slash := p.accept("/")
	switch {
	case p.accept("f", "fil", "filaments"):
		if p.out.Filaments, err = p.whole("filaments", maxFilaments); err != nil {
			return err
		}
	case slash:
		n, err := p.whole("filaments", maxFilaments)
		if err != nil {
			return err
		}
		f := p.accept("f", "fil", "filaments")
		switch {
		// Nor is 2/167 dtex a yarn of 167 filaments, each finer than any that is spun.
		case !f && p.out.System.Tex(number)/Tex(n) < FromDtex(0.1):
			return badCount(p.found, "filaments of at least 0.1 dtex each", fmt.Sprintf(`for two folds write "%d %s x 2", for filaments "%s %s f%d"`, n, p.out.System, plain(number), p.out.System, n))
		// 150/48 den is one yarn of 48 filaments; 20/2 tex could be two yarns.
		case f, !p.out.Resultant && n >= 5 && p.out.System != SystemTex:
			p.out.Filaments = n
		case p.out.Resultant && n <= maxFolds:
			p.out.Folds = n
			return p.end()
		default:
			return badCount(p.found, "folds after an x in a direct system", fmt.Sprintf(`write "%s %s x %d", or "R" before a resultant`, plain(number), p.out.System, n))
		}
	}
	if p.accept("x", "×", "/") {
		if p.out.Folds, err = p.whole("folds", maxFolds); err != nil {
			return err
		}
	}
	return p.end()
}
