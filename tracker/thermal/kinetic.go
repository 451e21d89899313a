package thermal

import "math"

// Kelvin of mean kinetic temperature: dH/R = 83.144 kJ/mol / 8.3144e-3 kJ/mol/K = 10 000 K exactly, and 0 °C = 273.15 K.
// The pharmacopoeia's worked examples add 273.1; that changes the second decimal of nothing (see the tests).
const (
	activation = 10_000.0
	zeroC      = 273.15
)

// rate is exp(-10000/T), the relative speed at which the pharmacopoeia's average substance decays, T in milli °C.
func rate(milliC float64) float64 { return math.Exp(-activation / (milliC/1000 + zeroC)) }

// atRate is the temperature in °C at which decay has that speed.
func atRate(k float64) float64 { return activation/-math.Log(k) - zeroC }

// kinetics is a table over the milli-degrees lo..hi of the rate k and of its integral g over temperature (in K), grown
// as warmer and colder readings come.
//
// A straight line in time from x to y passes every temperature between them for the same time, so the mean rate over
// it is (g(y)-g(x))/(y-x): two look-ups and a division instead of exponentials, whatever the step. Every step of g is
// a two-point Gauss rule over 0.001 K, whose error is below 1e-18 of the step; each addition rounds by at most 1.1e-16
// of g, which is at most 8 k. So a mean over one milli-degree is good to 2e-12 of itself and one over more to
// less, and as dT = T² / 10000 K x dk/k, 7.7 K at 5 °C and 9 K at 30 °C, an MKT to 2e-11 K.
type kinetics struct {
	lo   MilliC
	k, g []float64
}

// knows says whether a temperature is in the table.
func (t *kinetics) knows(m MilliC) bool { return uint32(m-t.lo) < uint32(len(t.k)) }

// grow makes the table anew with m in it: half a degree to spare, or half of what there was, so that a series that
// drifts all the way costs three tables and not hundreds. A refrigerator's takes 0.2 ms.
func (t *kinetics) grow(m MilliC) {
	lo, hi := m, m
	spare := max(500, MilliC(len(t.k)/2))
	if len(t.k) > 0 {
		lo, hi = min(m, t.lo), max(m, t.lo+MilliC(len(t.k))-1)
	}
	if m == lo {
		lo = min(lo, max(lo-spare, -widest))
	}
	if m == hi {
		hi = max(hi, min(hi+spare, widest))
	}
	n := int(hi-lo) + 1
	*t = kinetics{lo: lo, k: make([]float64, n), g: make([]float64, n)}
	const half, node = 0.5, 0.28867513459481287 // 1/(2 sqrt 3)
	for i := range t.k {
		x := float64(lo) + float64(i)
		t.k[i] = rate(x)
		if i > 0 {
			t.g[i] = t.g[i-1] + 0.001*(rate(x-half-node)+rate(x-half+node))/2
		}
	}
}

// between is the mean rate over a straight line between two readings.
func (t *kinetics) between(x, y MilliC) float64 {
	if x == y {
		return t.k[x-t.lo]
	}
	return (t.g[y-t.lo] - t.g[x-t.lo]) / float64(y-x) * 1000
}

// part is the mean rate over the first share (0..1) of the line from x to y.
func (t *kinetics) part(x, y MilliC, share float64) float64 {
	run := float64(y-x) * share // milli-degrees
	whole := MilliC(run)        // towards x
	if whole == 0 {
		return t.near(x, run)
	}
	stop := x + whole
	rest := run - float64(whole)
	g := (t.g[stop-t.lo]-t.g[x-t.lo])*1000 + rest*t.near(stop, rest)
	return g / run
}

// near is the mean rate over a run of less than a milli-degree either way, where a difference of g would cancel: with
// ln k(T+d) = ln k(T) + a d/T² - a d²/T³ and s = a d/T² it is k (1 + s/2 + s²/6 - s d/3T), good to 1e-12.
func (t *kinetics) near(x MilliC, run float64) float64 {
	kelvin, d := float64(x)/1000+zeroC, run/1000
	s := activation * d / (kelvin * kelvin)
	return t.k[x-t.lo] * (1 + s/2 + s*s/6 - s*d/(3*kelvin))
}

// sum adds many numbers without losing small ones (Knuth's two-sum): the difference of two sums is as good as its
// terms, so a window far into a long series is as exact as the first.
type sum struct{ head, tail float64 }

func (s *sum) add(v float64) {
	t := s.head + v
	b := t - s.head
	s.tail += (s.head - (t - b)) + (v - b)
	s.head = t
}

func (s sum) total() float64          { return s.head + s.tail }
func (s sum) minus(older sum) float64 { return (s.head - older.head) + (s.tail - older.tail) }
