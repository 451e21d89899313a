package thermal

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// ErrStability is wrapped by everything that is wrong with stability data.
var ErrStability = errors.New("stability data cannot be used")

// gasConstant in kJ/mol/K, as the pharmacopoeia has it for mean kinetic temperature (USP <1079.2>, secondary copies, R).
const gasConstant = 8.3144e-3

// What stability data may say. Published energies of drugs in solution are tens to a few hundred kJ/mol (M): one beyond
// the limit is J/mol. Both together keep every rate within what a float holds.
const (
	mostActivation        = 1000.0 // kJ/mol
	coldestPoint   MilliC = -100_000
)

// StabilityPoint says how long a preparation keeps at a temperature.
type StabilityPoint struct {
	MilliC MilliC
	Keeps  time.Duration
}

// Stability is a product's stability data for one diluent and concentration. Time is used up at the rate 1/Keeps: at or
// below the warmer of the label's upper end and the coldest point, that of the coldest point; above, ln Keeps is linear
// in 1/T between neighbouring points (Arrhenius), or follows the activation energy where there is one point alone.
// Nothing is said of warmer than the warmest of several points, nor of one point's without an energy.
type Stability struct {
	LabelMilliC        [2]MilliC // labelled storage, both ends in range
	Points             []StabilityPoint
	ActivationKJPerMol *float64 // nil = unknown, and then none is assumed
}

// Check answers all that is wrong with stability data, each part a sentence. No points at all are no mistake.
func (s Stability) Check() error {
	var wrong []error
	say := func(bad bool, format string, args ...any) {
		if bad {
			wrong = append(wrong, fmt.Errorf("%w: %s", ErrStability, fmt.Sprintf(format, args...)))
		}
	}
	say(s.LabelMilliC[0] > s.LabelMilliC[1], "its labelled storage ends at %v °C, below its beginning at %v °C: give the colder end first",
		s.LabelMilliC[1], s.LabelMilliC[0])
	points := s.sorted()
	for i, p := range points {
		say(p.MilliC < coldestPoint, "%v °C is colder than %v °C, where nothing prepared is kept: look at its sign and unit", p.MilliC, coldestPoint)
		say(p.Keeps <= 0, "the time at %v °C is not above 0: give the hours it keeps there", p.MilliC)
		if i == 0 {
			continue
		}
		before := points[i-1]
		say(p.MilliC == before.MilliC, "%v °C stands there twice: give one time for one temperature", p.MilliC)
		say(p.MilliC > before.MilliC && p.Keeps > before.Keeps, "it keeps longer at %v °C (%v h) than at %v °C (%v h): hours may not rise with temperature, look at the source again",
			p.MilliC, p.Keeps.Hours(), before.MilliC, before.Keeps.Hours())
	}
	if e := s.ActivationKJPerMol; e != nil {
		say(!(*e > 0), "its activation energy is %v kJ/mol, not above 0: give the published one, or none", *e)
		say(*e > mostActivation, "its activation energy is %v kJ/mol, above %v: is it in J/mol?", *e, mostActivation)
	}
	return errors.Join(wrong...)
}

func (s Stability) sorted() []StabilityPoint {
	points := slices.Clone(s.Points)
	slices.SortFunc(points, func(a, b StabilityPoint) int { return cmp.Compare(a.MilliC, b.MilliC) })
	return points
}

// law is Stability made ready: the rate in 1/h is 1/keeps up to calm, that of the pieces above it up to top, and
// nobody's beyond.
type law struct {
	known     bool // there is a point
	keeps     time.Duration
	calm, top MilliC
	pieces    []arrhenius
}

// arrhenius is the rate exp(lnRate - slope (1/T - inverse)) in 1/h above one temperature and up to another.
type arrhenius struct {
	above, upTo            MilliC
	lnRate, slope, inverse float64 // slope in K, inverse of the anchor's temperature in 1/K
}

// law of data that passed Check.
func (s Stability) law() law {
	points := s.sorted()
	if len(points) == 0 {
		return law{calm: widest, top: widest}
	}
	coldest, warmest := points[0], points[len(points)-1]
	l := law{known: true, keeps: coldest.Keeps, calm: max(s.LabelMilliC[1], coldest.MilliC)}
	l.top = max(l.calm, warmest.MilliC)
	if e := s.ActivationKJPerMol; e != nil && len(points) == 1 {
		l.top = widest
		l.pieces = []arrhenius{{l.calm, widest, lnRate(coldest), *e / gasConstant, inverse(coldest.MilliC)}}
	}
	for i := 1; i < len(points); i++ {
		cold, warm := points[i-1], points[i]
		if warm.MilliC <= l.calm {
			continue
		}
		slope := (lnRate(warm) - lnRate(cold)) / (inverse(cold.MilliC) - inverse(warm.MilliC))
		l.pieces = append(l.pieces, arrhenius{max(l.calm, cold.MilliC), warm.MilliC, lnRate(cold), slope, inverse(cold.MilliC)})
	}
	return l
}

func inverse(m MilliC) float64        { return 1 / (m.Celsius() + zeroC) }
func lnRate(p StabilityPoint) float64 { return -math.Log(p.Keeps.Hours()) }
func (a arrhenius) at(kelvin float64) float64 {
	return math.Exp(a.lnRate - a.slope*(1/kelvin-a.inverse))
}

// warm is the mean over a straight line from x to y (milli-degrees) of the rate above calm and up to top, counted as 0
// elsewhere: a straight line in time passes every temperature between its ends for the same time.
func (l *law) warm(x, y float64) float64 {
	lo, hi := min(x, y), max(x, y)
	if hi <= float64(l.calm) {
		return 0
	}
	if lo == hi {
		for _, p := range l.pieces {
			if float64(p.above) < lo && lo <= float64(p.upTo) {
				return p.at(lo/1000 + zeroC)
			}
		}
		return 0
	}
	var mean float64
	for _, p := range l.pieces {
		from, to := max(lo, float64(p.above)), min(hi, float64(p.upTo))
		if from < to {
			mean += (to - from) / (hi - lo) * p.mean(from/1000+zeroC, to/1000+zeroC)
		}
	}
	return mean
}

// Nodes and weights of Gauss-Legendre's five-point rule on -1..1 (Abramowitz and Stegun, table 25.4, M; the test
// against another quadrature would tell).
var (
	gaussNodes   = [...]float64{0, 0.5384693101056831, 0.9061798459386640}
	gaussWeights = [...]float64{0.5688888888888889, 0.4786286704993665, 0.2369268850561891}
)

// mean is that of the rate between two temperatures in K. Five points are good to 4e-13 where the rate changes by no
// more than the factor e, so a wider line is cut.
func (a arrhenius) mean(from, to float64) float64 {
	parts := max(1, math.Ceil(a.slope*(1/from-1/to)))
	half := (to - from) / parts / 2
	var total float64
	for i := range int(parts) {
		middle := from + (2*float64(i)+1)*half
		total += gaussWeights[0] * a.at(middle)
		for k := 1; k < len(gaussNodes); k++ {
			d := gaussNodes[k] * half
			total += gaussWeights[k] * (a.at(middle-d) + a.at(middle+d))
		}
	}
	return total / parts / 2
}
