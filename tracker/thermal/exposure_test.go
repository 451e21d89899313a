package thermal_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/integrate/quad"

	"vialward/tracker/thermal"
)

// followed is one stay at a sensor from the start on, so many minutes.
func followed(t *testing.T, rules thermal.ExposureRules, raw []thermal.Reading, from, to, at int64) thermal.Exposure {
	t.Helper()
	x := exposures(t, rules)
	e, err := x.Of([]thermal.Stay{{FromMicros: start + from*minute, ToMicros: start + to*minute, Trace: x.Trace(raw)}}, start+at*minute, start+1000*minute)
	require.NoError(t, err)
	return e
}

func exposures(t require.TestingT, rules thermal.ExposureRules) *thermal.Exposures {
	x, err := thermal.NewExposures(rules)
	require.NoError(t, err)
	return x
}

func minutes(m float64) time.Duration { return time.Duration(math.Round(m * float64(time.Minute))) }

// A fault this finds: time above a limit counted by readings, or a crossing put in the wrong place.
func TestExposureMinutesBeyond(t *testing.T) {
	rules := thermal.ExposureRules{MaxGap: halfHr, FreezeMilliC: 0}
	for name, c := range map[string]struct {
		celsius                         []float64 // one reading in ten minutes
		from, to                        int64
		above8, above15, above25, cold2 float64 // minutes
		unknown, lowest, highest        float64
	}{
		"in range":                       {[]float64{5, 6, 5}, 0, 20, 0, 0, 0, 0, 0, 5, 6},
		"8 and 2 °C are in range":        {[]float64{8, 8, 2, 2}, 0, 30, 0, 0, 0, 0, 0, 2, 8},
		"up and down again":              {[]float64{7, 9, 7}, 0, 20, 10, 0, 0, 0, 0, 7, 9},
		"from the limit itself":          {[]float64{8, 9, 8}, 0, 20, 20, 0, 0, 0, 0, 8, 9},
		"through all of them":            {[]float64{0.5, 30.5}, 0, 10, 7.5, 15.5 / 3, 5.5 / 3, 0.5, 0, 0.5, 30.5},
		"cold":                           {[]float64{3, 1, 3}, 0, 20, 0, 0, 0, 10, 0, 1, 3},
		"the stay cuts the line":         {[]float64{7, 9, 7}, 2, 12, 7, 0, 0, 0, 0, 7.4, 9},
		"crossing just at the stay":      {[]float64{7, 9, 7}, 5, 15, 10, 0, 0, 0, 0, 8, 9},
		"the line goes on past the stay": {[]float64{5, 15}, 0, 5, 2, 0, 0, 0, 0, 5, 10},
		"before the first reading":       {[]float64{5, 5}, -7, 10, 0, 0, 0, 0, 7, 5, 5},
		"after the last":                 {[]float64{5, 5}, 0, 25, 0, 0, 0, 0, 15, 5, 5},
		"46.4 °F is 8 °C":                {[]float64{8.0, 8.0}, 0, 10, 0, 0, 0, 0, 0, 8, 8},
	} {
		e := followed(t, rules, every(10, c.celsius...), c.from, c.to, c.to)
		for what, pair := range map[string][2]any{
			"above 8": {minutes(c.above8), e.Above8}, "above 15": {minutes(c.above15), e.Above15}, "above 25": {minutes(c.above25), e.Above25},
			"below 2": {minutes(c.cold2), e.Below2}, "unknown": {minutes(c.unknown), e.Unknown}, "followed": {minutes(float64(c.to - c.from)), e.Followed},
		} {
			require.Equal(t, pair[0], pair[1], "%s: %s", name, what)
		}
		require.True(t, e.Measured, name)
		require.InDelta(t, c.lowest, e.MinCelsius, 1e-12, name)
		require.InDelta(t, c.highest, e.MaxCelsius, 1e-12, name)
		require.False(t, e.Limited, name)
		require.False(t, e.Modelled, name)
	}
}

// No data is not good data.
func TestExposureUnknown(t *testing.T) {
	rules := thermal.ExposureRules{MaxGap: halfHr, Stability: keeps(8, nil, 5, 100)}
	later := every(31, 5, 5, 5)
	for name, c := range map[string]struct {
		raw      []thermal.Reading
		from, to int64
		unknown  float64
		measured bool
	}{
		"no readings":                     {nil, 0, 60, 60, false},
		"readings only before":            {every(10, 5, 5), 60, 90, 30, false},
		"readings only after":             {every(10, 5, 5), -60, -30, 30, false},
		"a gap longer than the stay":      {later, 5, 20, 15, false},
		"a gap a minute too long":         {later, 0, 62, 62, true},
		"a gap that is just bridged":      {every(30, 5, 5), 0, 30, 0, true},
		"one reading alone":               {every(30, 5), 0, 30, 30, true},
		"a reading at the end of a stay":  {every(31, 5, 5), 10, 31, 21, true}, // counts since it is at the instant itself
		"conflicting, and nothing beside": {append(every(10, 5), every(10, 6)...), 0, 10, 10, false},
	} {
		e := followed(t, rules, c.raw, c.from, c.to, c.to)
		require.Equal(t, minutes(c.unknown), e.Unknown, name)
		require.Equal(t, c.measured, e.Measured, name)
		require.Equal(t, c.unknown == 0, e.Limited, name)
	}
	x := exposures(t, rules)
	good := x.Trace(every(10, repeat(31, 5)...))
	e, err := x.Of([]thermal.Stay{{start, start + 60*minute, good, nil, 0}, {start + 90*minute, start + 120*minute, good, nil, 0}}, start+150*minute, start+900*minute)
	require.NoError(t, err)
	require.Equal(t, time.Hour, e.Unknown, "between the stays, and after them")
	e, err = x.Of([]thermal.Stay{{start, start + 60*minute, good, nil, 0}, {start + 600*minute, start + 900*minute, nil, nil, 20_000}}, start+60*minute, start+900*minute)
	require.NoError(t, err)
	require.Zero(t, e.Unknown)
	require.InDelta(t, 5, e.MaxCelsius, 0, "what lies after the instant does not count")
}

// The cold side is never averaged: each raw reading counts, set aside or not, and once.
func TestExposureFreezeReadings(t *testing.T) {
	rules := thermal.ExposureRules{MaxGap: halfHr, FreezeMilliC: 0, Stability: keeps(8, nil, 5, 100)}
	conflict := append(every(10, 5, 5, 5), thermal.Reading{AtMicros: start + 10*minute, MilliC: -100}, thermal.Reading{AtMicros: start + 10*minute, MilliC: -200})
	for name, c := range map[string]struct {
		raw      []thermal.Reading
		from, to int64
		at       int64
		count    int
		lowest   float64
	}{
		"just above":                       {every(10, 5, 0.001, 5), 0, 20, 20, 0, 0.001},
		"at the limit":                     {every(10, 5, 0, 5), 0, 20, 20, 1, 0},
		"below":                            {every(10, 5, -3, 5), 0, 20, 20, 1, -3},
		"two":                              {every(10, -1, -1, 5), 0, 20, 20, 2, -1},
		"sent twice":                       {append(every(10, 5, -1, 5), every(10, 5, -1, 5)...), 0, 20, 20, 1, -1},
		"set aside values":                 {conflict, 0, 20, 20, 2, 5},
		"at the beginning of the stay":     {every(10, -1, 5, 5), 0, 20, 20, 1, -1},
		"at its end, which is not its":     {every(10, 5, 5, -1), 0, 20, 30, 0, -1}, // the line touches it
		"at the instant itself":            {every(10, 5, 5, -1), 0, 20, 20, 1, -1},
		"at the instant, the stay goes on": {every(10, 5, 5, -1, 5), 0, 30, 20, 1, -1},
		"after the instant":                {every(10, 5, 5, 5, -1), 0, 30, 20, 0, 5},
		"alone and far from others":        {every(50, 5, -1, 5), 0, 90, 90, 1, -1},
	} {
		e := followed(t, rules, c.raw, c.from, c.to, c.at)
		require.Equal(t, c.count, e.FreezeReadings, name)
		require.InDelta(t, c.lowest, e.MinCelsius, 0, name)
		if c.count > 0 {
			require.False(t, e.Limited, name)
		}
	}
	// Two stays meet at the instant itself: a reading then is the later one's, once.
	x := exposures(t, rules)
	trace := x.Trace(every(10, 5, -1, 5))
	middle := start + 10*minute
	e, err := x.Of([]thermal.Stay{{start, middle, trace, nil, 0}, {middle, start + 20*minute, trace, nil, 0}}, middle, start+900*minute)
	require.NoError(t, err)
	require.Equal(t, 1, e.FreezeReadings)
}

// Stability and the chemical limit at temperatures that stand in the data, by hand.
func TestExposureStability(t *testing.T) {
	energy := 83.144
	for name, c := range map[string]struct {
		stability thermal.Stability
		celsius   float64 // for an hour
		used      float64
		beyond    bool
		limit     int64 // minutes after the hour
	}{
		"at the coldest point":               {keeps(8, nil, 5, 100, 25, 20), 5, 0.01, false, 99 * 60},
		"colder is not slower":               {keeps(8, nil, 5, 100, 25, 20), 2, 0.01, false, 99 * 60},
		"up to the label's end":              {keeps(8, nil, 5, 100, 25, 20), 8, 0.01, false, 99 * 60},
		"at a warmer point":                  {keeps(8, nil, 5, 100, 25, 20), 25, 0.05, false, 95 * 60},
		"at a point in the middle":           {keeps(8, nil, 25, 20, 5, 100, 15, 50), 15, 0.02, false, 98 * 60},
		"warmer than the warmest":            {keeps(8, nil, 5, 100, 25, 20), 25.001, 0, true, 0},
		"one point, no energy":               {keeps(8, nil, 5, 100), 8.001, 0, true, 0},
		"one point, no energy, in its label": {keeps(8, nil, 5, 100), 8, 0.01, false, 99 * 60},
		"one point above its label":          {keeps(8, nil, 25, 24), 25, 1.0 / 24, false, 23 * 60},
		"one point above it, and warmer":     {keeps(8, nil, 25, 24), 25.5, 0, true, 0},
		"energy, between (C)":                {keeps(8, &energy, 5, 100), 25, 0.01 * math.Exp(10_000*(1/278.15-1/298.15)), false, 5330}, // 88.85 h
		"all points within the label":        {keeps(8, nil, 4, 100, 6, 90), 8, 0.01, false, 99 * 60},
		"all within the label, and warmer":   {keeps(8, nil, 4, 100, 6, 90), 8.001, 0, true, 0},
		"hours that do not change":           {keeps(8, nil, 5, 100, 25, 100), 20, 0.01, false, 99 * 60},
		"used up":                            {keeps(8, nil, 5, 100, 25, 0.5), 25, 2, false, 0},
	} {
		x := exposures(t, thermal.ExposureRules{MaxGap: halfHr, Stability: c.stability})
		at := start + 60*minute
		at -= at % minute
		e, err := x.Of([]thermal.Stay{{FromMicros: at - 60*minute, ToMicros: at, AssumedMilliC: milli(c.celsius)}}, at, at+10_000*minute)
		require.NoError(t, err, name)
		require.Equal(t, !c.beyond, e.Limited, name)
		require.InDelta(t, c.used, e.StabilityUsed, 1e-12, name)
		if c.beyond {
			require.Equal(t, time.Hour, e.BeyondModel, name)
			continue
		}
		require.Zero(t, e.BeyondModel, name)
		require.InDelta(t, c.limit, (e.ChemicalLimitMicros-at)/minute, 1, name)
		if c.limit%60 == 0 {
			require.Equal(t, c.limit, (e.ChemicalLimitMicros-at)/minute, "%s: a full minute is not cut", name)
		}
		e, err = x.Of([]thermal.Stay{{FromMicros: at - 60*minute, ToMicros: at, AssumedMilliC: milli(c.celsius)}}, at, at+minute)
		require.NoError(t, err, name)
		require.LessOrEqual(t, e.ChemicalLimitMicros, at+minute, "%s: never later than the beyond-use date", name)
	}
}

// A fault this finds: a limit on a full minute that the last digit of a logarithm puts into the minute before.
func TestExposureFullMinutes(t *testing.T) {
	at := start - start%minute
	for _, c := range []struct{ cold, warm int64 }{{240, 24}, {168, 24}, {168, 12}, {72, 8}, {90, 9}, {77, 7}, {120, 10}, {330, 11}} {
		x := exposures(t, thermal.ExposureRules{MaxGap: halfHr, Stability: keeps(8, nil, 5, float64(c.cold), 25, float64(c.warm))})
		for h := int64(1); h <= c.warm; h++ {
			stay := thermal.Stay{FromMicros: at - h*60*minute, ToMicros: at, AssumedMilliC: 25_000}
			e, err := x.Of([]thermal.Stay{stay}, at, at+100_000*minute)
			require.NoError(t, err)
			require.Equal(t, (c.cold-h*c.cold/c.warm)*60, (e.ChemicalLimitMicros-at)/minute, "%d h of %d at 25 °C", h, c.warm)
		}
	}
}

// The integral against another quadrature, on lines that cross every kind of boundary.
func TestExposureAgainstGonum(t *testing.T) {
	energy := 120.0
	lines := [][]float64{{3, 40}, {40, 3}, {7.9, 8.1}, {8.001, 8.002}, {5, 30, 12, 24.9, 8, 25}, {20, 20, 21}, {24.999, 25, 24.998}, {9, 9.3, 9.1, 10}}
	for _, s := range []thermal.Stability{keeps(8, nil, 5, 168, 15, 60, 25, 24), keeps(8, &energy, 5, 168), keeps(6, nil, 10, 90, 40, 2), keeps(8, nil, 5, 100, 25, 0.01)} {
		for _, celsius := range lines {
			series := every(20, celsius...)
			end := int64(20 * (len(celsius) - 1))
			for _, cut := range [][2]int64{{0, end}, {3, end - 4}, {7, 8}} {
				e := followed(t, thermal.ExposureRules{MaxGap: halfHr, Stability: s}, series, cut[0], cut[1], cut[1])
				want, beyond := integrate(s, celsius, 20, float64(cut[0]), float64(cut[1]))
				require.InEpsilon(t, want+1, e.StabilityUsed+1, 1e-12, "%v %v", celsius, cut)
				if want > 0 {
					require.InEpsilon(t, want, e.StabilityUsed, 1e-9, "%v %v", celsius, cut)
				}
				require.InDelta(t, beyond, e.BeyondModel.Minutes(), 1e-9, "%v %v", celsius, cut)
			}
		}
	}
}

// integrate is the share used and the minutes beyond the model, by Gauss-Legendre over time, cut where the line meets
// a temperature at which the rule changes. It takes the rule from its words, not from the code.
func integrate(s thermal.Stability, celsius []float64, step, from, to float64) (used, beyond float64) {
	coldest := s.Points[0]
	warmest := s.Points[len(s.Points)-1]
	calm := math.Max(s.LabelMilliC[1].Celsius(), coldest.MilliC.Celsius())
	kelvin := func(m thermal.MilliC) float64 { return m.Celsius() + 273.15 }
	rate := func(c float64) (perHour float64, ok bool) {
		if c <= calm {
			return 1 / coldest.Keeps.Hours(), true
		}
		if len(s.Points) == 1 {
			if s.ActivationKJPerMol == nil {
				return 0, false
			}
			k := *s.ActivationKJPerMol / 8.3144e-3
			return math.Exp(k*(1/kelvin(coldest.MilliC)-1/(c+273.15))) / coldest.Keeps.Hours(), true
		}
		for i := 1; i < len(s.Points); i++ {
			a, b := s.Points[i-1], s.Points[i]
			if c <= b.MilliC.Celsius() {
				part := (1/(c+273.15) - 1/kelvin(a.MilliC)) / (1/kelvin(b.MilliC) - 1/kelvin(a.MilliC))
				return 1 / math.Exp(math.Log(a.Keeps.Hours())*(1-part)+math.Log(b.Keeps.Hours())*part), true
			}
		}
		return 0, false
	}
	bounds := []float64{calm, warmest.MilliC.Celsius()}
	for _, p := range s.Points {
		bounds = append(bounds, p.MilliC.Celsius())
	}
	for i := 1; i < len(celsius); i++ {
		begin, x, y := float64(i-1)*step, celsius[i-1], celsius[i]
		lo, hi := math.Max(begin, from), math.Min(begin+step, to)
		if lo >= hi {
			continue
		}
		cuts := []float64{lo, hi}
		for _, b := range bounds {
			if at := begin + step*(b-x)/(y-x); x != y && lo < at && at < hi {
				cuts = append(cuts, at)
			}
		}
		slices.Sort(cuts)
		for k := 1; k < len(cuts); k++ {
			a, b := cuts[k-1], cuts[k]
			at := func(m float64) float64 { return x + (y-x)*(m-begin)/step }
			if _, ok := rate(at((a + b) / 2)); !ok {
				beyond += b - a
				continue
			}
			used += quad.Fixed(func(m float64) float64 {
				r, _ := rate(at(m))
				return r / 60
			}, a, b, 60, quad.Legendre{}, 0)
		}
	}
	return used, beyond
}

// Bad input gets a sentence, and every mistake is named.
func TestExposureRefuses(t *testing.T) {
	x := exposures(t, thermal.ExposureRules{MaxGap: halfHr})
	stay := func(from, to int64) thermal.Stay {
		return thermal.Stay{FromMicros: start + from*minute, ToMicros: start + to*minute, AssumedMilliC: 5000}
	}
	for name, c := range map[string]struct {
		stays []thermal.Stay
		at    int64
		says  []string
	}{
		"none":                   {nil, 10, []string{"there are none"}},
		"overlapping":            {[]thermal.Stay{stay(30, 60), stay(0, 31)}, 90, []string{"stays[0] begins before stays[1] ends"}},
		"overlapping after at":   {[]thermal.Stay{stay(0, 60), stay(59, 80)}, 10, []string{"stays[1] begins before stays[0] ends"}},
		"twice the same":         {[]thermal.Stay{stay(0, 60), stay(0, 60)}, 90, []string{"stays[1] begins before stays[0] ends"}},
		"to before from":         {[]thermal.Stay{stay(0, 60), stay(70, 65), stay(90, 90)}, 90, []string{"stays[1] ends at or before", "stays[2] ends at or before"}},
		"at before from":         {[]thermal.Stay{stay(0, 60)}, -1, []string{`"at" is before the first stay`}},
		"followed for a century": {[]thermal.Stay{stay(0, 60)}, 60 * 24 * 366 * 100, []string{"more than a hundred years"}},
	} {
		_, err := x.Of(c.stays, start+c.at*minute, start)
		require.ErrorIs(t, err, thermal.ErrStays, name)
		for _, s := range c.says {
			require.ErrorContains(t, err, s, name)
		}
	}
	energy := func(e float64) *float64 { return &e }
	for name, c := range map[string]struct {
		stability thermal.Stability
		says      []string
	}{
		"hours rise":           {keeps(8, nil, 5, 24, 25, 168), []string{"it keeps longer at 25 °C (168 h) than at 5 °C (24 h)"}},
		"hours rise, unsorted": {keeps(8, nil, 25, 168, 5, 24), []string{"it keeps longer at 25 °C"}},
		"no hours":             {keeps(8, nil, 5, 0), []string{"the time at 5 °C is not above 0"}},
		"one place twice":      {keeps(8, nil, 5, 24, 5, 24), []string{"5 °C stands there twice"}},
		"no energy":            {keeps(8, energy(0), 5, 24), []string{"is 0 kJ/mol, not above 0"}},
		"energy below 0":       {keeps(8, energy(-60), 5, 24), []string{"is -60 kJ/mol, not above 0"}},
		"no number":            {keeps(8, energy(math.NaN()), 5, 24), []string{"not above 0"}},
		"energy in J/mol":      {keeps(8, energy(83144), 5, 24), []string{"is it in J/mol?"}},
		"label upside down":    {keeps(1, nil, 5, 24), []string{"ends at 1 °C, below its beginning at 2 °C"}},
		"absurdly cold":        {keeps(8, nil, -180, 24), []string{"-180 °C is colder"}},
		"all at once":          {keeps(1, energy(-1), 5, 24, 25, 30), []string{"below its beginning", "keeps longer", "-1 kJ/mol"}},
	} {
		_, err := thermal.NewExposures(thermal.ExposureRules{MaxGap: halfHr, Stability: c.stability})
		require.ErrorIs(t, err, thermal.ErrStability, name)
		for _, s := range c.says {
			require.ErrorContains(t, err, s, name)
		}
	}
}

// What is proposed, from the closed list, each with a reason.
func TestExposureProposals(t *testing.T) {
	allow := func(m float64) *time.Duration { d := minutes(m); return &d }
	stable := keeps(8, nil, 5, 100, 25, 10)
	in := []float64{5, 5, 5}
	for name, c := range map[string]struct {
		celsius   []float64
		allowed   *time.Duration
		stability thermal.Stability
		bud       int64 // minutes after the instant
		want      []thermal.Action
		says      string
	}{
		"nothing happened":               {in, nil, stable, 60, nil, ""},
		"no stability data":              {in, nil, thermal.Stability{}, 60, []thermal.Action{thermal.NoNumber}, "there is no stability data"},
		"no allowance":                   {[]float64{7, 9, 7}, nil, stable, 60, []thermal.Action{thermal.AskFirst}, "above 8 °C for 10.0 minutes and no allowance"},
		"within it":                      {[]float64{7, 9, 7}, allow(12), stable, 60, []thermal.Action{thermal.WithinAllowance}, "10.0 minutes of the 12.0 minutes allowed"},
		"just within it":                 {[]float64{7, 9, 7}, allow(10), stable, 60, []thermal.Action{thermal.WithinAllowance}, "10.0 minutes of the 10.0 minutes allowed"},
		"thirds add up to the allowance": {[]float64{7, 10, 7}, allow(40.0 / 3), stable, 60, []thermal.Action{thermal.WithinAllowance}, "13.3 minutes"},
		"sevenths, to the nanosecond":    {[]float64{7, 14, 7, 14, 7, 14, 7, 14, 7, 14, 7, 14, 7, 14, 7}, allow(120), stable, 60, []thermal.Action{thermal.WithinAllowance}, "120.0 minutes of the 120.0"},
		"more than it":                   {[]float64{7, 9, 7}, allow(9.5), stable, 60, []thermal.Action{thermal.DiscardIt}, "30 seconds more than the 9.5 minutes allowed"},
		"an allowance of none":           {[]float64{7, 9, 7}, allow(0), stable, 60, []thermal.Action{thermal.DiscardIt}, "more than the 0 seconds allowed"},
		"an allowance not needed":        {in, allow(0), stable, 60, nil, ""},
		"one freeze reading":             {[]float64{5, -1, 5}, nil, stable, 60, []thermal.Action{thermal.HoldIt, thermal.NoNumber}, "one reading"},
		"two":                            {[]float64{-1, -1, 5}, nil, stable, 60, []thermal.Action{thermal.DiscardIt, thermal.NoNumber}, "2 readings"},
		"frozen within its allowance":    {[]float64{9, -1, 5}, allow(60), stable, 60, []thermal.Action{thermal.HoldIt, thermal.NoNumber}, "may have been frozen"},
		"frozen and warm":                {[]float64{-1, -1, 30}, allow(1), stable, 60, []thermal.Action{thermal.DiscardIt, thermal.DiscardIt, thermal.NoNumber}, "2 readings"},
		"warmer than the data":           {[]float64{7, 40, 7}, allow(60), stable, 60, []thermal.Action{thermal.WithinAllowance, thermal.NoNumber}, "warmer than the stability data speaks for"},
		"shorter by its stability":       {in, nil, stable, 6000, []thermal.Action{thermal.ShortenIt}, "0.333 % of it is used"},
	} {
		x := exposures(t, thermal.ExposureRules{MaxGap: halfHr, Stability: c.stability, AllowedOut: c.allowed})
		at := start + 10*int64(len(c.celsius)-1)*minute
		e, err := x.Of([]thermal.Stay{{FromMicros: start, ToMicros: at, Trace: x.Trace(every(10, c.celsius...))}}, at, at+c.bud*minute)
		require.NoError(t, err, name)
		var got []thermal.Action
		said := ""
		for _, p := range e.Proposals {
			got, said = append(got, p.Action), said+p.Why+"\n"
		}
		require.Equal(t, c.want, got, name)
		require.Contains(t, said, c.says, name)
	}
	// With unknown time nothing is within an allowance, and more than it is more all the same.
	x := exposures(t, thermal.ExposureRules{MaxGap: halfHr, AllowedOut: allow(15), Stability: stable})
	for actions, celsius := range map[[2]thermal.Action][]float64{{thermal.NoNumber}: {7, 9, 7}, {thermal.DiscardIt, thermal.NoNumber}: {9, 9, 9}} {
		e, err := x.Of([]thermal.Stay{{FromMicros: start, ToMicros: start + 20*minute, Trace: x.Trace(every(10, celsius...))}}, start+21*minute, start+60*minute)
		require.NoError(t, err)
		require.Equal(t, actions[0], e.Proposals[0].Action)
		require.Equal(t, thermal.NoNumber, e.Proposals[len(e.Proposals)-1].Action)
	}
}
