package mixing_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

// good is twelve vials filled: ten labelled, one rejected, one kept as a sample; 1.5 mL and all that was used thrown away.
func good() mixing.Account {
	return mixing.Account{
		Measured: mixing.Measured{Filled: 12, Rejected: 1, Sampled: 1, Left: 1500}, InRecord: 10, Labelled: 10, SourceVials: 12, Dissolved: true,
		Disposed: []stock.Disposal{
			{What: stock.SourceVials, Container: "blue bin", Count: 8}, {What: stock.SourceVials, Container: "glass", Count: 4},
			{What: stock.Sharps, Container: "sharps box", Count: 14}, {What: stock.Residue, Container: "blue bin", Volume: 1500},
			{What: stock.RejectedVials, Container: "blue bin", Count: 1},
		},
	}
}

// Whatever does not add up keeps a batch open, and is said.
func TestAccount(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*mixing.Account)
		codes  []string
	}{
		"as it should be":                 {func(*mixing.Account) {}, nil},
		"one vial too many":               {func(a *mixing.Account) { a.Filled = 13 }, []string{mixing.CodeVials}},
		"one vial too few":                {func(a *mixing.Account) { a.Filled = 11 }, []string{mixing.CodeVials}},
		"a vial nobody labelled":          {func(a *mixing.Account) { a.InRecord = 11 }, []string{mixing.CodeVials}},
		"rejected before its label":       {func(a *mixing.Account) { a.InRecord, a.Unlabelled = 11, 1 }, nil},
		"the same, put down before":       {func(a *mixing.Account) { a.InRecord, a.Unlabelled, a.Disposed = 11, 1, a.Disposed[:4] }, nil},
		"more rejected than said":         {func(a *mixing.Account) { a.InRecord, a.Unlabelled = 13, 3 }, []string{mixing.CodeVials}},
		"a source vial missing":           {func(a *mixing.Account) { a.Disposed[1].Count = 3 }, []string{mixing.CodeDisposal}},
		"no source vials said to be used": {func(a *mixing.Account) { a.SourceVials, a.Disposed[1].Count = 0, 3 }, nil},
		"none thrown away":                {func(a *mixing.Account) { a.SourceVials, a.Disposed = 0, a.Disposed[2:] }, []string{mixing.CodeDisposal}},
		"nothing was dissolved":           {func(a *mixing.Account) { a.SourceVials, a.Dissolved, a.Disposed = 0, false, a.Disposed[2:] }, nil},
		"no sharps":                       {func(a *mixing.Account) { a.Disposed[2].Count = 0 }, []string{mixing.CodeDisposal}},
		"less residue than was left":      {func(a *mixing.Account) { a.Disposed[3].Volume = 1499 }, []string{mixing.CodeDisposal}},
		"residue that was not left":       {func(a *mixing.Account) { a.Left = 0 }, []string{mixing.CodeDisposal}},
		"a rejected vial not put down":    {func(a *mixing.Account) { a.Disposed[4].Count = 0 }, []string{mixing.CodeDisposal}},
		"one more put down":               {func(a *mixing.Account) { a.Disposed[4].Count = 2 }, []string{mixing.CodeDisposal}},
		"no container":                    {func(a *mixing.Account) { a.Disposed[2].Container = " " }, []string{mixing.CodeDisposal}},
		"something else":                  {func(a *mixing.Account) { a.Disposed[2].What = "gloves" }, []string{mixing.CodeDisposal}},
		"sharps by volume":                {func(a *mixing.Account) { a.Disposed[2].Volume = 5 }, []string{mixing.CodeDisposal}},
		"residue by number":               {func(a *mixing.Account) { a.Disposed[3].Count = 5 }, []string{mixing.CodeDisposal}},
		"fewer than none": {func(a *mixing.Account) {
			a.Disposed[0].Count, a.Disposed[1].Count = -1, 13
		}, []string{mixing.CodeDisposal}},
		"all at once": {func(a *mixing.Account) { a.Filled, a.InRecord, a.Disposed = 13, 11, nil }, []string{
			mixing.CodeVials, mixing.CodeVials, mixing.CodeDisposal, mixing.CodeDisposal, mixing.CodeDisposal, mixing.CodeDisposal,
		}},
	} {
		t.Run(name, func(t *testing.T) {
			a := good()
			c.change(&a)
			err := a.Check()
			if c.codes == nil {
				require.NoError(t, err)
				return
			}
			requireCodes(t, err, c.codes...)
		})
	}
}

// Law: an account made to add up does, and stops adding up when any one of its counts is off by one.
func TestAccountLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := func(what string, most int) int { return rapid.IntRange(0, most).Draw(t, what) }
		a := mixing.Account{Labelled: n("labelled", 40), Dissolved: true, SourceVials: 1 + n("source vials", 40)}
		a.Rejected, a.Sampled, a.Left = n("rejected", 5), n("samples", 5), stock.Microlitres(n("left", 5000))
		a.Unlabelled = min(n("unlabelled", 5), a.Rejected+a.Sampled)
		a.Filled, a.InRecord = a.Labelled+a.Rejected+a.Sampled, a.Labelled+a.Unlabelled
		a.Disposed = []stock.Disposal{
			{What: stock.SourceVials, Container: "a", Count: a.SourceVials}, {What: stock.Sharps, Container: "b", Count: 1 + n("sharps", 30)},
			{What: stock.Residue, Container: "a", Volume: a.Left}, {What: stock.RejectedVials, Container: "a", Count: a.Rejected},
		}
		require.NoError(t, a.Check())
		off := []func(){
			func() { a.Filled++ }, func() { a.Labelled++ }, func() { a.InRecord++ }, func() { a.SourceVials++ }, func() { a.Left++ },
			func() { a.Disposed[0].Count++ }, func() { a.Disposed[2].Volume++ }, func() { a.Disposed[3].Count++ },
		}
		off[rapid.IntRange(0, len(off)-1).Draw(t, "off by one")]()
		require.Error(t, a.Check())
	})
}
