// Package unit gives numbers of the knitting trade a unit in their type. One
// scale per quantity is kept (tex, gram, metre, turn, turn per minute);
// constructors convert in, methods convert out. It does not know what a machine
// or a cloth is, and it never panics on what a person typed: people's input goes
// through [ParseCount], [ParseEnds] and the other Parse functions, which take a
// number only with its unit, and refuse what can be read in two ways.
package unit

import (
	"fmt"
	"math"
)

// Exact by international agreement of 1959: the pound and the yard.
const (
	gramsPerPound = 453.59237
	metresPerYard = 0.9144
	metresPerInch = 0.0254
	metresPerFoot = 0.3048
	gramsPerOunce = gramsPerPound / 16

	gsmPerOunceYard = gramsPerOunce / (metresPerYard * metresPerYard)
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

// Gauge is needles per inch of the cylinder's circumference, the E number.
type Gauge float64

// GSM is mass of cloth in grams per square metre.
type GSM float64

// PerCm is courses or wales per centimetre, in a state that the user must know.
type PerCm float64

// Tightness is the root of tex over the stitch length in centimetres; plain cloth
// has about 14 to 16. Per millimetre it is a tenth of that, so a bare number is not
// a tightness.
type Tightness float64

// Share is a part of a whole: 0.85 is 85 %.
type Share float64

// Hours is time in hours.
type Hours float64

// FromNe converts an English cotton count. A count that is not positive gives 0.
func FromNe(ne float64) Tex { return SystemNe.Tex(ne) }

// FromNm converts a metric count. A count that is not positive gives 0.
func FromNm(nm float64) Tex { return SystemNm.Tex(nm) }

// FromWorsted converts a worsted count. A count that is not positive gives 0.
func FromWorsted(nek float64) Tex { return SystemWorsted.Tex(nek) }

// FromLea converts a linen lea. A count that is not positive gives 0.
func FromLea(lea float64) Tex { return SystemLea.Tex(lea) }

// FromDenier converts denier, grams per 9 km.
func FromDenier(den float64) Tex { return Tex(den / 9) }

// FromDtex converts decitex, grams per 10 km.
func FromDtex(dtex float64) Tex { return Tex(dtex / 10) }

// FromSpyndle converts the jute count, pounds per spyndle of 14,400 yards.
func FromSpyndle(pounds float64) Tex {
	return SystemSpyndle.Tex(pounds)
}

// Ne gives the English cotton count; 0 for a yarn without mass.
func (t Tex) Ne() float64 { return t.In(SystemNe) }

// Nm gives the metric count; 0 for a yarn without mass.
func (t Tex) Nm() float64 { return t.In(SystemNm) }

// Worsted gives the worsted count; 0 for a yarn without mass.
func (t Tex) Worsted() float64 { return t.In(SystemWorsted) }

// Lea gives the linen lea; 0 for a yarn without mass.
func (t Tex) Lea() float64 { return t.In(SystemLea) }

// French gives the French count; 0 for a yarn without mass.
func (t Tex) French() float64 { return t.In(SystemFrench) }

// Denier gives grams per 9 km.
func (t Tex) Denier() float64 { return float64(t) * 9 }

// Dtex gives grams per 10 km.
func (t Tex) Dtex() float64 { return float64(t) * 10 }

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

// Contracted is the linear density of a folded yarn whose length is shorter by a
// share for the twist: the same mass on less length is coarser. A share outside 0
// to 0.5 is refused.
func (t Tex) Contracted(share Share) (Tex, error) {
	if !(share >= 0 && share <= 0.5) {
		return 0, &InputError{Field: "twist contraction", Found: fmt.Sprint(float64(share)), Expected: "a share from 0 to 0.5",
			Repair: "enter the part of the length that twisting takes; 0.02 to 0.06 is common practice", sentinel: ErrQuantity}
	}
	return Tex(float64(t) / (1 - float64(share))), nil
}

// Drafted is the linear density of a yarn while it is stretched to draft times its
// length, as elastane runs into the loops. A draft outside 1 to 10 is refused.
func (t Tex) Drafted(draft float64) (Tex, error) {
	if !(draft >= 1 && draft <= 10) {
		return 0, &InputError{Field: "draft", Found: fmt.Sprint(draft), Expected: "1 to 10",
			Repair: "enter how many times its own length the yarn is stretched to; 1 is no stretch", sentinel: ErrQuantity}
	}
	return Tex(float64(t) / draft), nil
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

// OuncesPerSquareYard converts.
func (g GSM) OuncesPerSquareYard() float64 { return float64(g) / gsmPerOunceYard }

// PerInch converts.
func (p PerCm) PerInch() float64 { return float64(p) * metresPerInch * 100 }

// PerMillimetre gives the other habit: the root of tex over the stitch length in
// millimetres.
func (k Tightness) PerMillimetre() float64 { return float64(k) / 10 }

// Percent converts.
func (s Share) Percent() float64 { return float64(s) * 100 }

// Minutes of running that the turns take at a speed; ok is false when the speed
// is not positive and finite.
func (r Revolutions) Minutes(speed RPM) (minutes float64, ok bool) {
	if !(speed > 0) || math.IsInf(float64(speed), 1) {
		return 0, false
	}
	return float64(r) / float64(speed), true
}
