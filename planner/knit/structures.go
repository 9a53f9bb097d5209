package knit

import (
	"slices"
	"strings"
)

// Structure is a cloth that the trade has a name for.
type Structure struct {
	Name    string
	Also    []string // other spellings and names
	Program Program
	// Note says what is particular about its yarn or what mills see differently.
	Note string
	// Source of the repeat.
	Source string
}

const (
	practice = "common practice, no source"
	memory   = "from memory of textbooks, no copy seen"
)

// Structures lists the structures known by name. Mills use the names of piqués
// and fleeces for different repeats: the notation decides, the name is a start.
func Structures() []Structure { return slices.Clone(structures) }

var structures = []Structure{
	{Name: "single jersey", Also: []string{"plain", "jersey"}, Program: program("K"), Source: "every cylinder needle knits at every feed, by definition"},
	{Name: "1x1 rib", Also: []string{"rib 1x1", "rib"}, Program: program("K/K"),
		Note: "the yarn of a feed goes into the loops of both beds: course length is stitch length times cylinder and dial needles", Source: "factor 2 of rib in teaching notes on knitting production; " + practice},
	{Name: "interlock", Also: nil, Program: program("KM/MK MK/KM"),
		Note: "two feeds make one course; a feed serves half of each bed", Source: "two feeds a course: textilecalculations.com, 'Production of Interlock Circular Knitting Machine', example 1"},
	{Name: "single pique", Also: []string{"pique", "single lacoste"}, Program: program("K KT K TK"),
		Note: "tuck loops take less yarn than knit loops: measure the course length. Some mills call KT KT TK TK by this name", Source: "first and third feed all knit: cottonworks.com, 'Single knits', single pique; the tucks between " + memory},
	{Name: "double pique", Also: []string{"double lacoste", "polo pique"}, Program: program("K KT KT K TK TK"),
		Note: "tuck loops take less yarn than knit loops: measure the course length. In double jersey the name means another cloth", Source: memory},
	{Name: "cross tuck", Also: nil, Program: program("KT TK"),
		Note: "tuck loops take less yarn than knit loops: measure the course length", Source: memory},
	{Name: "lacoste", Also: []string{"cross tuck on two feeds"}, Program: program("KT*2 TK*2"),
		Note: "tuck loops take less yarn than knit loops: measure the course length", Source: memory},
	{Name: "two-thread fleece", Also: []string{"french terry", "two thread fleece"}, Program: program("ground:K inlay:TMMM"),
		Note: "the inlay's stitch length is stated per needle in work, as mills' tables do, not per tuck", Source: "3x1 inlay (three needles float, one tucks): alamacknits.com, 'Knitting basics', archived 2007; order of feeds " + practice},
	{Name: "three-thread fleece", Also: []string{"three thread fleece", "fleece"}, Program: program("fleece:TMMM tie:T ground:K"),
		Note: "three feeds make one course: fleece yarn tucked, tie-in and ground drawn through the old loop together, so the tie-in is written as tuck", Source: memory},
	{Name: "plated jersey", Also: []string{"plated", "plated plain"}, Program: program("face+back:K"),
		Note: "both yarns lie in every stitch, each with its own course length", Source: "by definition"},
	{Name: "elastane jersey", Also: []string{"elastane every feed", "jersey elastane"}, Program: program("ground+elastane:K"),
		Note: "the elastane's course length is the drafted length", Source: practice},
	{Name: "elastane jersey, every second feed", Also: []string{"elastane every second feed", "half plated elastane jersey"}, Program: program("ground+elastane:K ground:K"),
		Note: "the elastane's course length is the drafted length", Source: practice},
	{Name: "1x1 rib with elastane", Also: []string{"rib 1x1 + elastane", "elastane rib"}, Program: program("ground+elastane:K/K"),
		Note: "the elastane's course length is the drafted length; in some mills it lies in the loops of one bed only", Source: practice},
	{Name: "ponte roma", Also: []string{"punto di roma", "ponte di roma", "ponte"}, Program: program("KM/MK MK/KM M/K K/M"),
		Note: "an interlock pair, then a plain course on each bed", Source: memory},
	{Name: "half cardigan", Also: []string{"royal rib"}, Program: program("K/K K/T"),
		Note: "tuck loops take less yarn than knit loops: measure the course length", Source: memory},
	{Name: "full cardigan", Also: []string{"polka rib"}, Program: program("K/T T/K"),
		Note: "tuck loops take less yarn than knit loops: measure the course length", Source: memory},
	{Name: "milano rib", Also: nil, Program: program("rib:K/K plain:K/M plain:M/K"),
		Note: "rib and plain feeds differ in course length", Source: memory},
	{Name: "feed stripes", Also: []string{"stripes"}, Program: program("first:K*6 second:K*6"),
		Note: "colours in the order of the feeds; write your own number of feeds", Source: "by definition; six and six is an example"},
}

// program reads a repeat of the table above; structures_test.go reads them all.
func program(text string) Program {
	p, err := ParseProgram(text)
	if err != nil {
		return Program{}
	}
	return p
}

// FindStructure looks a structure up by name, whatever the case, accents, hyphens
// and spaces.
func FindStructure(name string) (Structure, error) {
	if len(name) <= maxProgramText {
		key := fold(name)
		for _, s := range structures {
			if fold(s.Name) == key || slices.ContainsFunc(s.Also, func(also string) bool { return fold(also) == key }) {
				return s, nil
			}
		}
	}
	var names []string
	for _, s := range structures {
		names = append(names, s.Name)
	}
	return Structure{}, bad(ErrProgram, "structure", "name", "\""+clip(name)+"\"", "one of "+strings.Join(names, "; "), `or write the repeat itself, "K KT K TK"`)
}

// ReadProgram takes a structure's name or the notation itself.
func ReadProgram(text string) (Program, error) {
	s, unknown := FindStructure(text)
	if unknown == nil {
		return s.Program, nil
	}
	if p, err := ParseProgram(text); err == nil || strings.Trim(strings.ToUpper(text), "KTM-/*:;,| 0123456789") == "" {
		return p, err
	}
	if strings.ContainsAny(text, ":*/=") {
		_, err := ParseProgram(text)
		return Program{}, err
	}
	return Program{}, unknown
}

var spelling = strings.NewReplacer("é", "e", "×", "x", " ", "", "-", "", "_", "", ",", "")

func fold(s string) string { return spelling.Replace(strings.ToLower(s)) }
