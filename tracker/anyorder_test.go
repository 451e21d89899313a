package tracker_test

import (
	"cmp"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// TestMain keeps properties that ask a database short, unless the long run is asked for.
func TestMain(m *testing.M) {
	flag.Parse()
	if os.Getenv("VIALWARD_LONG") == "" {
		if err := flag.Set("rapid.checks", "15"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

// span is where a standing excursion lies, as the record has it.
type span struct {
	kind     string
	from, to int64
}

// standing lists the excursions that stand after everything has come in.
func (s *setup) standing(t *testing.T) (all []span) {
	t.Helper()
	for _, c := range s.cases(t) {
		for _, x := range c.Excursions {
			if x.MergedInto == 0 && !x.NotBorneOut {
				all = append(all, span{string(x.Found.Kind), x.Found.FromMicros, x.Found.ToMicros})
			}
		}
	}
	slices.SortFunc(all, func(a, b span) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.from, b.from))
	})
	return all
}

// Law: in whatever order and pieces three days of readings come in, every excursion the whole series shows stands in the
// record at least as wide, and every vial the whole series holds is on hold. Late data never makes the record milder.
func TestAnyOrderHoldsAsMuch(t *testing.T) {
	t.Parallel()
	// Three days at five minutes: warm over a midnight, a freeze, a gap, a warm spell at the end.
	begin := time.Date(2025, 10, 14, 4, 0, 0, 0, time.UTC)
	var rows []string
	for i := range 3 * 288 {
		c := "5.0"
		switch {
		case i >= 230 && i < 250, i >= 850: // 250 x 5 min is past 00:00 UTC
			c = "9.1"
		case i == 400 || i == 401:
			c = "-0.4"
		case i >= 500 && i < 512: // an hour without readings
			continue
		}
		rows = append(rows, fmt.Sprintf("T1,%s,%s\n", begin.Add(time.Duration(i)*5*time.Minute).Format(time.RFC3339), c))
	}
	fresh := func() *setup {
		s := newSite(t)
		s.batch(t, 2, "R1/A")
		s.now = begin.Add(73 * time.Hour)
		return s
	}
	whole := fresh()
	whole.takeIn(t, "sensor,at,celsius\n"+strings.Join(rows, ""))
	want := whole.standing(t)
	require.Len(t, want, 4, "warm, freeze, gap and warm again: %v", want)
	rapid.Check(t, func(rt *rapid.T) {
		s := fresh()
		defer s.store.Close()
		var pieces []string
		for rest := rows; len(rest) > 0; {
			n := min(len(rest), rapid.IntRange(60, 400).Draw(rt, "piece"))
			pieces, rest = append(pieces, strings.Join(rest[:n], "")), rest[n:]
		}
		for _, i := range rapid.Permutation(slices.Collect(seq(len(pieces)))).Draw(rt, "order") {
			s.takeIn(t, "sensor,at,celsius\n"+pieces[i])
			if rapid.Bool().Draw(rt, "again") {
				s.takeIn(t, "sensor,at,celsius\n"+pieces[i])
			}
		}
		got := s.standing(t)
		for _, w := range want {
			covered := slices.ContainsFunc(got, func(g span) bool {
				return g.kind == w.kind && g.from <= w.from && (g.to == 0 || w.to != 0 && g.to >= w.to)
			})
			require.True(rt, covered, "%v is not in the record: %v", w, got)
		}
		for _, code := range s.inUnit(t, "R1") {
			require.NotEmpty(rt, s.vial(t, code).Touches)
		}
	})
}

// drawn is a day and a half of a sensor's readings in stretches of every sort, some instants told twice and differently.
func drawn(rt *rapid.T, begin time.Time) (rows []string) {
	at := begin
	end := begin.Add(36 * time.Hour)
	for at.Before(end) {
		n := rapid.IntRange(1, 40).Draw(rt, "readings")
		c := rapid.SampledFrom([]string{"5.0", "5.0", "5.0", "8.6", "9.4", "1.2", "-0.4", "0.2", ""}).Draw(rt, "celsius")
		if c == "" {
			at = at.Add(time.Duration(n) * 5 * time.Minute) // a hole
			continue
		}
		for range n {
			rows = append(rows, fmt.Sprintf("T1,%s,%s\n", at.Format(time.RFC3339), c))
			at = at.Add(5 * time.Minute)
		}
	}
	for range rapid.IntRange(0, 3).Draw(rt, "told twice") {
		at := begin.Add(time.Duration(rapid.IntRange(0, 36*12).Draw(rt, "instant")) * 5 * time.Minute)
		rows = append(rows, fmt.Sprintf("T1,%s,%s\n", at.Format(time.RFC3339), rapid.SampledFrom([]string{"6.0", "11", "-3"}).Draw(rt, "other")))
	}
	return rows
}

// moving is a site whose vials come and go while the sensor measures: one stays, one leaves, one comes, one is issued.
func moving(t *testing.T, begin time.Time) (*setup, []string) {
	t.Helper()
	s, ctx := newSite(t), t.Context()
	s.now = begin.Add(-time.Hour)
	codes := append(s.batch(t, 3, "R1/A"), s.batch(t, 1, "R2/A")...)
	s.now = begin.Add(11 * time.Hour)
	_, err := s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[1:2], To: "R2/A"})
	require.NoError(t, err)
	s.now = begin.Add(17 * time.Hour)
	_, err = s.Issue(ctx, "SMALL", technician, tracker.Issue{Vials: codes[2:3], To: "WARD"})
	require.NoError(t, err)
	_, err = s.Place(ctx, "SMALL", technician, tracker.Place{Vials: codes[3:], To: "R1/B"})
	require.NoError(t, err)
	s.now = begin.Add(48 * time.Hour)
	return s, codes
}

// Law: whatever the readings, their pieces and their order, conflicts and repeats among them: every excursion that all of
// them at once show stands at least as wide, and every vial that all of them at once hold is held for the same kinds.
func TestAnySeriesInAnyOrder(t *testing.T) {
	t.Parallel()
	begin := time.Date(2025, 10, 14, 4, 0, 0, 0, time.UTC)
	rapid.Check(t, func(rt *rapid.T) {
		rows := drawn(rt, begin)
		if len(rows) == 0 {
			return
		}
		whole, codes := moving(t, begin)
		defer whole.store.Close() // many cases, few connections
		whole.takeIn(t, "sensor,at,celsius\n"+strings.Join(rows, ""))
		parts, _ := moving(t, begin)
		defer parts.store.Close()
		shuffled := rapid.Permutation(rows).Draw(rt, "rows")
		if rapid.Bool().Draw(rt, "in stretches") { // files are sorted stretches; a gateway's backlog may be anything
			shuffled = rows
		}
		var pieces []string
		for rest := shuffled; len(rest) > 0; {
			n := min(len(rest), rapid.IntRange(20, 300).Draw(rt, "piece"))
			pieces, rest = append(pieces, strings.Join(rest[:n], "")), rest[n:]
		}
		for _, i := range rapid.Permutation(slices.Collect(seq(len(pieces)))).Draw(rt, "order") {
			parts.takeIn(t, "sensor,at,celsius\n"+pieces[i])
		}
		got := parts.standing(t)
		for _, w := range whole.standing(t) {
			covered := slices.ContainsFunc(got, func(g span) bool {
				return g.kind == w.kind && g.from <= w.from && (g.to == 0 || w.to != 0 && g.to >= w.to)
			})
			require.True(rt, covered, "%v is not in the record: %v", w, got)
		}
		for _, code := range codes {
			for _, touch := range whole.vial(t, code).Touches {
				held := slices.ContainsFunc(parts.vial(t, code).Touches, func(o stock.Touch) bool { return o.Kind == touch.Kind })
				require.True(rt, held, "%s is not held for %s", code, touch.Kind)
			}
		}
		parts.recounted(t)
	})
}

func seq(n int) func(func(int) bool) {
	return func(yield func(int) bool) {
		for i := range n {
			if !yield(i) {
				return
			}
		}
	}
}

func (s *setup) inUnit(t *testing.T, unit string) (codes []string) {
	t.Helper()
	require.NoError(t, s.store.Read(t.Context(), "SMALL", func(v tracker.View) error {
		vials, err := v.Find(t.Context(), tracker.VialQuery{Unit: unit, States: []stock.State{stock.Available}})
		for _, x := range vials {
			codes = append(codes, x.Code)
		}
		return err
	}))
	return codes
}

// An old log brought in while a sensor is silent ends no silence and fills no hole but its own.
func TestOldLogDuringSilence(t *testing.T) {
	t.Parallel()
	s, ctx := newSite(t), t.Context()
	s.batch(t, 1, "R1/A")
	s.live(t, "5.0", "5.0")
	s.now = s.now.Add(time.Hour)
	require.NoError(t, s.Silence(ctx, "SMALL", s.now))
	first := func() tracker.Case {
		all := s.cases(t) // newest first
		return all[len(all)-1]
	}
	require.Equal(t, "open", first().State)
	s.takeIn(t, plainLog(s.now.AddDate(0, -1, 0), "5", "5", "5"))
	require.Equal(t, "open", first().State)
	require.NoError(t, s.Silence(ctx, "SMALL", s.now))
	require.Equal(t, "open", first().State)
	require.Len(t, s.cases(t), 2, "the hole since last month is a late case of its own")
	s.live(t, "5.0")
	require.Equal(t, "recovered", first().State)
}
