// Package unit gives numbers of the knitting trade a unit in their type. One
// scale per quantity is kept (tex, gram, metre, turn, turn per minute);
// constructors convert in, methods convert out. It does not know what a machine
// or a cloth is, and it never panics on what a person typed: people's input goes
// through [ParseCount].
package unit

import "math"

// Exact by international agreement of 1959: the pound and the yard.
const (
	gramsPerPound = 453.59237
	metresPerYard = 0.9144
	metresPerInch = 0.0254
)

// Tex is linear density in grams per kilometre.
type Tex float64

// Grams is mass in grams.
type Grams float64

// Kilograms is mass in kilograms.
type Kilograms float64

// Metres is length in metres.
type Metres float64

// Millimetres is length in millimetres.
type Millimetres float64

// Inches is length in inches of 25.4 mm; cylinders are named by it.
type Inches float64

// Revolutions counts turns of the cylinder, parts of a turn included.
type Revolutions float64

// RPM is turns of the cylinder per minute.
type RPM float64

// Indirect systems state length per mass; each needs only its factor, count*tex.
var (
	texNe  = 1000 * gramsPerPound / (840 * metresPerYard) // cotton: 840 yd in a pound
	texNeK = 1000 * gramsPerPound / (560 * metresPerYard) // worsted: 560 yd in a pound
	texLea = 1000 * gramsPerPound / (300 * metresPerYard) // linen: 300 yd in a pound
	texNf  = 500.0                                        // French: km in 500 g
	texNm  = 1000.0                                       // metric: km in a kilogram
)

// FromNe converts an English cotton count. A count that is not positive gives 0.
func FromNe(ne float64) Tex { return fromIndirect(texNe, ne) }

// FromNm converts a metric count. A count that is not positive gives 0.
func FromNm(nm float64) Tex { return fromIndirect(texNm, nm) }

// FromWorsted converts a worsted count. A count that is not positive gives 0.
func FromWorsted(nek float64) Tex { return fromIndirect(texNeK, nek) }

// FromLea converts a linen lea. A count that is not positive gives 0.
func FromLea(lea float64) Tex { return fromIndirect(texLea, lea) }

// FromDenier converts denier, grams per 9 km.
func FromDenier(den float64) Tex { return Tex(den / 9) }

// FromDtex converts decitex, grams per 10 km.
func FromDtex(dtex float64) Tex { return Tex(dtex / 10) }

// FromSpyndle converts the jute count, pounds per spyndle of 14,400 yards.
func FromSpyndle(pounds float64) Tex {
	return Tex(pounds * 1000 * gramsPerPound / (14400 * metresPerYard))
}

func fromIndirect(factor, count float64) Tex {
	if !(count > 0) || math.IsInf(count, 1) {
		return 0
	}
	return Tex(factor / count)
}

// Ne gives the English cotton count; 0 for a yarn without mass.
func (t Tex) Ne() float64 { return t.indirect(texNe) }

// Nm gives the metric count; 0 for a yarn without mass.
func (t Tex) Nm() float64 { return t.indirect(texNm) }

// Worsted gives the worsted count; 0 for a yarn without mass.
func (t Tex) Worsted() float64 { return t.indirect(texNeK) }

// Lea gives the linen lea; 0 for a yarn without mass.
func (t Tex) Lea() float64 { return t.indirect(texLea) }

// French gives the French count; 0 for a yarn without mass.
func (t Tex) French() float64 { return t.indirect(texNf) }

// Denier gives grams per 9 km.
func (t Tex) Denier() float64 { return float64(t) * 9 }

// Dtex gives grams per 10 km.
func (t Tex) Dtex() float64 { return float64(t) * 10 }

func (t Tex) indirect(factor float64) float64 {
	if !(t > 0) {
		return 0
	}
	return factor / float64(t)
}

// Mass of a length of yarn of this linear density.
func (t Tex) Mass(l Metres) Grams { return Grams(float64(t) * float64(l) / 1000) }

// Length of yarn of this linear density in a mass; 0 for a yarn without mass.
func (t Tex) Length(m Grams) Metres {
	if !(t > 0) {
		return 0
	}
	return Metres(float64(m) * 1000 / float64(t))
}

// Fold is the linear density of ends running or twisted together. Contraction by
// twist (commonly 2-6 %; common practice, no source) is not added.
func Fold(ends ...Tex) Tex {
	var sum Tex
	for _, t := range ends {
		sum += t
	}
	return sum
}

// Kilograms converts.
func (g Grams) Kilograms() Kilograms { return Kilograms(g / 1000) }

// Grams converts.
func (k Kilograms) Grams() Grams { return Grams(k * 1000) }

// Metres converts.
func (m Millimetres) Metres() Metres { return Metres(m / 1000) }

// Millimetres converts.
func (m Metres) Millimetres() Millimetres { return Millimetres(m * 1000) }

// Metres converts.
func (i Inches) Metres() Metres { return Metres(float64(i) * metresPerInch) }

// Minutes of running that the turns take at a speed; ok is false when the speed
// is not positive and finite.
func (r Revolutions) Minutes(speed RPM) (minutes float64, ok bool) {
	if !(speed > 0) || math.IsInf(float64(speed), 1) {
		return 0, false
	}
	return float64(r) / float64(speed), true
}
