package sweep_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/stock"
	"vialward/tracker/sweep"
	"vialward/tracker/thermal"
)

// One vial each, on the list of Wed 12 Nov 2025 07:00 (data read 06:58, next staffed sweep 19:00) unless it says
// otherwise. People are there from 06:30 to 19:30, at weekends from 07:30 to 12:00.
func TestWhatIsToBeDone(t *testing.T) {
	fridayEvening := func(in *sweep.Input) {
		in.Now, in.Due, in.Until = at(14, 19, 0), at(14, 19, 0), at(15, 8, 0)
	}
	saturdayEvening := func(in *sweep.Input) { // nobody is there until Sunday 07:30
		in.Now, in.Due, in.Until = at(15, 19, 0), at(15, 19, 0), at(16, 8, 0)
	}
	late := func(in *sweep.Input) { in.Now = at(12, 10, 0) }
	wrongUntil := func(in *sweep.Input) { in.Until = time.Time{} }
	never := func(in *sweep.Input) { in.Until, in.Site.Sweeps = time.Time{}, nil }
	asIs := func(*stock.Vial) {}
	for name, c := range map[string]struct {
		bud    time.Time
		vial   func(*stock.Vial)
		list   func(*sweep.Input)
		action sweep.Action
		by     time.Time
	}{
		"past":                             {bud: at(11, 8, 30), action: sweep.PullNow},
		"ends as the list is due":          {bud: at(12, 7, 0), action: sweep.PullNow},
		"ends a minute later":              {bud: at(12, 7, 1), action: sweep.PullBefore, by: at(12, 7, 1)},
		"ends before a late list was made": {bud: at(12, 9, 0), list: late, action: sweep.PullNow},
		"ends with the next staffed sweep": {bud: at(12, 19, 0), action: sweep.PullBefore, by: at(12, 19, 0)},
		"ends a minute after it":           {bud: at(12, 19, 1), action: sweep.UseFirst},
		"ends 24 h after it":               {bud: at(13, 19, 0), action: sweep.UseFirst},
		"ends a minute after that":         {bud: at(13, 19, 1), action: sweep.Stay},
		"people leave first":               {bud: at(14, 23, 0), list: fridayEvening, action: sweep.PullBefore, by: at(14, 19, 30)},
		"as people come back":              {bud: at(15, 7, 30), list: fridayEvening, action: sweep.PullBefore, by: at(14, 19, 30)},
		"a minute after they came":         {bud: at(15, 7, 31), list: fridayEvening, action: sweep.PullBefore, by: at(15, 7, 31)},
		"nobody there before it":           {bud: at(15, 23, 0), list: saturdayEvening, action: sweep.PullNow},
		"as they come, nobody before":      {bud: at(16, 7, 30), list: saturdayEvening, action: sweep.PullNow},
		"they are there before":            {bud: at(16, 7, 31), list: saturdayEvening, action: sweep.PullBefore, by: at(16, 7, 31)},
		"next sweep looked up":             {bud: at(12, 19, 0), list: wrongUntil, action: sweep.PullBefore, by: at(12, 19, 0)},
		"no sweep at all: a day":           {bud: at(13, 7, 0), list: never, action: sweep.PullBefore, by: at(13, 7, 0)},
		"no sweep at all: more":            {bud: at(13, 7, 1), list: never, action: sweep.UseFirst},
		"on hold":                          {bud: at(20, 9, 0), vial: held(stock.HoldRecall), action: sweep.OnHold},
		"touched by an excursion":          {bud: at(20, 9, 0), vial: warm, action: sweep.OnHold},
		"on hold and past":                 {bud: at(11, 9, 0), vial: warm, action: sweep.OnHold},
		"on hold, ends today":              {bud: at(12, 9, 0), vial: warm, action: sweep.OnHold},
		"not checked":                      {bud: at(20, 9, 0), vial: unverified, action: sweep.NotChecked},
		"not checked, ends today":          {bud: at(12, 9, 0), vial: unverified, action: sweep.NotChecked, by: at(12, 9, 0)},
		"not checked, past":                {bud: at(11, 9, 0), vial: unverified, action: sweep.PullNow},
		"not checked, nobody there":        {bud: at(15, 23, 0), vial: unverified, list: saturdayEvening, action: sweep.PullNow},
		"not checked and on hold":          {bud: at(11, 9, 0), vial: func(v *stock.Vial) { unverified(v); warm(v) }, action: sweep.OnHold},
		"not checked by its state alone":   {bud: at(20, 9, 0), vial: func(v *stock.Vial) { v.State = stock.InPreparation }, action: sweep.NotChecked},
		"people come as it ends": {bud: at(12, 19, 0), action: sweep.PullNow, list: func(in *sweep.Input) {
			in.Site.Staffed = []stock.Hours{{Days: everyDay, From: "19:00", To: "20:00"}}
		}},
		"hours in any order": {bud: at(12, 19, 0), action: sweep.PullBefore, by: at(12, 18, 0), list: func(in *sweep.Input) {
			in.Site.Staffed = []stock.Hours{{Days: everyDay, From: "13:00", To: "18:00"}, {Days: everyDay, From: "06:30", To: "12:00"}}
		}},
		"a BUD that got lost counts as past": {action: sweep.PullNow},
	} {
		if c.vial == nil {
			c.vial = asIs
		}
		in := input(with(batch("251107-1", "PANT", "R1/A", c.bud, 1, 1), c.vial))
		if c.list != nil {
			c.list(&in)
		}
		l := sweep.Make(in)
		require.Len(t, l.Units[0].Lines, 1, name)
		got := l.Units[0].Lines[0]
		require.Equal(t, c.action, got.Action, name)
		require.True(t, c.by.Equal(got.PullBy), "%s: %s", name, got.PullBy)
		require.Equal(t, !c.bud.After(in.Due) || !c.bud.After(in.Now), got.Past, name)
		require.Equal(t, got.Action == sweep.PullNow || got.Action == sweep.PullBefore, got.Into != "", "%s: what stays has no bin beside it", name)
	}
}

func TestHeldAndPastSaysBoth(t *testing.T) {
	text := sweep.Text(sweep.Make(input(with(batch("251107-1", "PANT", "R1/A", at(11, 8, 30), 1, 1), warm))))
	require.Contains(t, text, "on hold: case 57 (warm); PAST ITS BUD too")
	require.Contains(t, text, "DO NOT DISCARD")
	require.NotContains(t, text, "into:")
}

func TestHeldAndEndingByTheNextSweep(t *testing.T) {
	text := func(bud time.Time) string {
		return sweep.Text(sweep.Make(input(with(batch("251107-1", "PANT", "R1/A", bud, 1, 1), warm))))
	}
	require.Contains(t, text(at(12, 19, 0)), "ask a pharmacist now")
	require.NotContains(t, text(at(12, 19, 1)), "ask a pharmacist now")
}

// Shelves come as people walk, C first in this refrigerator; lines that differ in their holds alone always come in the
// same order.
func TestOrderOfALine(t *testing.T) {
	in := input(batch("251110-1", "METH", "R1/A", at(12, 9, 0), 1, 1), batch("251110-1", "METH", "R1/C", at(12, 9, 0), 2, 1))
	require.Equal(t, []sweep.ShelfCount{{Shelf: "C", Count: 1}, {Shelf: "A", Count: 1}}, sweep.Make(in).Units[0].Lines[0].Shelves)

	var vials [][]stock.Vial
	kinds := []string{stock.HoldCount, stock.HoldFound, stock.HoldManual, stock.HoldRecall, stock.HoldRelabel, stock.HoldReturn}
	for i, kind := range kinds {
		vials = append(vials, with(batch("251110-1", "METH", "R1/A", at(14, 9, 0), i+1, 1), held(kind)))
	}
	var got []string
	for _, l := range sweep.Make(input(vials...)).Units[0].Lines {
		got = append(got, l.Held)
	}
	require.Equal(t, kinds, got)
}

// A deadline a week away says its date: a weekday alone would be today's.
func TestDeadlineAWeekAway(t *testing.T) {
	in := input(batch("251110-1", "METH", "R1/A", at(19, 9, 0), 1, 1), batch("251110-2", "METH", "R1/A", at(17, 9, 0), 1, 1))
	in.Until = at(19, 9, 0)
	text := sweep.Text(sweep.Make(in))
	require.Contains(t, text, "BEFORE Mon 09:00")
	require.Contains(t, text, "BEFORE Wed 19 Nov 09:00")
}

// Serials stand beside a batch only where the same unit holds more of it with something else to do.
func TestSerialsOnlyWhenSplit(t *testing.T) {
	l := sweep.Make(input(
		with(batch("251110-1", "METH", "R1/A", at(20, 9, 0), 3, 2), warm), with(batch("251110-1", "METH", "R1/B", at(20, 9, 0), 1, 1), warm),
		batch("251110-1", "METH", "R1/B", at(20, 9, 0), 2, 1),
		batch("251110-1", "METH", "R6/A", at(20, 9, 0), 5, 2), batch("251110-2", "PANT", "R1/C", at(20, 9, 0), 1, 3),
	))
	require.Equal(t, []sweep.ShelfCount{{Shelf: "A", Count: 2, Serials: []int{3, 4}}, {Shelf: "B", Count: 1, Serials: []int{1}}}, l.Units[0].Lines[0].Shelves)
	require.Equal(t, []sweep.ShelfCount{{Shelf: "B", Count: 1, Serials: []int{2}}}, l.Units[0].Lines[1].Shelves)
	require.Equal(t, []sweep.ShelfCount{{Shelf: "C", Count: 3}}, l.Units[0].Lines[2].Shelves)
	require.Equal(t, []sweep.ShelfCount{{Shelf: "A", Count: 2}}, l.Units[1].Lines[0].Shelves, "the other refrigerator is another door")
	require.Contains(t, sweep.Text(l), "shelf A: 2 (no. 3-4)")
}

// What the record says stands where the site has no place is listed last, and counted.
func TestPlacesTheSiteDoesNotHave(t *testing.T) {
	l := sweep.Make(input(
		batch("251110-1", "METH", "R9/A", at(11, 9, 0), 1, 2), batch("251110-2", "METH", "", at(11, 9, 0), 1, 1),
		batch("251110-3", "METH", "R1/Z", at(11, 9, 0), 1, 1), batch("251110-4", "NONE", "R1/B", at(11, 9, 0), 1, 1),
	))
	require.Len(t, l.Units, 4)
	require.Equal(t, []string{"R1", "R6", "", "R9"}, []string{l.Units[0].Code, l.Units[1].Code, l.Units[2].Code, l.Units[3].Code})
	require.Equal(t, []sweep.Counted{{Shelf: "C"}, {Shelf: "A"}, {Shelf: "B", Expected: 1}, {Shelf: "Z", Unknown: true, Expected: 1}}, l.Units[0].Shelves)
	require.True(t, l.Units[2].Unknown && l.Units[3].Unknown)
	text := sweep.Text(l)
	for _, s := range []string{
		"NO STORAGE UNIT", "R9   NOT A STORAGE UNIT OF THIS SITE", "not a shelf of this unit", "NONE (no such product on record)", "(no container on record)",
	} {
		require.Contains(t, text, s)
	}
}

// A number older than two intervals is no number; nor is one from the future.
func TestOldTemperaturesAreNoData(t *testing.T) {
	for name, c := range map[string]struct {
		at    time.Time
		shown bool
	}{
		"now": {at(12, 6, 58), true}, "two intervals": {at(12, 6, 48), true}, "a second more": {at(12, 6, 47).Add(59 * time.Second), false},
		"an interval ahead": {at(12, 7, 3), true}, "further ahead": {at(12, 7, 4), false}, "never": {time.Time{}, false},
	} {
		in := input()
		given := probe("T1", 4_700, c.at, 4_100, 5_400)
		in.Heads["R1"] = sweep.Head{Probes: []sweep.Probe{given}}
		got := sweep.Make(in).Units[0].Head.Probes[0]
		require.Equal(t, c.shown, got.MilliC != nil, name)
		require.Equal(t, given, in.Heads["R1"].Probes[0], "what came in stays as it was")
	}
	in := input()
	in.Heads = map[string]sweep.Head{"R1": {Probes: []sweep.Probe{{Sensor: "T1", MilliC: new(sweep.Degrees(4_700)), At: at(12, 6, 58).Add(-1)}}}}
	require.Nil(t, sweep.Make(in).Units[0].Head.Probes[0].MilliC, "an interval nobody gave proves nothing")
	require.Contains(t, sweep.Text(sweep.Make(in)), "NO DATA since 06:57")
	require.NotContains(t, sweep.Text(sweep.Make(in)), "4.7")
}

// Temperatures of a list against fixed points of the two scales, and USP <659>, read in a secondary copy: 46 °F is
// 7.78 °C, 46.4 °F is 8 °C (R).
func TestDegrees(t *testing.T) {
	for milli, want := range map[thermal.MilliC][2]string{
		8_000: {"8.0 °C", "46.4 °F (8.0 °C)"}, 7_778: {"7.778 °C", "46.0 °F (7.778 °C)"}, 8_040: {"8.04 °C", "46.47 °F (8.04 °C)"},
		0: {"0.0 °C", "32.0 °F (0.0 °C)"}, 100_000: {"100.0 °C", "212.0 °F (100.0 °C)"}, -40_000: {"-40.0 °C", "-40.0 °F (-40.0 °C)"},
		-20_500: {"-20.5 °C", "-4.9 °F (-20.5 °C)"}, -17_800: {"-17.8 °C", "-0.04 °F (-17.8 °C)"}, -1: {"-0.001 °C", "32.0 °F (-0.001 °C)"},
	} {
		in := input()
		in.Heads["R1"] = sweep.Head{Probes: []sweep.Probe{probe("T1", int32(milli), at(12, 6, 58), 0, 0)}}
		require.Contains(t, sweep.Text(sweep.Make(in)), "now "+want[0]+" at")
		in.Site.Unit = "[degF]"
		require.Contains(t, sweep.Text(sweep.Make(in)), "now "+want[1]+" at")
	}
}

func TestSummaries(t *testing.T) {
	now, soon := batch("251107-1", "PANT", "R1/A", at(11, 8, 30), 1, 9), batch("251108-1", "METH", "R1/C", at(12, 8, 30), 1, 5)
	stay := batch("251108-2", "METH", "R6/A", at(18, 8, 30), 1, 105)
	for want, in := range map[string]sweep.Input{
		"pull 9, before 08:30 5":          input(now, soon),
		"pull 9":                          input(now),
		"pull 0, before 08:30 5":          input(soon),
		"pull 0, before 08:30 5, later 2": input(soon, batch("251108-3", "BORT", "R6/A", at(12, 18, 0), 1, 2)),
		"nothing to pull, 105 expected":   input(stay),
		"nothing to pull, 0 expected":     input(),
	} {
		require.Equal(t, want, sweep.Summary(sweep.Make(in)))
	}
	evening := input(batch("251111-4", "BORT", "R6/A", at(13, 6, 45), 1, 2))
	evening.Due, evening.Now, evening.Until = at(12, 19, 0), at(12, 19, 0), at(13, 7, 0)
	require.Equal(t, "pull 0, before Thu 06:45 2", sweep.Summary(sweep.Make(evening)), "of another day")
	require.Contains(t, sweep.Text(sweep.Make(input(stay))), "NOTHING TO PULL, 105 vials expected")
}

func TestWhenAListIsStale(t *testing.T) {
	in := input()
	require.True(t, at(12, 8, 0).Equal(sweep.Make(in).StaleAfter), "an hour after it was due")
	in.Now = at(12, 10, 0)
	require.True(t, at(12, 11, 0).Equal(sweep.Make(in).StaleAfter), "made late: an hour after that")
	in.Now = at(12, 18, 30)
	require.True(t, at(12, 19, 0).Equal(sweep.Make(in).StaleAfter), "not past the next list")
	in.Site.ConfirmMinutes = 0
	require.True(t, at(12, 19, 0).Equal(sweep.Make(in).StaleAfter))
}

// A wall time that comes twice says which of the two it is; the rest of New York's night of 2 Nov 2025 as well.
func TestListOverAClockChange(t *testing.T) {
	s := site()
	s.Staffed, s.Sweeps = nil, []stock.Slot{{Days: everyDay, At: "07:00"}}
	in := sweep.Input{
		Site: s, Slot: "2025-11-01 07:00", Number: 39, Due: instant(t, "2025-11-01T07:00:00-04:00"), Now: instant(t, "2025-11-01T07:00:00-04:00"), Product: product,
		Vials: join(batch("251031-1", "PANT", "R1/A", instant(t, "2025-11-02T01:30:00-04:00"), 1, 1), batch("251031-2", "PANT", "R1/A", instant(t, "2025-11-02T01:30:00-05:00"), 1, 1),
			batch("251031-3", "PANT", "R1/A", instant(t, "2025-11-02T07:00:00-05:00"), 1, 1)),
	}
	text := sweep.Text(sweep.Make(in))
	for _, want := range []string{
		"BEFORE Sun 01:30 EDT", "BUD Sun 2 Nov 2025 01:30 EDT", "BEFORE Sun 01:30 EST", "BUD Sun 2 Nov 2025 01:30 EST", "BEFORE Sun 07:00 ", "next staffed sweep Sun 2 Nov 2025 07:00 EST", "Sat 1 Nov 2025 07:00 EDT",
	} {
		require.Contains(t, text, want)
	}
}

// anyStock draws vials of few batches, so that lines get shared and split.
func anyStock(t *rapid.T, due time.Time) []stock.Vial {
	var all []stock.Vial
	for i := range rapid.IntRange(0, 60).Draw(t, "vials") {
		n := rapid.IntRange(1, 6).Draw(t, "batch")
		place := rapid.SampledFrom([]string{"R1/A", "R1/B", "R1/C", "R6/A", "R6/D", "R1/Q", "R8/A", "R1/", ""}).Draw(t, "place")
		bud := due.Add(time.Duration(rapid.IntRange(-30, 90).Draw(t, "hours")) * time.Hour).Add(time.Duration(rapid.IntRange(0, 1).Draw(t, "minute")) * time.Minute)
		v := batch(fmt.Sprintf("25111%d-1", n), []string{"PANT", "METH", "GANC"}[n%3], place, bud, i+1, 1)
		for _, change := range rapid.SliceOfN(rapid.SampledFrom([]func(*stock.Vial){warm, unverified, held(stock.HoldCount), held(stock.HoldRelabel)}), 0, 2).Draw(t, "marks") {
			if rapid.IntRange(0, 3).Draw(t, "marked") == 0 {
				change(&v[0])
			}
		}
		all = append(all, v...)
	}
	return all
}

// The rule of a line said once more, minute by minute.
func expectedAction(s *stock.Site, v stock.Vial, work, until time.Time) sweep.Action {
	staffed := false
	for m := work; m.Before(v.BUD); m = m.Add(time.Minute) {
		if staffed = sweep.Staffed(s, m); staffed {
			break
		}
	}
	pull := !work.Before(v.BUD) || !until.Before(v.BUD) && !staffed
	switch {
	case len(v.Holds)+len(v.Touches) > 0:
		return sweep.OnHold
	case pull:
		return sweep.PullNow
	case !v.Verified:
		return sweep.NotChecked
	case !until.Before(v.BUD):
		return sweep.PullBefore
	case v.BUD.Sub(until) <= 24*time.Hour:
		return sweep.UseFirst
	}
	return sweep.Stay
}

// Every vial stands in exactly one line, the one its holds and its BUD ask for; shelf totals add up to all vials; the
// order in which vials come in changes nothing; every page is well printed.
func TestEveryVialInOneLine(t *testing.T) {
	type group struct {
		unit, shelf, batch string
		bud                int64
		action             sweep.Action
	}
	rapid.Check(t, func(t *rapid.T) {
		slots := sweep.Due(site(), at(10, 0, 0), at(17, 12, 0))
		due := rapid.SampledFrom(slots).Draw(t, "slot")
		in := input(anyStock(t, due.At))
		in.Slot, in.Due, in.Now = due.Key, due.At, due.At.Add(time.Duration(rapid.IntRange(-2, 30).Draw(t, "late"))*time.Minute)
		work := due.At
		if in.Now.After(work) {
			work = in.Now
		}
		in.Until = sweep.NextStaffed(in.Site, work).At
		l := sweep.Make(in)

		want, got, shelves := map[group]int{}, map[group]int{}, map[string]int{}
		for _, v := range in.Vials {
			want[group{v.Unit, v.Shelf, v.Batch, v.BUD.Unix(), expectedAction(in.Site, v, work, in.Until)}]++
			shelves[v.Unit+"/"+v.Shelf]++
		}
		total, byAction := 0, map[sweep.Action]int{}
		for _, u := range l.Units {
			onShelves, serials := 0, map[string][]int{}
			for _, line := range u.Lines {
				n := 0
				for _, s := range line.Shelves {
					got[group{u.Code, s.Shelf, line.Batch, line.BeyondUse.Unix(), line.Action}] += s.Count
					n += s.Count
					serials[line.Batch] = append(serials[line.Batch], s.Serials...)
					require.True(t, s.Serials == nil || len(s.Serials) == s.Count)
				}
				require.Equal(t, line.Count, n)
				byAction[line.Action] += n
			}
			for b, s := range serials {
				slices.Sort(s)
				require.Len(t, slices.Compact(s), len(s), "batch %s: a vial twice", b)
			}
			for _, s := range u.Shelves {
				require.Equal(t, shelves[u.Code+"/"+s.Shelf], s.Expected) //nolint:testifylint // the field is only named so
				onShelves += s.Expected
			}
			require.Equal(t, onShelves, u.Expected) //nolint:testifylint // the field is only named so
			total += onShelves
		}
		require.Equal(t, want, got)
		require.Len(t, in.Vials, total)
		require.Len(t, in.Vials, l.Expected)
		require.Equal(t, byAction, sweep.Counts(l).By)

		shuffled := in
		shuffled.Vials = slices.Clone(in.Vials)
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1)).Shuffle(len(shuffled.Vials), func(i, j int) {
			shuffled.Vials[i], shuffled.Vials[j] = shuffled.Vials[j], shuffled.Vials[i]
		})
		require.Equal(t, l, sweep.Make(shuffled))
		wellPrinted(t, l, sweep.Text(l))
	})
}

// Names are typed by people and come from files: nothing in them breaks a page, and none of their letters is lost.
func TestTextOfAnyNames(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name") + rapid.SampledFrom([]string{"", "\f", "\r\n.\r\n", "\t", "\u202e", "\u2028", "\x1b[2J", long120 + long120, strings.Repeat("ä", 250), strings.Repeat("点滴", 60)}).Draw(t, "more")
		in := input(batch("251107-1", "PANT", "R1/A", at(11, 8, 30), 1, 1), with(batch("251107-2", "PANT", "R1/A", at(11, 8, 30), 1, 1), func(v *stock.Vial) {
			v.Holds = []stock.Hold{{Kind: name}}
		}))
		in.Site.Name, in.Site.Rooms[0].Units[0].Name, in.Site.Rooms[0].Name = name, name, name
		in.Product = func(string, int) stock.Product { return stock.Product{Name: "x" + name, Disposal: name, Warning: name} }
		in.Heads["R1"] = sweep.Head{Holds: []string{name}, Probes: []sweep.Probe{{Sensor: name, Clock: name}}}
		text := sweep.Text(sweep.Make(in))
		wellPrinted(t, sweep.Make(in), text)
		require.Contains(t, letters(text), letters("x"+name))
	})
}
