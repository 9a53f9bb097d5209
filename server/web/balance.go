package web

import (
	"html/template"

	"turnwise/server/floor"
)

// A length is one piece of a balance line, in kilos.
type length struct {
	Class  string // of the drawing and of its key
	Word   string
	Kg     float64
	Origin string
	Hidden bool // told in figures, not drawn as a piece of its own
	First  bool // begins a line
	Unit   bool
}

// A balance says where the kilos of an order are: fabric above, yarn below.
type balance struct {
	Order, Title string
	Picture      template.HTML
	Fabric       []length
	Yarn         []yarnLine
}

// A yarnLine is one lot under the order.
type yarnLine struct {
	Yarn, Lot string
	Lengths   []length
}

// newBalance draws both lines on one scale.
func newBalance(o floor.OrderView) balance {
	b := balance{Order: o.ID, Title: orderTitle(o)}
	add := func(l length) {
		if l.Kg > 0 || l.Hidden {
			b.Fabric = append(b.Fabric, l)
		}
	}
	add(length{Class: "be", Word: "done before counting", Kg: o.DoneBeforeKg, Origin: entered})
	add(length{Class: "bw", Word: "weighed", Kg: o.WeighedKg, Origin: weighed})
	add(length{Class: "bc", Word: "counted, not weighed", Kg: max(0, o.CountedKg-o.WeighedKg), Origin: counted})
	done := 0.0
	for _, l := range b.Fabric {
		done += l.Kg
	}
	add(length{Class: "bf", Word: "to knit", Kg: o.Outlook.RemainingKg, Origin: forecasted})
	scale := max(o.QuantityKg, done+o.Outlook.RemainingKg)
	for _, y := range o.Outlook.Yarn {
		scale = max(scale, done+y.NeededKg)
		line := yarnLine{Yarn: y.Yarn, Lot: y.Lot}
		line.Lengths = append(line.Lengths,
			length{Class: "bw", Word: "in store", Kg: y.StoreKg, Origin: entered, First: true},
			length{Class: "bc", Word: "on creels", Kg: y.CreelKg, Origin: calculated},
			length{Class: "bw2", Word: "at machines", Kg: y.AtMachine, Origin: entered},
			length{Class: "need", Word: "needed", Kg: y.NeededKg, Origin: forecasted, Hidden: true})
		if y.ShortKg > 0 {
			line.Lengths = append(line.Lengths, length{Class: "bs", Word: "short", Kg: y.ShortKg, Origin: calculated})
		}
		b.Yarn = append(b.Yarn, line)
	}
	b.Fabric = append(b.Fabric, length{Word: "of the order", Kg: o.QuantityKg, Origin: entered, Hidden: true})
	b.Picture = drawBalance(b, scale, done, o.QuantityKg)
	return b
}

func drawBalance(b balance, scale, done, quantity float64) template.HTML {
	const fabricTop, fabricTall, yarnFirst, yarnStep, yarnTall = 20.0, 22.0, 62.0, 32.0, 12.0
	if scale <= 0 {
		return ""
	}
	height := fabricTop + fabricTall + 6
	if n := len(b.Yarn); n > 0 {
		height = yarnFirst + float64(n)*yarnStep
	}
	d := newDrawing("balance", height)
	at := func(kg float64) float64 { return min(100, 100*kg/scale) }
	d.text("bt1", "start", 0, 10, "", "fabric")
	x := 0.0
	for _, l := range b.Fabric {
		if l.Hidden {
			continue
		}
		d.rect(l.Class, at(x), at(x+l.Kg)-at(x), fabricTop, fabricTall)
		x += l.Kg
	}
	d.tick("tie", at(quantity), fabricTop-6, fabricTop+fabricTall+6)
	if len(b.Yarn) > 0 {
		d.tick("tie", at(done), fabricTop-6, height-8)
	}
	for i, y := range b.Yarn {
		top := yarnFirst + float64(i)*yarnStep
		yarnText(d, at(done), top, y)
		x := done
		for _, l := range y.Lengths {
			if l.Hidden {
				continue
			}
			from, to := at(x), at(x+l.Kg)
			d.rect(l.Class, from, to-from, top+6, yarnTall)
			x += l.Kg
		}
		if x > scale*1.0001 {
			d.text("bt1 desk", "end", 100, top, "", "more than fits →")
			d.text("bt1 phone", "end", 100, top, "", "→") // beside the name there is no room for words
		}
	}
	return d.html()
}

// yarnText stands above its line, at its left end where that leaves room on a
// phone, else before the line; the longer of the two where neither does.
func yarnText(d *drawing, x, y float64, l yarnLine) {
	s := "yarn " + l.Yarn
	if l.Lot != "" {
		s = "yarn " + l.Lot + ", " + l.Yarn
	}
	const letter, arrow = 1.9, 5.0 // percent of a phone's picture
	before, above := int((x-1)/letter), int((100-arrow-x)/letter)
	s = clip(s, min(36, max(before, above)))
	if len([]rune(s)) <= above {
		d.text("bt1", "start", x+0.7, y, "", s)
		return
	}
	d.text("bt1", "end", x-1, y+16, "", s)
}

func orderTitle(o floor.OrderView) string {
	name := o.ArticleName
	if name == "" {
		name = o.Article
	}
	return wholeKilos(o.QuantityKg) + " kg " + name
}
