package thermal_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

// trace is a series from "minute celsius" pairs.
func trace(pairs ...float64) []thermal.Reading {
	var rs []thermal.Reading
	for i := 0; i < len(pairs); i += 2 {
		rs = append(rs, thermal.Reading{AtMicros: start + int64(pairs[i]*float64(minute)), MilliC: milli(pairs[i+1])})
	}
	return rs
}

func TestSpells(t *testing.T) {
	at := func(m float64) int64 { return start + int64(m*float64(minute)) }
	warm := func(from, to, minutes, extreme float64) thermal.Spell {
		return thermal.Spell{Kind: thermal.Warm, FromMicros: at(from), ToMicros: at(to), Minutes: minutes, ExtremeMilliC: milli(extreme)}
	}
	cold := func(from, to, minutes, extreme float64) thermal.Spell {
		s := warm(from, to, minutes, extreme)
		s.Kind = thermal.Cold
		return s
	}
	freeze := func(from, to, minutes, extreme float64) thermal.Spell {
		s := warm(from, to, minutes, extreme)
		s.Kind = thermal.Freeze
		return s
	}
	worst := func(s thermal.Spell, from, to float64) thermal.Spell {
		if from >= 0 {
			s.WorstFromMicros, s.HasWorstFrom = at(from), true
		}
		if to >= 0 {
			s.WorstToMicros, s.HasWorstTo = at(to), true
		}
		return s
	}
	for _, c := range []struct {
		name   string
		series []thermal.Reading
		want   []thermal.Spell
	}{
		{"2 and 8 are in range", trace(0, 2, 10, 8, 20, 2), nil},
		{"crossings lie on the line", trace(0, 6, 10, 10, 20, 6), []thermal.Spell{worst(warm(5, 15, 10, 10), 0, 20)}},
		{"from the limit itself", trace(0, 8, 10, 9, 20, 8), []thermal.Spell{worst(warm(0, 20, 20, 9), 0, 20)}},
		{"cut by both ends", trace(0, 9, 10, 10), []thermal.Spell{worst(warm(0, 10, 10, 10), -1, -1)}},
		{"one reading alone", trace(0, 9), []thermal.Spell{worst(warm(0, 0, 0, 9), -1, -1)}},
		{"a gap ends one; both look past it for a good reading", trace(0, 6, 10, 10, 50, 10, 60, 6),
			[]thermal.Spell{worst(warm(5, 10, 5, 10), 0, 60), worst(warm(50, 55, 5, 10), 0, 60)}},
		{"a gap before a good reading", trace(0, 6, 10, 10, 50, 6), []thermal.Spell{worst(warm(5, 10, 5, 10), 0, 50)}},
		{"a gap after a good reading", trace(0, 6, 40, 10, 50, 6), []thermal.Spell{worst(warm(40, 45, 5, 10), 0, 50)}},
		{"a freeze is part of its cold one, and each has its own good readings", trace(0, 4, 10, 1, 20, -1, 30, 1, 40, 4),
			[]thermal.Spell{worst(cold(20/3., 100/3., 80/3., -1), 0, 40), worst(freeze(15, 25, 10, -1), 10, 30)}},
		{"exactly 0 is a freeze of no length", trace(0, 1, 10, 0, 20, 1),
			[]thermal.Spell{worst(cold(0, 20, 20, 0), -1, -1), worst(freeze(10, 10, 0, 0), 0, 20)}},
		{"from warm to freezing between two readings", trace(0, 9, 10, -1),
			[]thermal.Spell{worst(warm(0, 1, 1, 9), -1, 10), worst(cold(7, 10, 3, -1), 0, -1), worst(freeze(9, 10, 1, -1), 0, -1)}},
	} {
		got := thermal.Survey{MaxGap: halfHr, Limits: thermal.RefrigeratorLimits()}.Describe(c.series).Spells
		require.Len(t, got, len(c.want), c.name)
		for i := range got {
			require.InDelta(t, c.want[i].Minutes, got[i].Minutes, 1e-9, c.name)
			got[i].Minutes = c.want[i].Minutes
		}
		require.Equal(t, c.want, got, c.name)
	}
}

var warmOnly = thermal.Survey{MaxGap: halfHr, Limits: thermal.RefrigeratorLimits()[:1]}

// Minutes beyond all spells of a limit are the time the line is beyond it, counted segment by segment.
func TestSpellsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		series := seriesOf(t, 1, 40, rapid.Int64Range(1, 35*minute), rapid.Int32Range(-3_000, 12_000))
		var spells, counted float64
		for _, s := range warmOnly.Describe(series).Spells {
			if s.FromMicros > s.ToMicros || s.Minutes < 0 || s.HasWorstFrom && s.WorstFromMicros > s.FromMicros || s.HasWorstTo && s.WorstToMicros < s.ToMicros {
				t.Fatalf("out of order: %+v", s)
			}
			spells += s.Minutes
		}
		for i := 1; i < len(series); i++ {
			a, b := series[i-1], series[i]
			d := b.AtMicros - a.AtMicros
			if d > 30*minute {
				continue
			}
			lo, hi := float64(min(a.MilliC, b.MilliC)), float64(max(a.MilliC, b.MilliC))
			switch {
			case lo > 8000:
				counted += float64(d) / 60e6
			case hi > 8000:
				counted += float64(d) / 60e6 * (hi - 8000) / (hi - lo)
			}
		}
		if diff := spells - counted; diff > 1e-6 || diff < -1e-6 {
			t.Fatalf("%v minutes in spells, %v on the line", spells, counted)
		}
	})
}
