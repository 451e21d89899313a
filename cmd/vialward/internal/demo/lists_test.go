package demo_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/demo"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/sweep"
)

// hours of the site, as its file has them: people are there from one to the other, lists are due at the slots.
func hours(day time.Time) (from, to string, slots []string) {
	if w := day.Weekday(); w == time.Saturday || w == time.Sunday {
		return "07:30", "16:00", []string{"08:00"}
	}
	return "06:30", "20:00", []string{"07:00", "19:00"}
}

func (p *played) wall(day time.Time, clock string) time.Time {
	at, err := time.ParseInLocation("2006-01-02 15:04", day.Format(time.DateOnly)+" "+clock, p.zone)
	if err != nil {
		panic(err)
	}
	return at
}

// nextList is when the list after an instant is due; people are there at each.
func (p *played) nextList(after time.Time) time.Time {
	for day := after.In(p.zone); ; day = day.AddDate(0, 0, 1) {
		_, _, slots := hours(day)
		for _, s := range slots {
			if at := p.wall(day, s); at.After(after) {
				return at
			}
		}
	}
}

// somebodyBetween: people are there at some instant of [a, b).
func (p *played) somebodyBetween(a, b time.Time) bool {
	for day := a.In(p.zone); !p.wall(day, "00:00").After(b); day = day.AddDate(0, 0, 1) {
		from, to, _ := hours(day)
		if p.wall(day, from).Before(b) && p.wall(day, to).After(a) && a.Before(b) {
			return true
		}
	}
	return false
}

// touched says whether an excursion's hold stood over a vial when a list was made: the case was in the record, a stay
// met the hold's time and shelves, and nobody had released it.
func (p *played) touched(e *entry, opened map[int64]int64, seq int64, made time.Time) bool {
	for caseNo, holds := range p.holds {
		for _, h := range holds {
			since, known := opened[h.Excursion]
			if !known || since > seq || e.released[caseNo] != 0 && e.released[caseNo] < seq {
				continue
			}
			for _, s := range e.stays {
				if s.unit == h.Unit && meets(s, h, made) && (len(h.Shelves) == 0 || slices.Contains(h.Shelves, s.shelf)) {
					return true
				}
			}
		}
	}
	return false
}

func meets(s stay, h tracker.HoldRow, now time.Time) bool {
	left, end := s.to, h.To
	if left.IsZero() {
		left = now
	}
	if end.IsZero() {
		end = now
	}
	return !s.from.After(end) && !left.Before(h.From)
}

// Every list is what the events before it say it has to be: vial by vial, what stands where and what is to be done.
func (p *played) listsFollow(t *testing.T) {
	l, opened, next := ledger{}, map[int64]int64{}, 0
	seen := map[sweep.Action]int{}
	due := p.at(1, 6, 0)
	for _, e := range p.events {
		l.add(t, e)
		if e.Kind == stock.CaseOpened || e.Kind == stock.CaseGrown {
			if _, known := opened[int64(e.Body.Number)]; !known {
				opened[int64(e.Body.Number)] = e.Seq
			}
		}
		if e.Kind != stock.SweepMade {
			continue
		}
		row := p.lists[next]
		next++
		due = p.nextList(due)
		require.True(t, row.Due.Equal(due), "list %d is due %s", row.Number, due)
		require.True(t, row.Made.Equal(due), "list %d was made %s", row.Number, row.Made)
		require.Equal(t, next, row.Number)
		until := p.nextList(due)
		require.True(t, row.Until.Equal(until), "list %d looks until %s", row.Number, row.Until)
		want := map[string]int{}
		for _, v := range l {
			if !v.onHand() || v.unit == "" {
				continue
			}
			want[fmt.Sprintf("%s %s %s", v.unit, v.batch, p.action(v, p.touched(v, opened, e.Seq, due), due, until))]++
		}
		got, expected := map[string]int{}, 0
		for _, u := range row.List.Units {
			expected += u.Expected
			for _, line := range u.Lines {
				got[fmt.Sprintf("%s %s %s", u.Code, line.Batch, line.Action)] += line.Count
				seen[line.Action] += line.Count
			}
		}
		require.Equal(t, want, got, "list %d of %s", row.Number, row.Slot)
		require.Equal(t, expected, row.List.Expected)
	}
	require.Equal(t, len(p.lists), next)
	for _, a := range []sweep.Action{sweep.OnHold, sweep.PullNow, sweep.PullBefore, sweep.UseFirst, sweep.Stay} {
		require.Greater(t, seen[a], 20, "vials listed as %s: what is never there was not checked", a)
	}
	require.Equal(t, 53, next, "two on 22 weekdays, one on eight weekend days, and the morning's")
}

func (p *played) action(v *entry, touched bool, due, until time.Time) sweep.Action {
	switch {
	case len(v.holds) > 0 || touched:
		return sweep.OnHold
	case !v.bud.After(due), !v.bud.After(until) && !p.somebodyBetween(due, v.bud):
		return sweep.PullNow
	case !v.verified:
		return sweep.NotChecked
	case !v.bud.After(until):
		return sweep.PullBefore
	case !v.bud.After(until.Add(24 * time.Hour)):
		return sweep.UseFirst
	default:
		return sweep.Stay
	}
}

// What metrics show is the ledger's.
func (p *played) metricsAgree(t *testing.T) {
	l := ledger{}
	for _, e := range p.events {
		l.add(t, e)
	}
	words := map[string]string{
		"bench": "prepared", "shelf": "available", "ward": "issued", "given": "given", "discarded": "discarded", "lost": "lost", "voided": "voided",
	}
	want, past, ends := map[string]int64{}, 0, map[string]time.Time{}
	for _, v := range l {
		want[fmt.Sprintf("%s %s %s", v.unit, v.product, words[v.state])]++
		switch first := ends[v.unit]; {
		case !v.onHand() || v.unit == "":
		case !v.bud.After(p.end):
			past++
		case first.IsZero() || v.bud.Before(first):
			ends[v.unit] = v.bud.UTC()
		}
	}
	s, err := p.store.Snapshot(t.Context(), p.end)
	require.NoError(t, err)
	got := map[string]int64{}
	for _, c := range s.Vials {
		got[fmt.Sprintf("%s %s %s", c.Unit, c.Product, c.State)] += c.N
	}
	require.Equal(t, want, got)
	gotPast, gotEnds := 0, map[string]time.Time{}
	for _, b := range s.BUDs {
		gotPast += int(b.Past)
		gotEnds[b.Unit] = b.Next.UTC()
	}
	require.Equal(t, past, gotPast, "past their date and still in stock")
	require.Equal(t, ends, gotEnds, "what ends next")
	require.Equal(t, []tracker.SweepCount{{Site: demo.Site, Made: 53, Confirmed: 50, Missed: 2, LastMade: p.lists[52].Made}}, s.Sweeps,
		"two evenings nobody signed, and the morning's, which is being worked")
	p.otherMetricsAgree(t, s)
}

func (p *played) otherMetricsAgree(t *testing.T, s tracker.Snapshot) {
	states, counted := map[string]int64{}, map[string]int64{}
	for _, m := range p.mails {
		states[string(m.State)]++
	}
	for _, m := range s.Mail {
		counted[m.State] = m.N
		require.Zero(t, m.OldestUnsent, m.State)
	}
	require.Equal(t, states, counted)
	values := tracker.ValueCount{Site: demo.Site}
	for _, in := range p.intakes {
		values.Read += in.Rows.Read
		values.Stored += in.Rows.Stored
		values.Duplicate += in.Rows.Duplicate
		values.Conflicting += in.Rows.Conflicting
		values.Missing += in.Rows.Missing
		values.Refused += in.Rows.Refused
	}
	require.Equal(t, []tracker.ValueCount{values}, s.Values)
	require.Len(t, s.Sensors, 7)
	for _, c := range s.Sensors {
		require.True(t, c.LastAt.Equal(p.at(31, 7, 0)), "%s: %s", c.Sensor, c.LastAt)
		require.InDelta(t, 1, c.Coverage, 0.011, "%s: all of the last day but the newest, which is under way", c.Sensor)
	}
	require.Len(t, s.Open, 7*4)
	for _, o := range s.Open {
		require.Zero(t, o.N, o)
	}
}
