package knit

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// Bed is what the needles of one bed do at one feed, a letter a needle, repeated
// round the bed: K knit (takes yarn, casts the old loop off), T tuck (takes yarn,
// keeps the old loop), M miss (takes none).
type Bed string

// Feed is one feed of the repeat.
type Feed struct {
	// Groups are the IDs of the card's feed groups that give yarn here: one, or
	// several that are plated. None at a feed where every needle misses.
	Groups         []string
	Cylinder, Dial Bed // Dial is empty where only the cylinder has needles
}

// Program is the smallest number of feeds after which all repeats, in the order in
// which a needle meets them.
type Program struct {
	Feeds []Feed
	// Courses of cloth that one repeat gives. 0 means as the needles tell: as many
	// as the busiest needle casts loops off.
	Courses float64
}

// Bounds of a program: more feeds, needles or groups than any frame's repeat.
const (
	maxProgramText = 4000
	maxRepeatFeeds = 240
	maxRepeatWidth = 144
	maxGroupName   = 32
	maxPlated      = 4
)

// ParseProgram reads a repeat, a feed a word, first feed first:
//
//	K                           plain
//	K/K                         rib: cylinder, then dial
//	KM/MK MK/KM                 interlock
//	ground+elastane:K ground:K  elastane plated at every second feed
//	red:K*6 blue:K*4            stripes of six and four feeds
//	K KT K TK courses=3         the number of courses stated
//
// The letters K, T and M are those of [Bed]; "-" is M too, and small letters will
// do. Names before the colon are IDs of feed groups. Every error is an [*InputError]
// with [ErrProgram] inside.
func ParseProgram(text string) (Program, error) {
	if len(text) > maxProgramText {
		return Program{}, badProgram("length of the text", len(text), fmt.Sprintf("at most %d bytes", maxProgramText), "write equal feeds with *, as in K*6")
	}
	var p Program
	words := strings.FieldsFunc(text, func(r rune) bool { return unicode.IsSpace(r) || strings.ContainsRune(",;|", r) })
	for _, w := range words {
		if v, ok := strings.CutPrefix(strings.ToLower(w), "courses="); ok {
			c, err := strconv.ParseFloat(v, 64)
			if err != nil || !within(c, 1e-3, maxRepeatFeeds) {
				return Program{}, badProgram("courses", v, fmt.Sprintf("a number above 0, at most %d", maxRepeatFeeds), `count the courses of one repeat, "courses=2"`)
			}
			p.Courses = c
			continue
		}
		f, times, err := parseFeed(w)
		if err != nil {
			return Program{}, err
		}
		if len(p.Feeds)+times > maxRepeatFeeds {
			return Program{}, badProgram("feeds of the repeat", len(p.Feeds)+times, fmt.Sprintf("1 to %d", maxRepeatFeeds), "write only the smallest part that repeats")
		}
		for range times {
			p.Feeds = append(p.Feeds, f)
		}
	}
	return p, p.Validate()
}

func badProgram(field string, found any, expected, repair string) error {
	return bad(ErrProgram, "feed program", field, found, expected, repair)
}

func parseFeed(w string) (f Feed, times int, err error) {
	beds := w
	if names, rest, ok := strings.Cut(w, ":"); ok {
		f.Groups, beds = strings.Split(names, "+"), rest
	}
	beds, n, repeated := strings.Cut(beds, "*")
	times = 1
	if repeated {
		if times, err = strconv.Atoi(n); err != nil || times < 1 || times > maxRepeatFeeds {
			return Feed{}, 0, badProgram(fmt.Sprintf("number behind * in %q", clip(w)), n, fmt.Sprintf("1 to %d", maxRepeatFeeds), `write for example "K*6"`)
		}
	}
	cylinder, dial, two := strings.Cut(beds, "/")
	if f.Cylinder, err = parseBed(w, cylinder); err != nil {
		return Feed{}, 0, err
	}
	if two {
		if f.Dial, err = parseBed(w, dial); err != nil {
			return Feed{}, 0, err
		}
	}
	return f, times, nil
}

func parseBed(w, letters string) (Bed, error) {
	b := []byte(strings.ToUpper(letters))
	for i, c := range b {
		switch c {
		case '-':
			b[i] = 'M'
		case 'K', 'T', 'M':
		default:
			return "", badProgram("a feed", strconv.Quote(w), "letters K (knit), T (tuck) and M (miss), dial behind /", `write for example "KM/MK" or "ground:KT"`)
		}
	}
	if len(b) == 0 {
		return "", badProgram("a feed", strconv.Quote(w), "at least one letter K, T or M for every bed named", `write "M" for a bed that misses`)
	}
	return Bed(b), nil
}

// Validate tells the first thing that makes the program unusable.
func (p Program) Validate() error {
	if len(p.Feeds) < 1 || len(p.Feeds) > maxRepeatFeeds {
		return badProgram("number of feeds", len(p.Feeds), fmt.Sprintf("1 to %d", maxRepeatFeeds), `write at least one feed, "K"`)
	}
	if p.Courses != 0 && !within(p.Courses, 1e-3, maxRepeatFeeds) {
		return badProgram("courses", p.Courses, fmt.Sprintf("above 0, at most %d, or 0 for counted", maxRepeatFeeds), "count the courses of one repeat")
	}
	for i, f := range p.Feeds {
		if err := f.validate(i + 1); err != nil {
			return err
		}
	}
	if w := p.Width(); w > maxRepeatWidth {
		return badProgram("needles of the repeat", w, fmt.Sprintf("at most %d", maxRepeatWidth), "write all feeds over the same number of needles")
	}
	if p.knits() == 0 {
		return badProgram("number of knit loops", 0, "at least one needle that knits", "a cloth of tucks and misses alone comes off no needle")
	}
	return nil
}

func (f Feed) validate(number int) error {
	at := fmt.Sprintf("feed %d", number)
	for _, b := range [...]Bed{f.Cylinder, f.Dial} {
		if strings.Trim(string(b), "KTM") != "" || len(b) > maxRepeatWidth {
			return badProgram(at, strconv.Quote(string(b)), fmt.Sprintf("up to %d letters K, T and M", maxRepeatWidth), "write one letter a needle")
		}
	}
	if f.Cylinder == "" {
		return badProgram(at, "without cylinder needles", "a letter for the cylinder", `write "M/K" for a feed of the dial alone`)
	}
	if f.Idle() && len(f.Groups) > 0 {
		return badProgram(at, fmt.Sprintf("drawing %s where every needle misses", strings.Join(f.Groups, "+")), "a needle that takes the yarn, or no name", `write "M" for an idle feed`)
	}
	if len(f.Groups) > maxPlated {
		return badProgram(at, fmt.Sprintf("%d yarns", len(f.Groups)), fmt.Sprintf("at most %d plated", maxPlated), "count ends of one yarn in the card")
	}
	for i, g := range f.Groups {
		if !groupName(g) {
			return badProgram(at, strconv.Quote(g), fmt.Sprintf("a name of 1 to %d letters, digits, - and _", maxGroupName), "name the card's feed group")
		}
		if slices.Contains(f.Groups[:i], g) {
			return badProgram(at, fmt.Sprintf("naming %q twice", g), "each feed group once", "count its ends in the card")
		}
	}
	return nil
}

func groupName(s string) bool {
	if s == "" || len([]rune(s)) > maxGroupName {
		return false
	}
	return !strings.ContainsFunc(s, func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '-' && r != '_' || r == unicode.ReplacementChar
	})
}

// Idle says that no needle takes yarn at the feed.
func (f Feed) Idle() bool { return strings.Trim(string(f.Cylinder+f.Dial), "M") == "" }

// Inlay says that yarn is taken but no needle knits it.
func (f Feed) Inlay() bool { return !f.Idle() && !strings.Contains(string(f.Cylinder+f.Dial), "K") }

// share of a bed's needles that do what one of the letters says.
func (b Bed) share(letters string) float64 {
	if b == "" {
		return 0
	}
	n := 0
	for _, c := range []byte(b) {
		if strings.IndexByte(letters, c) >= 0 {
			n++
		}
	}
	return float64(n) / float64(len(b))
}

// At is the letter of needle i of the repeat; M where the bed has no needles.
func (b Bed) At(i int) byte {
	if b == "" {
		return 'M'
	}
	return b[i%len(b)]
}

// Width is the number of needles after which every feed repeats.
func (p Program) Width() int {
	w := 1
	for _, f := range p.Feeds {
		for _, b := range [...]Bed{f.Cylinder, f.Dial} {
			if n := len(b); n > 0 && w <= maxRepeatWidth {
				w = lcm(w, n)
			}
		}
	}
	return w
}

func lcm(a, b int) int {
	x, y := a, b
	for y != 0 {
		x, y = y, x%y
	}
	return a / x * b
}

// DoubleBed says that dial needles take part.
func (p Program) DoubleBed() bool {
	return slices.ContainsFunc(p.Feeds, func(f Feed) bool { return f.Dial != "" })
}

// Gating is how dial needles stand to cylinder needles.
type Gating uint8

// Gatings.
const (
	NoDial          Gating = iota
	RibGating              // dial needles between the cylinder's
	InterlockGating        // dial needles opposite the cylinder's
)

func (g Gating) String() string {
	return [...]string{"one bed", "rib gating", "interlock gating"}[min(g, InterlockGating)]
}

// Gating follows from the notation: where opposite needles rise together at a feed
// they would meet, so the dial must stand between.
func (p Program) Gating() Gating {
	if !p.DoubleBed() {
		return NoDial
	}
	for _, f := range p.Feeds {
		for i := range p.Width() {
			if f.Cylinder.At(i) != 'M' && f.Dial.At(i) != 'M' {
				return RibGating
			}
		}
	}
	return InterlockGating
}

// knits is how many loops the busiest needle casts off in a repeat.
func (p Program) knits() int {
	most := 0
	for i := range p.Width() {
		cylinder, dial := 0, 0
		for _, f := range p.Feeds {
			if f.Cylinder.At(i) == 'K' {
				cylinder++
			}
			if f.Dial.At(i) == 'K' {
				dial++
			}
		}
		most = max(most, cylinder, dial)
	}
	return most
}

// CoursesPerRepeat is Courses, or as many as the busiest needle casts loops off.
func (p Program) CoursesPerRepeat() float64 {
	if p.Courses > 0 {
		return p.Courses
	}
	return float64(p.knits())
}

// FeedsPerCourse is how many feeds one course of the cloth takes; idle feeds of the
// repeat count. Infinite for an empty program.
func (p Program) FeedsPerCourse() float64 {
	if c := p.CoursesPerRepeat(); c > 0 {
		return float64(len(p.Feeds)) / c
	}
	return math.Inf(1)
}

// Groups lists the IDs of the feed groups in the order in which they appear; ""
// stands for feeds without a name.
func (p Program) Groups() []string {
	var ids []string
	for _, f := range p.Feeds {
		for _, g := range f.groups() {
			if !slices.Contains(ids, g) {
				ids = append(ids, g)
			}
		}
	}
	return ids
}

func (f Feed) groups() []string {
	if len(f.Groups) == 0 && !f.Idle() {
		return []string{""}
	}
	return f.Groups
}

// String prints the program so that [ParseProgram] reads the same back.
func (p Program) String() string {
	var words []string
	for i := 0; i < len(p.Feeds); {
		n := 1
		for i+n < len(p.Feeds) && p.Feeds[i].String() == p.Feeds[i+n].String() {
			n++
		}
		w := p.Feeds[i].String()
		if n > 1 {
			w += "*" + strconv.Itoa(n)
		}
		words = append(words, w)
		i += n
	}
	if p.Courses > 0 {
		words = append(words, "courses="+strconv.FormatFloat(p.Courses, 'g', -1, 64))
	}
	return strings.Join(words, " ")
}

func (f Feed) String() string {
	s := string(f.Cylinder)
	if f.Dial != "" {
		s += "/" + string(f.Dial)
	}
	if len(f.Groups) > 0 {
		s = strings.Join(f.Groups, "+") + ":" + s
	}
	return s
}
