package demo_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/cmd/vialward/internal/demo"
	"vialward/tracker/stock"
)

var update = flag.Bool("update", false, "write the story's totals anew")

const totalsFile = "../../../../testdata/demo/totals.json"

// totals are the story in numbers. Events is a digest of every event's canonical line, in order: each run of this test is
// one more telling, and two tellings that differ anywhere differ here.
type totals struct {
	Events     int                       `json:"events"`
	Digest     string                    `json:"events_sha256"`
	Vials      int                       `json:"vials"`
	Made       int                       `json:"made"`
	TakenOver  int                       `json:"taken_over"`
	OnHand     int                       `json:"on_hand"`
	States     map[stock.State]int       `json:"vials_by_state"`
	Products   map[string]map[string]int `json:"vials_by_product_and_state"`
	Reasons    map[string]int            `json:"vials_discarded_or_lost_by_reason"`
	CostCents  int64                     `json:"discarded_or_lost_cents"`
	Batches    int                       `json:"batches_prepared"`
	Mails      map[alerts.Kind]int       `json:"mails_by_kind"`
	Lists      int                       `json:"lists"`
	Cases      int                       `json:"cases"`
	BesideThat demo.Told                 `json:"not_in_the_record"`
}

func (p *played) totals() totals {
	x := totals{
		Events: len(p.events), Vials: len(p.vials), Lists: len(p.lists), Cases: len(p.cases), BesideThat: p.told,
		States: map[stock.State]int{}, Products: map[string]map[string]int{}, Reasons: map[string]int{}, Mails: map[alerts.Kind]int{},
	}
	h := sha256.New()
	for _, e := range p.events {
		h.Write(append(e.Canonical(), '\n'))
		switch e.Kind { //nolint:exhaustive // the others are counted elsewhere
		case stock.Prepared:
			x.Batches++
			x.Made += len(e.Vials)
		case stock.TakenOver:
			x.TakenOver += len(e.Vials)
		case stock.Discarded, stock.Lost:
			x.Reasons[e.Body.Reason] += len(e.Vials)
			x.CostCents += e.Body.CostCents * int64(len(e.Vials))
		}
	}
	x.Digest = hex.EncodeToString(h.Sum(nil))
	for _, v := range p.vials {
		x.States[v.State]++
		if x.Products[v.Product] == nil {
			x.Products[v.Product] = map[string]int{}
		}
		x.Products[v.Product][string(v.State)]++
		if v.Unit != "" {
			x.OnHand++
		}
	}
	for _, m := range p.mails {
		x.Mails[m.Kind]++
	}
	return x
}

// The story is the same every time it is told, on any machine.
func (p *played) totalsStand(t *testing.T) {
	got, err := json.MarshalIndent(p.totals(), "", "  ")
	require.NoError(t, err)
	got = append(got, '\n')
	if *update {
		require.NoError(t, os.WriteFile(totalsFile, got, 0o600))
	}
	want, err := os.ReadFile(totalsFile)
	require.NoError(t, err)
	require.Equal(t, string(bytes.TrimSpace(want)), string(bytes.TrimSpace(got)))
}
