package thermal

import (
	"math"
	"slices"
	"time"
)

// Forecast is when a warming sensor will break its rule if it goes on as it does: an interval, never a lone minute.
type Forecast struct {
	EarliestMicros int64
	LatestMicros   int64
}

// Near is how far below its limit a reading is at the most when an opening is foretold.
const Near = MilliC(2500)

// How a forecast is made (our own; common practice, no source, for the figures). Measured by TestForecastGoals.
const (
	rising      = 50 * time.Minute // how far back a rise is looked at: longer ones are nearly straight, and change course
	furthest    = 3 * time.Hour    // an opening further off is not spoken of
	widestSpan  = 90 * time.Minute // an interval wider than this helps nobody
	agreeing    = 3                // readings that have to agree
	lasting     = 30 * time.Minute // a rise that has not crossed yet is older than a defrost or a door that is held open
	aboveUsual  = MilliC(1500)     // beyond what it came back from by itself; how far such peaks differ from day to day
	inTime      = 6 * time.Minute  // before an opening it is foretold, however usual the warmth is: a hand needs as long
	givenBack   = 0.09             // of a rise: a compressor that runs on does so much; more is a fall
	surely      = 7 * time.Minute  // beyond the limit
	leastNoise  = 0.03             // °C; no logger is finer, whatever its last digits say
	unlikely    = 6.0              // residual sum in noise variances above the best, beyond which a curve is not believed
	noiseMargin = 2.5              // noise that may carry a reading back over the limit, in standard deviations
)

// approaches are the time constants tried, in minutes: a vial's (quick) to a full refrigerator's without power (slow).
var approaches = [...]float64{8, 12, 18, 27, 40, 60, 90, 140, 220, 400, 1e6}

// Forecast foretells when this sensor's readings will open a warm excursion: crossing plus delay. False while nothing can
// be said: it is not warming, fewer than three readings agree, it is open already, or the curves that fit the last
// readings do not all get there soon. Series is corrected, merged and in order, of at least the delay, best of a day;
// what came back by itself within it (defrosting, a door opened for a minute) is not foretold again until it goes beyond
// that. Each curve is T = a + b (1 - exp(-t/tau)), an approach to a plateau (Newton's law of cooling), fitted by least
// squares in a and b for each of a row of tau. It pages nobody.
func (r Rule) Forecast(series []Reading) (Forecast, bool) {
	n := len(series)
	if r.Kind != Warm || n < agreeing || series[n-1].MilliC < r.LimitMilliC-Near {
		return Forecast{}, false
	}
	state, found := r.Step(State{}, series, nil)
	if state.Phase == Open {
		return Forecast{}, false
	}
	last := series[n-1]
	rise := r.lastRise(series)
	noise := noiseOf(series[max(0, n-60):])
	beyondFor := int64(0)
	if len(state.Pending) > 0 {
		beyondFor = state.pending(r.window(), last.AtMicros)
	}
	soon := beyondFor > 0 && r.delay()-beyondFor <= inTime.Microseconds()
	if !soon && last.MilliC <= usualPeak(series[:n-len(rise)], found)+aboveUsual || falls(rise, noise, beyondFor < surely.Microseconds()) {
		return Forecast{}, false
	}
	if state.Phase == Suspected && r.limit().beyond(last.MilliC) && r.Window == 0 {
		return r.underWay(state, rise, noise)
	}
	if last.AtMicros-rise[0].AtMicros < lasting.Microseconds() {
		return Forecast{}, false
	}
	left := r.delay() - beyondFor
	first, latest, ok := crossings(rise, float64(r.LimitMilliC)/1000, noise)
	if !ok {
		return Forecast{}, false
	}
	f := Forecast{EarliestMicros: first + max(0, left), LatestMicros: latest + r.delay() + pace(rise)}
	return f, f.EarliestMicros > last.AtMicros && f.LatestMicros-f.EarliestMicros <= widestSpan.Microseconds()
}

// underWay is a rise that has crossed: it opens a delay after that, unless it falls.
func (r Rule) underWay(s State, rise []Reading, noise float64) (Forecast, bool) {
	n := len(rise)
	if n < agreeing || !r.limit().beyond(min(rise[n-1].MilliC, rise[n-2].MilliC, rise[n-agreeing].MilliC)) {
		return Forecast{}, false
	}
	from := s.Pending[len(s.Pending)-1].FromMicros
	f := Forecast{EarliestMicros: from + r.delay(), LatestMicros: from + r.delay() + pace(rise)}
	last := rise[n-1]
	if near := float64(r.LimitMilliC)/1000 + noiseMargin*noise; celsius(last) < near { // it may be carried back over the limit yet
		_, latest, ok := crossings(rise, near, noise)
		if !ok {
			return Forecast{}, false
		}
		f.LatestMicros = max(f.LatestMicros, latest+r.delay()+pace(rise))
	}
	return f, f.LatestMicros > last.AtMicros && f.LatestMicros-f.EarliestMicros <= widestSpan.Microseconds()
}

// falls says whether the last readings lie clearly below the highest of the rise.
// While it has hardly crossed, clearly is by more than noise; later a compressor that runs on may do so.
func falls(rise []Reading, noise float64, young bool) bool {
	top := slices.MaxFunc(rise, func(a, b Reading) int { return int(a.MilliC - b.MilliC) })
	n := len(rise)
	if n < 2 {
		return true
	}
	back := celsius(top) - celsius(rise[n-1])
	if young {
		return back > 1.5*noise
	}
	return back > max(2*noise, givenBack*(celsius(top)-celsius(rise[0])))
}

// lastRise is the readings from the lowest of the last minutes on, unbroken by a gap.
func (r Rule) lastRise(series []Reading) []Reading {
	n := len(series)
	start, lowest := n-1, n-1
	for start > 0 && series[n-1].AtMicros-series[start-1].AtMicros <= rising.Microseconds() &&
		series[start].AtMicros-series[start-1].AtMicros <= r.MaxGap.Microseconds() {
		start--
		if series[start].MilliC < series[lowest].MilliC {
			lowest = start
		}
	}
	return series[lowest:]
}

// usualPeak is the highest reading before a rise that opened nothing: what this sensor shows and comes back from.
func usualPeak(before []Reading, found []Excursion) MilliC {
	top := -widest
	for _, x := range before {
		opened := slices.ContainsFunc(found, func(e Excursion) bool {
			return e.Kind == Warm && e.FromMicros <= x.AtMicros && (e.ToMicros == 0 || x.AtMicros <= e.ToMicros)
		})
		if !opened {
			top = max(top, x.MilliC)
		}
	}
	return top
}

// pending is fold.pendingMicros of a state at rest.
func (s State) pending(window, now int64) int64 {
	f := fold{State: s, window: window}
	return f.pendingMicros(now)
}

// noiseOf readings, in °C: the median second difference, by which neither a level nor a slope is taken for noise. For
// normal noise that median is 0.6745 x sqrt(6) of a standard deviation.
func noiseOf(series []Reading) float64 {
	var seconds []float64
	for i := 2; i < len(series); i++ {
		seconds = append(seconds, math.Abs(celsius(series[i])-2*celsius(series[i-1])+celsius(series[i-2])))
	}
	if len(seconds) < 6 {
		return 2 * leastNoise
	}
	slices.Sort(seconds)
	return max(leastNoise, seconds[len(seconds)/2]/(0.6745*math.Sqrt(6)))
}

func celsius(r Reading) float64 { return float64(r.MilliC) / 1000 }

// pace is the usual time between readings: an excursion opens at one.
func pace(rise []Reading) int64 {
	return (rise[len(rise)-1].AtMicros - rise[0].AtMicros) / int64(len(rise)-1)
}

// agrees says whether three thirds of a rise lie each above the one before, beyond what noise does.
func agrees(rise []Reading, noise float64) bool {
	n := len(rise) / agreeing
	if n == 0 {
		return false
	}
	var mean [agreeing]float64
	for i := range mean {
		for _, x := range rise[len(rise)-(agreeing-i)*n : len(rise)-(agreeing-i-1)*n] {
			mean[i] += celsius(x) / float64(n)
		}
	}
	return mean[0] < mean[1] && mean[1] < mean[2] && mean[2]-mean[0] > 3*noise*math.Sqrt(2/float64(n))
}

// crossings are the first and last instants at which the curves that fit a rise cross a limit; false where one of them
// does not get there in time. Fitted on the whole rise and on its last part, since it may have changed its course.
func crossings(rise []Reading, limit, noise float64) (first, latest int64, ok bool) {
	if len(rise) < agreeing || !agrees(rise, noise) {
		return 0, 0, false
	}
	first, latest = math.MaxInt64, 0
	parts := [][]Reading{rise}
	if len(rise) >= 4*agreeing {
		if part := rise[len(rise)/2:]; agrees(part, noise) {
			parts = append(parts, part)
		}
	}
	for _, part := range parts {
		lo, hi, ok := spread(part, limit, noise)
		if !ok {
			return 0, 0, false
		}
		first, latest = min(first, lo), max(latest, hi)
	}
	return first, latest, true
}

// spread is crossings of one part.
func spread(part []Reading, limit, noise float64) (first, latest int64, ok bool) {
	var fits []curve
	best := math.Inf(1)
	for _, tau := range approaches {
		c := fit(part, tau)
		best = min(best, c.residual)
		fits = append(fits, c)
	}
	now := part[len(part)-1].AtMicros
	soon, late, c0 := math.Inf(1), 0.0, fits[0]
	for _, c := range fits {
		if c.residual > best+unlikely*noise*noise {
			continue
		}
		lo, hi, reached := c.reaches(limit, noise)
		if !reached || hi > furthest.Minutes()+c.end {
			return 0, 0, false
		}
		soon, late = min(soon, lo), max(late, hi)
	}
	at := func(minutes float64) int64 {
		return part[0].AtMicros + int64(minutes*float64(time.Minute.Microseconds()))
	}
	soon, late = soon-1-0.3*max(0, soon-c0.end), late+3+0.5*max(0, late-c0.end) // what changes its course besides
	return max(now, at(soon)), max(now, at(late)), true
}

// curve is a + b (1 - exp(-t/tau)), t in minutes from the first reading fitted to.
type curve struct {
	a, b, tau     float64
	end           float64 // t of the last reading
	mean, sum     float64 // of 1 - exp(-t/tau): its mean, and the sum of squares around it
	n             float64
	residual      float64 // sum of squares, °C²
	meanCelsius   float64
	slopeVariance float64 // of b, in noise variances
}

func shape(t, tau float64) float64 { return -math.Expm1(-t / tau) }

// fit by least squares for one tau: a straight line over the shape.
func fit(part []Reading, tau float64) curve {
	c := curve{tau: tau, n: float64(len(part))}
	minutes := func(x Reading) float64 { return float64(x.AtMicros-part[0].AtMicros) / 60e6 }
	for _, x := range part {
		c.mean += shape(minutes(x), tau) / c.n
		c.meanCelsius += celsius(x) / c.n
	}
	var cross float64
	for _, x := range part {
		d := shape(minutes(x), tau) - c.mean
		c.sum += d * d
		cross += d * (celsius(x) - c.meanCelsius)
	}
	c.b, c.end = cross/c.sum, minutes(part[len(part)-1])
	c.a = c.meanCelsius - c.b*c.mean
	for _, x := range part {
		d := celsius(x) - c.a - c.b*shape(minutes(x), tau)
		c.residual += d * d
	}
	c.slopeVariance = 1 / c.sum
	return c
}

// reaches answers from when to when, in minutes, the curve may cross a limit: two standard deviations of its slope either way.
func (c curve) reaches(limit, noise float64) (lo, hi float64, ok bool) {
	off := 2 * noise * math.Sqrt(c.slopeVariance)
	cross := func(b float64) (float64, bool) {
		if b <= 0 {
			return 0, false
		}
		u := c.mean + (limit-c.meanCelsius)/b
		if u >= 0.98 { // a plateau just at the limit is not foretold
			return 0, false
		}
		return -c.tau * math.Log1p(-u), true
	}
	lo, ok = cross(c.b + off)
	if !ok {
		return 0, 0, false
	}
	hi, ok = cross(c.b - off)
	return lo, hi, ok
}
