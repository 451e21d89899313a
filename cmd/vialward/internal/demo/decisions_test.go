package demo_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/stock"
)

// of lists the events of some kinds, in order.
func (p *played) of(kinds ...stock.Kind) (out []stock.Event) {
	for _, e := range p.events {
		if slices.Contains(kinds, e.Kind) {
			out = append(out, e)
		}
	}
	return out
}

func (p *played) vial(code string) stock.Vial {
	i := slices.IndexFunc(p.vials, func(v stock.Vial) bool { return v.Code == code })
	return p.vials[i]
}

// What people decided, case by case, is what the site's figures allow.
func (p *played) decisionsHold(t *testing.T) {
	require.Equal(t, map[string]int{"excursion": 1, "frozen": 1}, p.discards("excursion", "frozen"), "one act each")
	for _, e := range p.of(stock.Discarded) {
		v := p.vial(e.Vials[0])
		switch e.Body.Reason {
		case "excursion": // 78 minutes: of what stood in R1 only pantoprazole is allowed less
			require.Equal(t, "PANT", v.Product)
			require.Equal(t, int64(4), e.Body.Case)
		case "frozen":
			require.Equal(t, "R6/D", e.Body.From)
			require.Equal(t, "BORT", v.Product)
			require.Len(t, e.Vials, 4)
			require.NotEmpty(t, e.Body.Witness)
		}
	}
	for _, e := range p.of(stock.Released) {
		if e.Body.Case == 3 {
			require.True(t, e.At.Before(p.at(13, 9, 0)), "the rest of R6 is back before 09:00")
			require.NotEmpty(t, e.Body.Witness)
		}
		require.Contains(t, []string{"rph-1", "rph-2"}, e.By)
	}
	for _, v := range p.vials { // nobody left anything undecided, or standing past its date
		if v.Unit != "" {
			require.Empty(t, v.HoldsInWords(), v.Code)
			require.True(t, v.BUD.After(p.end), v.Code)
		}
	}
	p.issuedOnes(t)
	p.sunday(t)
	p.relabelled(t)
	p.areaAndVoid(t)
}

func (p *played) discards(reasons ...string) map[string]int {
	n := map[string]int{}
	for _, e := range p.of(stock.Discarded) {
		if slices.Contains(reasons, e.Body.Reason) {
			n[e.Body.Reason]++
		}
	}
	return n
}

// The three taken in the night of the open door: one found and held, one given, one not found.
func (p *played) issuedOnes(t *testing.T) {
	i := slices.IndexFunc(p.events, func(e stock.Event) bool { return e.Kind == stock.Issued && e.By == "oncall-1" })
	night := p.events[i]
	require.Len(t, night.Vials, 3)
	require.True(t, night.At.Equal(p.at(3, 2, 20)))
	var ends []string
	for _, code := range night.Vials {
		v := p.vial(code)
		ends = append(ends, string(v.State))
		require.Equal(t, "HYDC", v.Product)
	}
	require.Equal(t, []string{"discarded", "given", "lost"}, ends)
}

// On the Sunday without temperatures nothing left R3: who asked was refused there and served from elsewhere, or not.
func (p *played) sunday(t *testing.T) {
	asked := 0
	for _, e := range p.of(stock.Issued) {
		if e.At.Before(p.at(7, 1, 0)) || e.At.After(p.at(8, 8, 50)) {
			continue
		}
		if p.vial(e.Vials[0]).Product == "METH" {
			asked++
			require.NotContains(t, e.Body.From, "R3/")
		}
	}
	require.Positive(t, asked+p.told.Short["METH"])
	require.Positive(t, p.told.Refused["on_hold"])
	require.Positive(t, p.told.Refused["old_label"])
	require.Positive(t, p.told.Refused["expired"], "a release revives nothing")
}

// Micafungin near its allowance got an earlier date, waited for its new label, and only then was issued.
func (p *played) relabelled(t *testing.T) {
	labels := p.of(stock.Relabel)
	require.Len(t, labels, 1)
	for _, code := range labels[0].Vials {
		v := p.vial(code)
		require.Equal(t, "MICA", v.Product)
		require.Equal(t, 2, v.Label)
		require.True(t, v.BUD.Equal(p.at(18, 20, 0)))
	}
	for _, e := range p.of(stock.Issued) {
		if slices.Contains(labels[0].Vials, e.Vials[0]) {
			require.True(t, e.At.After(labels[0].At))
			require.Equal(t, 2, e.Body.Label)
		}
	}
}

// A day in which the hazardous area is Category 1 gives a day's life; a batch with a wrong start is voided by two
// pharmacists and made anew with the true one.
func (p *played) areaAndVoid(t *testing.T) {
	var down, vecu []stock.Event
	for _, e := range p.of(stock.Prepared) {
		switch {
		case e.Body.Product == "BORT" && e.At.After(p.at(15, 0, 0)) && e.At.Before(p.at(16, 0, 0)):
			down = append(down, e)
		case e.Body.Product == "VECU" && e.At.After(p.at(16, 0, 0)) && e.At.Before(p.at(17, 0, 0)):
			vecu = append(vecu, e)
		}
	}
	require.Len(t, down, 1)
	require.Equal(t, 24*time.Hour, down[0].Body.BUD.Sub(*down[0].Body.Since))
	require.Equal(t, "sterility", down[0].Body.Governs)
	require.Len(t, vecu, 2)
	require.Equal(t, 2*time.Hour, vecu[1].Body.BUD.Sub(*vecu[0].Body.BUD), "the wrong start was two hours early")
	voids := p.of(stock.Voided)
	require.Len(t, voids, 1)
	require.Equal(t, vecu[0].Vials, voids[0].Vials)
	require.Equal(t, "rph-2", voids[0].Body.Witness)
	require.Len(t, vecu[1].Vials, len(vecu[0].Vials))
}
