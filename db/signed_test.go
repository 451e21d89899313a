package db_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/db"
	"vialward/tracker"
	"vialward/tracker/chain"
	"vialward/tracker/stock"
)

// signs puts the person's own signature under an event that has to carry one.
func signs(e *stock.Event) {
	if e.Signed() {
		e.Body.Signature = &stock.Signature{Person: e.By, Name: e.By, Meaning: "so it is", At: e.EnteredAt, Method: "password"}
	}
}

// What a person decides by name is not recorded without their signature, whatever the program above forgot; a rule and the
// first set-up need none.
func TestDecisionsAreSigned(t *testing.T) {
	t.Parallel()
	d, _ := full(t)
	record := func(kind stock.Kind, via string, change func(s *stock.Signature)) error {
		return d.In(t.Context(), "A", func(tx tracker.Tx) error {
			e := stock.Event{Kind: kind, At: noon, EnteredAt: noon, By: "rph-1", Via: via, Body: stock.Body{Reason: "x"}}
			if change != nil {
				signs(&e)
				change(e.Body.Signature)
			}
			return tx.Append(t.Context(), &e)
		})
	}
	for _, kind := range []stock.Kind{stock.Verified, stock.Lifted, stock.Released, stock.Shortened, stock.SweepConfirmed, stock.SiteLoaded, stock.ProductApproved} {
		for name, change := range map[string]func(s *stock.Signature){
			"none": nil, "another's": func(s *stock.Signature) { s.Person = "rph-2" }, "no name": func(s *stock.Signature) { s.Name = "" },
			"no meaning": func(s *stock.Signature) { s.Meaning = "" }, "of another time": func(s *stock.Signature) { s.At = s.At.AddDate(0, 0, -1) },
		} {
			for _, via := range []string{"token", "page", "machine", "demo"} {
				why, broken := db.Broken(record(kind, via, change))
				require.True(t, broken, "%s, %s, by %s", kind, name, via)
				require.Contains(t, why, "is signed by whoever did it")
			}
		}
		require.NoError(t, record(kind, "token", func(*stock.Signature) {}), kind)
		require.NoError(t, record(kind, "daemon", nil), kind)
		require.NoError(t, record(kind, "account", nil), kind)
	}
}

// A chain that was bound anew is of one piece; the signatures in it are not.
func TestSignaturesAreVerified(t *testing.T) {
	t.Parallel()
	_, conn := full(t)
	require.Empty(t, verify(t, conn).Faults)
	tamper(t, conn, `update batch set document = replace(document, 'tech-1', 'tech-2')`)
	said := ""
	for _, f := range verify(t, conn).Faults {
		if f.Seq == 4 {
			require.Equal(t, chain.Disagrees, f.Kind)
			said = f.Say
		}
	}
	require.Contains(t, said, "signature broken under event 4 (verified by rph-1)")
}
