package demo_test

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/demo"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/waste"
)

// The waste of the thirty days, recounted from the events alone, agrees with the report; the report reads as it stands in
// testdata.
func (p *played) wasteRecounted(t *testing.T) {
	type end struct {
		kind  stock.Kind
		at    time.Time
		cents int64
	}
	ends := map[string]end{}
	short, released := 0, map[string]bool{}
	for _, e := range p.events {
		switch e.Kind { //nolint:exhaustive // the others end nothing
		case stock.Given, stock.Discarded, stock.Lost, stock.Sent, stock.Voided:
			for _, v := range e.Vials {
				ends[v] = end{e.Kind, e.At, e.Body.CostCents}
			}
		case stock.Found:
			for _, v := range e.Vials {
				delete(ends, v)
			}
		case stock.FellShort:
			short += *e.Body.Counted
		case stock.Released:
			for _, v := range e.Vials {
				released[v] = true
			}
		}
	}
	from, to := p.at(1, 0, 0), p.at(31, 0, 0)
	var want waste.Tally
	for _, x := range ends {
		if x.kind == stock.Voided || x.at.Before(from) || !x.at.Before(to) {
			continue
		}
		want.Ended++
		if x.kind == stock.Discarded || x.kind == stock.Lost {
			want.Wasted++
			want.Cents += x.cents
		}
	}
	require.Positive(t, want.Wasted)

	require.NoError(t, p.store.Read(t.Context(), demo.Site, func(v tracker.View) error {
		r, err := tracker.WasteReport(t.Context(), v, from, to, p.end)
		require.NoError(t, err)
		require.Equal(t, want, r.All)
		sum := 0
		for _, s := range r.Short {
			sum += s.Vials
		}
		require.Equal(t, short, sum)
		require.Equal(t, len(released), r.Saved.Vials)
		require.InDelta(t, 721, r.Period.Hours(), 0, "the clocks went back on 2 November")
		text := present.WasteText(v.Site(), r, p.end)
		const golden = "../../../../testdata/demo/waste.txt"
		if *update {
			require.NoError(t, os.WriteFile(golden, []byte(text), 0o600))
		}
		stands, err := os.ReadFile(golden)
		require.NoError(t, err)
		require.Equal(t, string(stands), text)
		return nil
	}))
}
